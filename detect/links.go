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
	commandLateS    = Quantity{"command_late_s", "s", 0.01}
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

var linkQuantities = []*Quantity{&commandLateS, &commandLateMinS, &commandLateMaxS, &usualFallRPM, &fellAtRPM, &usualFallKmh, &fellAtKmh, &usualBrakeS,
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
	InstantDipped       = "engine at its lowest"
)

// linkTrack follows the links of the release under way.
type linkTrack struct {
	chain.Track
	kmh, slowKmh float64 // now, and what it was about a second ago
	hasKmh       bool
	slowing      float64 // at the fall, km/h in a second
	rose         bus.Micros
}

func (d *linkTrack) row(m *state.Moment) {
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
	if m.Fell && m.Holding {
		d.Begin(chain.Span{Early: m.Edge.Early, Late: m.Edge.Late}, m.Row)
		d.slowing = d.slowKmh - d.kmh
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
	if p.Context.SpeedKmh != nil {
		l.of.Kmh, l.of.KmhPerS = *p.Context.SpeedKmh, d.slowing
	}
	share := math.NaN()
	if l.of.Kmh >= wayLeastKmh {
		share = l.of.KmhPerS / l.of.Kmh
	}
	l.of.TurbineRPM, l.of.RPMPerS = s.falling(&p.Fall, share)
	switch {
	case math.IsNaN(share):
	case l.HasLift && l.Lifted.Late < p.Fall.Early:
		l.of.Way = s.way(&p.Fall, max(l.Lifted.Late, d.rose), share)
	case l.HasBrake && l.Braked.Late < p.Fall.Early:
		l.of.Way = s.way(&p.Fall, max(l.Braked.Late, d.rose), share)
	}
	if l.HasBrake && l.Braked.Late <= p.Fall.Early {
		l.of.BrakeS = (p.Fall.Mid() - l.Braked.Mid()).Seconds()
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
	if s.decides(p) {
		l.decision, l.decided = mem.Decide(&l.of)
	}
	return l
}

// decides reports whether the fall of a release shows the controller's decision
// in a stop.
func (s *scene) decides(p *state.Separation) bool {
	return p.HasCommand && p.Stop && (!p.Reported || s.Report().Leads())
}

// learn takes a sound release into what is usual.
func (l *linked) learn(s *scene, p *state.Separation) {
	if s.decides(p) && p.Outcome == coupling.Parted {
		s.history.Releases.Learn(&l.of)
	}
}

// lateCommand reports whether the command fell later than this vehicle's habit by
// more than the setting, whatever the habit's spread.
func (l *linked) lateCommand(set *ReleaseLagSettings) bool {
	return set.LateCommandS > 0 && l.decided && l.decision.LowS >= set.LateCommandS
}

// describe adds the links to a finding.
func (l *linked) describe(s *scene, f *Finding, p *state.Separation) {
	if l.decided {
		x := &l.decision
		f.put(&commandLateS, x.LateS)
		f.put(&commandLateMinS, x.LowS)
		f.put(&commandLateMaxS, x.HighS)
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
		if x.LateS > 0 {
			f.Instants = append(f.Instants, Instant{InstantUsuallyFalls, p.Fall.Mid() - seconds(x.LateS), p.Fall.Early - seconds(max(0, x.HighS)),
				p.Fall.Late - seconds(max(0, x.LowS))})
		}
	}
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
// falling in the second before, in rpm/s. Just after a shift it falls as the road
// speed does: by share, what it loses of itself in a second. A shift that is under way
// hides neither as long as the turbine goes on as it went before. NaN where a shift
// hides them, and share is not known.
func (s *scene) falling(fall *state.Edge, share float64) (rpm, rate float64) {
	const reachS, leastS, hiddenS, same = 1.0, 0.25, 0.8, 0.03
	t := s.Trail()
	at := t.After(fall.Mid()) - 1
	i := at
	for i > t.First() && i >= 0 && t.Get(i).Shifting {
		i--
	}
	if i < t.First() || i < 0 || t.Get(i).Shifting || (fall.Mid()-t.Get(at).At).Seconds() > leastS {
		return math.NaN(), math.NaN()
	}
	last := t.Get(i)
	k := i
	for k > t.First() && !t.Get(k-1).Shifting && (last.At-t.Get(k-1).At).Seconds() <= reachS {
		k--
	}
	rate = last.Turbine * share
	if (last.At - t.Get(k).At).Seconds() >= leastS {
		rate = slopeDown(t, k, i)
	}
	if at == i {
		return last.Turbine, rate
	}
	if math.IsNaN(share) {
		return math.NaN(), math.NaN()
	}
	ago := (t.Get(at).At - last.At).Seconds()
	if rpm = t.Get(at).Turbine; ago <= hiddenS && math.Abs(rpm-(last.Turbine-float64(rate*ago))) <= float64(same*rpm) {
		return rpm, rate
	}
	return math.NaN(), math.NaN()
}

// way is how the turbine came down since an instant, at most wayReach before the fall.
func (s *scene) way(fall *state.Edge, since bus.Micros, share float64) (list []chain.Passed) {
	t := s.Trail()
	at := fall.Mid()
	for i := t.After(at) - 1; i >= 0 && i >= t.First(); i-- {
		p := t.Get(i)
		if p.At < since || at-p.At > wayReach {
			break
		}
		if ago := (at - p.At).Seconds(); !p.Shifting && (len(list) == 0 || ago-list[len(list)-1].AgoS >= wayPitchS) {
			list = append(list, chain.Passed{AgoS: ago, TurbineRPM: p.Turbine, RPMPerS: p.Turbine * share})
		}
	}
	return list
}

const (
	// wayReach is as late as a decision is looked for, wayPitchS how fine.
	wayReach, wayPitchS = 4 * bus.Second, 0.04
	// wayLeastKmh is the least road speed whose share a second is known: below, whole
	// km/h and sensors that fall silent make too much of it. Structural.
	wayLeastKmh = 3.0
)

// slopeDown is the least-squares fall of the turbine's speed over the points k to i.
func slopeDown(t *coupling.Trail, k, i int) float64 {
	var n, st, sv, stt, stv float64
	from := t.Get(k).At
	for ; k <= i; k++ {
		p := t.Get(k)
		x := (p.At - from).Seconds()
		n++
		st += x
		sv += p.Turbine
		stt += float64(x * x)
		stv += float64(x * p.Turbine)
	}
	return -(float64(n*stv) - float64(st*sv)) / (float64(n*stt) - float64(st*st))
}
