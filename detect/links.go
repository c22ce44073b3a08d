package detect

import (
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect/chain"
	"joltwatch/detect/coupling"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// What the links of a release out of the ordinary were, and what is usual for the
// vehicle; its instants are the links themselves. Each is left out where it is not
// known.
var (
	// CommandLateS is by how much later than usual the command came.
	CommandLateS    = Quantity{"command_late_s", "s", 0.01}
	commandLateMinS = Quantity{"command_late_min_s", "s", 0.01}
	commandLateMaxS = Quantity{"command_late_max_s", "s", 0.01}
	usualFallRPM    = Quantity{"usual_fall_rpm", "rpm", 1}
	usualFallKmh    = Quantity{"usual_fall_kmh", "km/h", 0.1}
	fellAtKmh       = Quantity{"fell_at_kmh", "km/h", 0.1}
	fellAtRPM       = Quantity{"fell_at_rpm", "rpm", 1}
	usualBrakeS     = Quantity{"usual_brake_to_command_s", "s", 0.01}
	usualDeadS      = Quantity{"usual_dead_s", "s", 0.001}
	usualLagS       = Quantity{"usual_lag_s", "s", 0.001}
	lowestKPa       = Quantity{"lets_go_low_kpa", "kPa", 0.1}
	highestKPa      = Quantity{"lets_go_high_kpa", "kPa", 0.1}
	beforeKPa       = Quantity{"pressure_before_kpa", "kPa", 0.1}
	partedKPa       = Quantity{"parted_kpa", "kPa", 0.1}
	habitReleases   = Quantity{"habit_releases", "", 1}
)

var linkQuantities = []*Quantity{&CommandLateS, &commandLateMinS, &commandLateMaxS, &usualFallRPM, &fellAtRPM, &usualFallKmh, &fellAtKmh, &usualBrakeS,
	&usualDeadS, &usualLagS, &lowestKPa, &highestKPa, &beforeKPa, &partedKPa, &habitReleases}

// OfLinks reports whether a measure belongs to the links of a release or to what led
// up to it, which are told apart from what says how bad it was.
func OfLinks(measure string) bool {
	of := func(q *Quantity) bool { return q.Name == measure }
	return slices.ContainsFunc(linkQuantities, of) || slices.ContainsFunc(beforeQuantities, of)
}

// The names of the instants of a release, in their order.
const (
	InstantBraked       = "brake on"
	InstantLifted       = "pedal released"
	InstantUsuallyFalls = "command usually falls"
	InstantFell         = "command fell"
	InstantBegan        = "pressure began to fall"
	InstantGone         = "pressure gone"
	InstantParted       = "speeds parted"
	InstantUsuallyPart  = "speeds usually part" // where no command is known
	InstantStood        = "standstill"
	InstantDipped       = "engine at its lowest"
)

// linkTrack follows the links of the release under way.
type linkTrack struct {
	chain.Track
	kmh, slowKmh float64 // now, and what it was about a second ago
	hasKmh       bool
	rose         bus.Micros
	decision     decision
}

func (d *linkTrack) row(s *scene, m *state.Moment) {
	if m.HasKmh {
		if !d.hasKmh || m.Gap {
			d.slowKmh, d.hasKmh = m.Kmh, true
		}
		// A first-order lag of a second is behind by what changes in a second.
		d.slowKmh += float64(min(1, m.DtS) * (m.Kmh - d.slowKmh))
		d.kmh = m.Kmh
	}
	if m.Rose {
		d.rose = m.At
	}
	if m.Fell {
		d.decision = d.decisionOf(s, m)
	}
	if m.Fell && m.Holding {
		d.Begin(chain.Span{Early: m.Edge.Early, Late: m.Edge.Late}, m.Row)
	}
	d.Row(m.Row)
}

// slows is how the road speed fell as a release was told.
type slows struct {
	at           bus.Micros
	kmh, kmhPerS float64 // kmh is 0 where it is not known
}

// rate is how fast a turbine of so many rpm was falling at an instant if the road's
// speed fell as it does about when the release is told, in rpm/s; NaN where that is
// not known.
func (x slows) rate(at bus.Micros, rpm float64) float64 {
	kmh := x.kmh + float64(x.kmhPerS*(x.at-at).Seconds())
	if x.kmh <= 0 || kmh <= 1 {
		return math.NaN()
	}
	return rpm * x.kmhPerS / kmh
}

func (d *linkTrack) slows(at bus.Micros) slows { return slows{at, d.kmh, d.slowKmh - d.kmh} }

// linked is a release with its links and how they stand to what is usual.
type linked struct {
	chain.Links
	of       chain.Release
	decision chain.Decision
	decided  bool
	hold     chain.Hold
}

// linksOf takes a release apart.
func (d *linkTrack) linksOf(s *scene, p *state.Separation, r *release) linked {
	mem := &s.history.Releases
	l := linked{hold: mem.Hold()}
	l.Links = d.End(chain.Span{Early: p.Seen.Early, Late: p.Seen.Late}, l.hold)
	l.of = newRelease(&p.Context)
	if x := &d.decision; x.fall == p.Fall {
		l.of, l.decision, l.decided = x.of, x.said, x.decided
	}
	if l.HasPressure {
		l.of.PartedLowKPa, l.of.PartedHighKPa = l.PartedLowKPa, l.PartedHighKPa
		if l.HasBegan {
			l.of.DeadS = max(0, (l.Began.Mid() - p.Fall.Mid()).Seconds())
		}
	}
	if !p.Seen.Hidden {
		l.of.LagS = r.lag
	}
	return l
}

// describe adds the links to a finding.
func (l *linked) describe(s *scene, f *Finding, p *state.Separation) {
	l.describeDecision(f, &p.Fall)
	mem := &s.history.Releases
	if usual, n := mem.LagS(); n >= chain.Fewest {
		f.put(&usualLagS, usual)
	}
	l.driver(f)
	if x, ok := s.dip(p); ok {
		f.Instants = append(f.Instants, x)
	}
	if !l.HasPressure {
		f.MissingInputs = append(f.MissingInputs, stream.ClutchPressure.String())
		return
	}
	l.oil(mem, f)
}

// describeDecision adds how the command's fall stands to the habit.
func (l *linked) describeDecision(f *Finding, fall *state.Edge) {
	if l.decided {
		x := &l.decision
		f.putLate(x)
		switch {
		case x.UsualKmh > 0:
			f.put(&fellAtKmh, l.of.Kmh)
			f.put(&usualFallKmh, x.UsualKmh)
		case x.UsualRPM > 0:
			f.put(&fellAtRPM, l.of.TurbineRPM)
			f.put(&usualFallRPM, x.UsualRPM)
		default:
			f.put(&usualBrakeS, x.UsualBrakeS)
		}
		f.put(&habitReleases, float64(x.N))
		f.usually(InstantUsuallyFalls, x, fall)
	}
}

// putLate adds by how much later than usual the command came.
func (f *Finding) putLate(x *chain.Decision) {
	f.put(&CommandLateS, x.LateS)
	f.put(&commandLateMinS, x.LowS)
	f.put(&commandLateMaxS, x.HighS)
}

// usually adds when a command that came late usually comes.
func (f *Finding) usually(name string, x *chain.Decision, came *state.Edge) {
	if x.LateS > 0 {
		f.Instants = append(f.Instants, Instant{name, came.Mid() - seconds(x.LateS), came.Early - seconds(max(0, x.HighS)),
			came.Late - seconds(max(0, x.LowS))})
	}
}

func (l *linked) driver(f *Finding) {
	add := func(ok bool, name string, x chain.Span) {
		if ok {
			f.Instants = append(f.Instants, Instant{name, x.Mid(), x.Early, x.Late})
		}
	}
	add(l.HasBrake, InstantBraked, l.Braked)
	add(l.HasLift, InstantLifted, l.Lifted)
	add(l.HasBegan, InstantBegan, l.Began)
	add(l.HasGone, InstantGone, l.Gone)
}

// driver adds what the driver did before an instant, where no command is known.
func (d *linkTrack) driver(f *Finding, before bus.Micros) {
	let, braked, ok := d.Driver(before)
	none := chain.Span{}
	if braked != none {
		f.Instants = append(f.Instants, Instant{InstantBraked, braked.Mid(), braked.Early, braked.Late})
	}
	if ok && let != braked {
		f.Instants = append(f.Instants, Instant{InstantLifted, let.Mid(), let.Early, let.Late})
	}
}

// stoodSince is since when the vehicle has stood, between the row before and that in
// which it was seen.
func stoodSince(m *state.Moment) Instant {
	at := m.At - seconds(m.StoodS)
	return Instant{InstantStood, at, at - seconds(m.DtS), at}
}

func (l *linked) oil(mem *chain.Memory, f *Finding) {
	if usual, n := mem.DeadS(); n >= chain.Fewest {
		f.put(&usualDeadS, usual)
	}
	f.put(&beforeKPa, l.BeforeKPa)
	f.put(&partedKPa, l.PartedKPa)
	if l.hold.Known {
		f.put(&lowestKPa, l.hold.LowKPa)
		f.put(&highestKPa, l.hold.HighKPa)
	}
}

// dip returns when the engine, drawn below idle, was at its lowest in a release that
// came to its end.
func (s *scene) dip(p *state.Separation) (x Instant, ok bool) {
	if p.Outcome != coupling.Parted || !s.Dragged(p.EngineLowRPM, p.TurbineLowRPM) {
		return x, false
	}
	t := s.Trail()
	lowest := math.Inf(1)
	for i := max(t.First(), t.After(p.Fall.Early)); i < t.End() && t.Get(i).At <= p.Seen.Late+dipReach; i++ {
		if v := t.Get(i); v.Engine < lowest {
			lowest, ok = v.Engine, true
			x = Instant{InstantDipped, v.At, v.Early, v.Late}
		}
	}
	return x, ok
}

// dipReach after the speeds parted is as late as the engine's own inertia leaves it
// at its lowest. Structural.
const dipReach = bus.Second / 2

// falling returns the turbine's speed at a fall of the command, and how fast it was
// falling before, in rpm/s: by share, what the road's speed loses of itself in a
// second, just after a shift. NaN where a shift hides them, or share is not known.
func (s *scene) falling(fall *state.Edge, share float64) (rpm, rate float64) {
	const leastS = 0.25
	t := s.Trail()
	i := t.After(fall.Mid()) - 1
	if i < t.First() || i < 0 || (fall.Mid()-t.Get(i).At).Seconds() > leastS {
		return math.NaN(), math.NaN()
	}
	p := t.Get(i)
	from := max(t.First(), t.After(p.At-announcedReach))
	turned := s.turned(from, i+1, share)
	if p.At-turned[i-from] <= turnAfter {
		return math.NaN(), math.NaN()
	}
	if rate = fallAt(t, i, turned[i-from], share); math.IsNaN(rate) {
		return math.NaN(), math.NaN()
	}
	return p.Turbine, rate
}
