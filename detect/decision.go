package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/chain"
	"joltwatch/detect/coupling"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// decision is a fall of the command as the driver rolls up, held against this
// vehicle's habit. It needs nothing of what the plates do after it.
type decision struct {
	is      bool // and is not settled yet
	fall    state.Edge
	of      chain.Release
	context Context
	said    chain.Decision
	decided bool // there is a habit
	// told: it was handed on as late. tried: the self-test was made.
	told, tried bool
}

// trialOfCommandS is how much later the command falls in the self-test, in s.
const trialOfCommandS = 1.0

// decisionOf is that of a row in which the command fell.
func (d *linkTrack) decisionOf(s *scene, m *state.Moment) decision {
	x := decision{fall: m.Edge, context: m.Context(s.SinceStart(m.At))}
	pedal, _ := m.Accelerator()
	if !s.InDrive() || pedal >= drivenOnPct || m.Edge.Early-d.rose < seconds(state.MinEngagedS) {
		return x
	}
	x.is = true
	x.of = d.releaseAt(s, &x.context, &m.Edge)
	if mem := &s.history.Releases; !s.copies() || s.Report().Leads() {
		x.said, x.decided = mem.Decide(&x.of)
	}
	x.of.OverdueS = s.history.Releases.Overdue(&x.of)
	return x
}

// copies reports whether a reported state is all that is known of the command.
func (s *scene) copies() bool {
	return s.CommandRole() == stream.LockupState && s.set.ReleaseLag.StateDelayS > 0
}

// late reports whether the command fell later than this vehicle's habit by more than
// the setting, whatever the habit's spread.
func late(x *chain.Decision, set *ReleaseLagSettings) bool {
	return set.LateCommandS > 0 && x.LowS >= set.LateCommandS
}

// releaseAt is a release whose command falls at an instant up to now, as far as the
// driver and the way down tell of it.
func (d *linkTrack) releaseAt(s *scene, c *Context, fall *state.Edge) chain.Release {
	r := newRelease(c)
	share := math.NaN()
	if c.SpeedKmh != nil {
		r.Kmh, r.KmhPerS = *c.SpeedKmh, d.slowKmh-d.kmh
		if r.Kmh >= wayLeastKmh {
			share = r.KmhPerS / r.Kmh
		}
	}
	r.TurbineRPM, r.RPMPerS = s.falling(fall, share)
	let, braked, ok := d.Driver(fall.Early)
	if ok {
		r.RolledS = (fall.Mid() - let.Early).Seconds()
		if let != braked {
			r.LiftedS = r.RolledS
		}
	}
	if ok && !math.IsNaN(share) {
		r.Way = s.way(fall.Mid(), max(let.Late, d.rose), share)
	}
	if braked != (chain.Span{}) {
		r.BrakeS = (fall.Mid() - braked.Mid()).Seconds()
	}
	return r
}

// decisions settles what the command's last fall shows.
func (d *releaseLag) decisions(s *scene, m *state.Moment) {
	x := &d.links.decision
	if !x.is {
		return
	}
	if (m.At - x.fall.Mid()).Seconds() < trialOfCommandS {
		a, ok := m.Accelerator()
		x.is = !m.Rose && !(ok && a > 5) && s.InDrive() // else no stop
		return
	}
	known := !s.copies() || s.Report().Leads()
	isLate := known && x.decided && late(&x.said, &s.set.ReleaseLag)
	if !x.tried {
		x.tried = true
		d.tally.commands.Falls++
		if isLate || known && x.clear(&s.set.ReleaseLag) && d.links.later(s, m, x) {
			d.tally.commands.Later1S++
		}
	}
	if s.Following() {
		return
	}
	x.is = false
	switch {
	case isLate:
		s.history.Releases.Told(&x.of)
		if !x.told {
			d.alone(s, m, x)
		}
	case !isLate && !(s.copies() && s.Report().Follows()):
		s.history.Releases.Learn(&x.of)
	}
}

// clear reports whether it is known that the command was not late: one that may have
// been is none that was observed.
func (x *decision) clear(set *ReleaseLagSettings) bool {
	return x.decided && max(x.said.HighS, x.said.EarliestS) < set.LateCommandS
}

// later reports whether the command would have been told as late had it fallen now, a
// second later than it did.
func (d *linkTrack) later(s *scene, m *state.Moment, x *decision) bool {
	by := m.At - x.fall.Mid()
	fall := state.Edge{Early: x.fall.Early + by, Late: x.fall.Late + by}
	context := m.Context(s.SinceStart(m.At))
	r := d.releaseAt(s, &context, &fall)
	said, ok := s.history.Releases.Decide(&r)
	return ok && late(&said, &s.set.ReleaseLag)
}

