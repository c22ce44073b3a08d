package stream

import (
	"math"

	"joltwatch/bus"
)

// Where the turbine speed is not broadcast, it follows from the speed of the
// output shaft or of the road and the ratio of the gear, with a larger error.
const (
	// gearSettle is how long after a change of the gear, or after the
	// controller's report of a shift, the ratio is not trusted; gearAhead is
	// how long before. Controllers report the new gear at the start of the
	// shift, or at its end, and light shifts take up to about half a second
	// (common practice, no source).
	gearSettle = 800_000 * bus.Micros(1)
	gearAhead  = 500_000 * bus.Micros(1)
	// Spreads of stated ratios, as shares: a gear's is written with two
	// decimals; road speed adds tyre size, wear and slip (common practice, no
	// source).
	gearSpread = 0.005
	roadSpread = 0.02
	// lowRoad: wheel sensors read 0 below about 2 km/h (common practice, no
	// source).
	lowRoad = 2.0
	maxGear = 24
)

// LearnedRatio is turbine speed over another speed in one gear, as found by a
// RatioLearner.
type LearnedRatio struct {
	Gear int `json:"gear"`
	// Of is the speed below the line: OutputSpeed (the ratio has no unit) or
	// VehicleSpeed (rpm for 1 km/h). With GearNeutral the speed above it is that
	// of the output shaft, which holds in all gears whose ratio is stated.
	Of    Role    `json:"of"`
	Ratio float64 `json:"ratio"`
	// Spread is the half-width of the ratio as a share of it.
	Spread float64 `json:"spread"`
	// Episodes and Seconds are how much steady closed driving it rests on.
	Episodes int     `json:"episodes"`
	Seconds  float64 `json:"seconds"`
	// Stable is true once it may be used.
	Stable bool `json:"stable"`
}

type gearRatio struct {
	ratio, spread float64 // 0 unknown
}

// gearRatios are the ratios of one gear to one speed.
// Scaled is the stated ratio with the tyres as driving has shown them.
type gearRatios struct{ stated, scaled, learned gearRatio }

// best is the narrowest of them.
func (g *gearRatios) best() gearRatio {
	r := g.stated
	for _, x := range [...]gearRatio{g.scaled, g.learned} {
		if r.ratio == 0 || x.ratio != 0 && x.spread < r.spread {
			r = x
		}
	}
	return r
}

// derivation is what the Stream needs to work out turbine speed.
type derivation struct {
	possible bool
	output   [maxGear + 2]gearRatios // by gear + 1
	road     [maxGear + 2]gearRatios
	gear     float64
	hasGear  bool
	steady   bus.Micros // since when the gear has stood
}

func (d *derivation) init(plan *Plan) {
	f := &plan.Facts
	for g, r := range f.Ratios {
		if g < GearReverse || g > maxGear || g == GearNeutral || !(r > 0) {
			continue
		}
		d.output[g+1].stated = gearRatio{r, gearSpread}
		if f.OutputPerKmh > 0 {
			d.road[g+1].stated = gearRatio{float64(r * f.OutputPerKmh), gearSpread + roadSpread}
		}
		d.possible = true
	}
	for _, l := range f.Learned {
		d.learn(l)
	}
}

func (d *derivation) learn(l LearnedRatio) {
	if l.Gear < GearReverse || l.Gear > maxGear || !(l.Ratio > 0) {
		return
	}
	if l.Gear == GearNeutral {
		d.scale(l)
		return
	}
	t := &d.output[l.Gear+1]
	if l.Of == VehicleSpeed {
		t = &d.road[l.Gear+1]
	} else if l.Of != OutputSpeed {
		return
	}
	if !l.Stable {
		t.learned = gearRatio{}
		return
	}
	t.learned = gearRatio{l.Ratio, l.Spread}
	d.possible = true
}

// scale takes a learned speed of the output shaft for 1 km/h.
func (d *derivation) scale(l LearnedRatio) {
	for g := range d.road {
		d.road[g].scaled = gearRatio{}
		if r := d.output[g].stated.ratio; r != 0 && l.Stable && l.Of == VehicleSpeed {
			d.road[g].scaled = gearRatio{float64(r * l.Ratio), l.Spread + gearSpread}
			d.possible = true
		}
	}
}

// SetLearnedRatio tells the stream a ratio that has been learned. A stated
// ratio stays in use where it is the narrower of the two; one that is not
// stable puts an end to the use of what was learned before.
func (s *Stream) SetLearnedRatio(l LearnedRatio) { s.derive.learn(l) }

// Learned returns the ratios that the stream has learned by itself so far,
// stable or not: where turbine speed is not mapped, it watches the driving in
// which the controller reports the clutch closed, or where it reports nothing,
// rolling with the pedal released (see ObserveAlone). Kept in Facts.Learned, they
// serve from the start of the next run.
func (s *Stream) Learned() []LearnedRatio {
	if s.learner == nil {
		return nil
	}
	return s.learner.Ratios()
}

func (d *derivation) forget() { d.hasGear = false }

// deriveTurbine fills in the turbine speed of a row that lacks it.
func (s *Stream) deriveTurbine(w *Row) {
	d := &s.derive
	if !w.Has(Gear) {
		d.hasGear = false
		return
	}
	g := w.V[Gear]
	if !d.hasGear || g != d.gear || w.Has(Shifting) && w.V[Shifting] != 0 {
		if d.hasGear {
			d.steady = w.At + gearSettle
		} else {
			d.steady = w.At
		}
		d.gear, d.hasGear = g, true
	}
	if w.Has(TurbineSpeed) || w.At < d.steady || g != math.Trunc(g) || g < GearReverse || g > maxGear {
		return
	}
	x := &s.roles[Gear]
	q := x.queue
	for i := q.cur + 1; i < q.end && q.points[i].at <= w.At+gearAhead; i++ {
		if q.points[i].ok>>Gear&1 != 0 && q.row(i)[x.column] != g {
			return
		}
	}
	of := OutputSpeed
	r := d.output[int(g)+1].best()
	if !w.Has(OutputSpeed) || r.ratio == 0 {
		of, r = VehicleSpeed, d.road[int(g)+1].best()
		if !w.Has(VehicleSpeed) || r.ratio == 0 {
			return
		}
	}
	v := w.V[of]
	// A value may be rounded or cut off: the truth is within one step.
	step := s.feeds[s.roles[of].active].step
	if of == VehicleSpeed && v < lowRoad {
		step = max(step, lowRoad)
	}
	w.V[TurbineSpeed] = float64(v * r.ratio)
	w.StepRPM = float64(r.ratio * step)
	w.Tol[TurbineSpeed] = w.StepRPM + float64(math.Abs(w.V[TurbineSpeed])*r.spread)
	w.Prev[TurbineSpeed], w.Next[TurbineSpeed] = w.Prev[of], w.Next[of]
	w.Known |= 1 << TurbineSpeed
	w.Derived |= 1 << TurbineSpeed
}
