package detect

import (
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect/chain"
	"joltwatch/detect/coupling"
	"joltwatch/detect/state"
)

// lateness is how a release that no command tells of stands to this vehicle's
// habit: the turbine's speed at which its plates usually let go in a stop.
type lateness struct {
	of       chain.Release // the turbine's speed as the speeds parted
	decision chain.Decision
	// decided: there is a habit, and the turbine's speed is known.
	decided bool
	// minS and maxS bound by how much later than usual it came, minRPM and maxRPM
	// the turbine's speed then.
	minS, maxS, minRPM, maxRPM float64
	road                       slows
}

const (
	// habitSpread standard deviations of the habit are late at the least.
	habitSpread = 4.0
	// habitLeast is the share of a lateness that must be so at the earliest
	// instant at which the speeds may have parted.
	habitLeast = 0.5
)

// latenessOf holds a separation at an instant against a habit. Where a shift hides how
// fast the turbine was falling the road's speed tells it.
func (s *scene) latenessOf(o coupling.Onset, c *Context, road slows, habit *chain.Memory) lateness {
	x := lateness{of: newRelease(c), road: road}
	x.of.TurbineRPM, x.of.RPMPerS = s.falling(&state.Edge{Early: o.At, Late: o.At}, math.NaN())
	if math.IsNaN(x.of.RPMPerS) {
		x.of.TurbineRPM = s.turbineAt(o.At)
		x.of.RPMPerS = road.rate(o.At, x.of.TurbineRPM)
	}
	if math.IsNaN(x.of.RPMPerS) || x.of.RPMPerS <= 0 {
		x.of.RPMPerS = math.NaN()
		return x
	}
	before, after := (o.At - o.Early).Seconds(), (o.Late - o.At).Seconds()
	x.minRPM = max(0, x.of.TurbineRPM-float64(after*x.of.RPMPerS))
	x.maxRPM = x.of.TurbineRPM + float64(before*x.of.RPMPerS)
	if x.decision, x.decided = habit.Decide(&x.of); x.decided {
		if x.decision.UsualRPM > 0 {
			x.decision.LateS = min(x.decision.LateS, belowS(s.Trail(), o.At, x.decision.UsualRPM))
		}
		x.minS, x.maxS = x.decision.LateS-before, x.decision.LateS+after
	}
	return x
}

// belowS is for how long the turbine had been below a speed at an instant, in s, as
// far as the trail reaches. A shift up takes it there at once, and what lets go waits
// for the shift's end: that is no lateness.
func belowS(t *coupling.Trail, at bus.Micros, rpm float64) float64 {
	from := at
	for i := t.After(at) - 1; i >= t.First() && i >= 0; i-- {
		p := t.Get(i)
		switch {
		case p.Shifting:
		case p.Turbine >= rpm:
			return (at - from).Seconds()
		default:
			from = p.At
		}
	}
	return math.Inf(1)
}

// turbineAt is the turbine's speed at an instant, also just before or after it goes
// over to another gear; NaN while it does.
func (s *scene) turbineAt(at bus.Micros) float64 {
	const reachS, overRPMPerS = 0.25, 800
	t := s.Trail()
	i := t.After(at) - 1
	if i < t.First() || (at-t.Get(i).At).Seconds() > reachS || t.Get(i).Rate > overRPMPerS {
		return math.NaN()
	}
	return t.Get(i).Turbine
}

// late reports whether a release came later than the habit by more than the setting
// and more than the habit's own spread.
func (x *lateness) late(set *ReleaseLagSettings) bool {
	if set.LateCommandS <= 0 || !x.decided {
		return false
	}
	limit := max(set.LateCommandS, float64(habitSpread*x.decision.SpreadS))
	return x.decision.LateS >= limit && x.minS >= float64(habitLeast*limit)
}

// learn takes a separation into the habit, a late one too: it is set aside there as long as
// the most are not.
func (x *lateness) learn(s *scene) {
	if !math.IsNaN(x.of.RPMPerS) {
		s.history.Separations.Learn(&x.of)
	}
}

// describe adds what is known to a finding.
func (x *lateness) describe(f *Finding) []Percentile {
	if x.maxRPM > 0 {
		f.Measures = append(f.Measures, releaseMinRPM.of(x.minRPM), releaseMaxRPM.of(x.maxRPM))
	}
	if !x.decided {
		return nil
	}
	f.Measures = append(f.Measures, lateMinS.of(x.minS), lateMaxS.of(x.maxS))
	f.put(&usualFallRPM, x.decision.UsualRPM)
	f.put(&habitReleases, float64(x.decision.N))
	return []Percentile{{Measure: lateMinS.Name, Share: state.Round(x.decision.Less, 0.001), N: uint64(x.decision.N)}}
}

// usually adds when the speeds usually part, where they did later than that.
func (x *lateness) usually(f *Finding) {
	if !x.decided || x.decision.LateS <= 0 {
		return
	}
	i := slices.IndexFunc(f.Instants, func(y Instant) bool { return y.Name == InstantParted })
	at := f.Instants[i].At
	f.Instants = append(f.Instants, Instant{InstantUsuallyPart, at - seconds(x.decision.LateS), at - seconds(max(0, x.decision.HighS)), at - seconds(max(0, x.decision.LowS))})
}

// newRelease is one of which nothing but its conditions is known yet.
func newRelease(c *Context) chain.Release {
	r := chain.Release{Gear: noGear, Celsius: math.NaN(), TurbineRPM: math.NaN(), RPMPerS: math.NaN(), BrakeS: math.NaN(),
		Kmh: math.NaN(), KmhPerS: math.NaN(), PartedLowKPa: math.NaN(), PartedHighKPa: math.NaN(), DeadS: math.NaN(), LagS: math.NaN()}
	if c.Gear != nil {
		r.Gear = int(*c.Gear)
	}
	if c.FluidTemperatureC != nil {
		r.Celsius = *c.FluidTemperatureC
	}
	return r
}

// lateness is that of a trial's separation, by the habit that was there before the release.
func (w *way) lateness(s *scene, o coupling.Onset) lateness {
	before := s.history.Separations.Without(&w.habit.of)
	return s.latenessOf(o, &w.context, w.habit.road, &before)
}