// alone tells a command that fell late where what the plates did then is not known.
func (d *releaseLag) alone(s *scene, m *state.Moment, x *decision) {
	x.told = true
	f := Finding{Kind: KindReleaseLag, Class: LateCommand, Severity: lateCommandSeverity(&x.said), Keep: true,
		Start: x.fall.Early, End: m.At, Context: x.context}
	f.Instants = append(f.Instants, Instant{InstantFell, x.fall.Mid(), x.fall.Early, x.fall.Late})
	f.MissingInputs = missingInputs(m.Row, stream.FluidTemperature, stream.Brake)
	l := linked{of: x.of, decision: x.said, decided: true}
	l.describeDecision(&f, &x.fall)
	d.before.describe(&f, x.fall.Mid(), x.of.TurbineRPM)
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}

// lateCommandSeverity grows with how late the command came at the least.
func lateCommandSeverity(x *chain.Decision) float64 { return min(0.9, 0.55+float64(0.1*x.LowS)) }

// way is how the turbine came down to an instant, since another and at most wayReach
// before; share is what the road's speed loses of itself in a second.
func (s *scene) way(at, since bus.Micros, share float64) (list []chain.Passed) {
	t := s.Trail()
	from := max(t.First(), t.After(at-wayReach-announcedReach))
	to := t.After(at)
	turned := s.turned(from, to, share)
	next := bus.Micros(math.MaxInt64)
	for i := to - 1; i >= from; i-- {
		p := t.Get(i)
		x := turned[i-from]
		if x == p.At {
			next = p.At
		}
		if p.At < since || at-p.At > wayReach {
			break
		}
		ago := (at - p.At).Seconds()
		if len(list) > 0 && ago-list[len(list)-1].AgoS < wayPitchS {
			continue
		}
		hidden := next-p.At <= turnBefore || p.At-x <= turnAfter || p.Shifting && p.At-x > announcedReach
		list = append(list, chain.Passed{AgoS: ago, TurbineRPM: p.Turbine, RPMPerS: fallAt(t, i, x, share), Hidden: hidden})
	}
	return list
}

// turned tells for each of the points which of them up to it is the last at which the
// turbine was going over to another gear; by how fast it turns, for a gear may be told
// sooner or later. Where points are missing, it may have been.
func (s *scene) turned(from, to int, share float64) []bus.Micros {
	t := s.Trail()
	list := make([]bus.Micros, to-from)
	last, k := bus.Micros(math.MinInt64/2), from
	for i := from; i < to; i++ {
		p := t.Get(i)
		for k+1 < i && p.At-t.Get(k+1).At >= turnOver {
			k++
		}
		q := t.Get(k)
		fall := p.Turbine * share
		if math.IsNaN(share) {
			fall = 0
		}
		if dt := (p.At - q.At).Seconds(); i > from && (p.At-t.Get(i-1).At > turnGap || p.At-q.At >= turnOver && turns((q.Turbine-p.Turbine)/dt, fall, p.StepRPM/dt)) {
			last = p.At
		}
		list[i-from] = last
	}
	return list
}

// turns reports whether a turbine that falls so fast is not in a gear as the road's
// speed falls, all in rpm/s; step is what quantisation makes of it.
func turns(rate, fall, step float64) bool {
	const rises, beyond, times = 150, 400, 3
	return rate < -rises-step || rate > float64(times*fall)+beyond+step
}

// fallAt is how fast the turbine was falling at a point, in rpm/s: by the points before
// since it last turned to another gear, or as the road's speed does.
func fallAt(t *coupling.Trail, i int, turned bus.Micros, share float64) float64 {
	p := t.Get(i)
	k := i
	for k > t.First() && t.Get(k-1).At > turned && p.At-t.Get(k-1).At <= fallReach {
		k--
	}
	if p.At-t.Get(k).At >= fallLeast {
		return slopeDown(t, k, i)
	}
	return p.Turbine * share
}

const (
	// wayReach is as late as a decision is looked for, wayPitchS how fine.
	wayReach, wayPitchS = 4 * bus.Second, 0.04
	// wayLeastKmh is the least road speed whose share a second is known: below, whole
	// km/h and sensors that fall silent make too much of it. Structural.
	wayLeastKmh = 3.0
	// turnOver is the least time over which the turbine is seen to turn to another gear,
	// turnGap what may be missing.
	turnOver, turnGap = 80_000 * bus.Micros(1), 250_000 * bus.Micros(1)
	// turnBefore it a shift is prepared, turnAfter it it settles (cp); a gear that is told
	// is announced where no turn came so long before.
	turnBefore, turnAfter, announcedReach = bus.Second / 4, 300_000 * bus.Micros(1), bus.Second
	// fallReach is over how long the fall is taken, fallLeast at the least.
	fallReach, fallLeast = 600_000 * bus.Micros(1), bus.Second / 4
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
