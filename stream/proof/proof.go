// Package proof tells by physics whether the roles of a vehicle file are what
// they claim: rows in, statements out. Each proof is a small file, or a row of a
// table, and knows which line of the vehicle file to change. The relations are
// those of a torque converter and its clutch; their limits are common practice
// without a source, wide on purpose: they shall tell a wrong wiring from a right
// one, not a worn vehicle from a sound one.
package proof

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// Verdict is what was seen of one relation.
type Verdict uint8

const (
	// Open: what was driven has not shown it yet.
	Open Verdict = iota
	// Shown: seen, and as it should be.
	Shown
	// Against: seen, and it cannot be so.
	Against
)

// Statement is what one proof has to say.
type Statement struct {
	What    string
	Verdict Verdict
	// Says is the sentence with what was seen; Change which line of the vehicle
	// file to change where the verdict is Against.
	Says, Change string
}

// proof is one relation between roles.
type proof interface {
	row(*scene)
	// statements returns nothing where the roles for it are not there.
	statements(*scene) []Statement
}

// sliced is a proof that looks at slices of driving too.
type sliced interface{ slice(*scene, *slice) }

// Observer watches one drive. Its memory does not grow with the drive.
type Observer struct {
	scene   scene
	proofs  []proof
	changes changes
	steps   steps
}

// New returns an Observer for the vehicle of the plan.
func New(plan *stream.Plan) *Observer {
	o := &Observer{scene: scene{plan: plan, facts: &plan.Facts}}
	for _, m := range plan.Messages {
		for _, s := range m.Signals {
			o.scene.mapped[s.Role] = true
		}
	}
	o.proofs = []proof{&standing{}, &idle{}, &coupled{}, &signs{}, newRatios(), &roadConstant{},
		&commands{}, &follows{}, &pedals{}, &reportedSlip{}}
	return o
}

// Samples takes the decoded values of a frame.
func (o *Observer) Samples(of []stream.Sample) {
	for i := range of {
		o.changes.sample(&of[i])
	}
}

// Row takes one row; rows come in time order.
func (o *Observer) Row(r *stream.Row) {
	s := &o.scene
	done := s.observe(r)
	for _, p := range o.proofs {
		p.row(s)
		if x, ok := p.(sliced); ok && done {
			x.slice(s, &s.done)
		}
	}
	o.steps.row(s)
}

// Statements returns what has been seen so far, the proofs in a fixed order.
func (o *Observer) Statements() []Statement {
	out := sameSignal(o.scene.plan)
	out = append(out, o.changes.statements()...)
	for _, p := range o.proofs {
		out = append(out, p.statements(&o.scene)...)
	}
	return out
}

// scene is what the proofs share of the instant.
type scene struct {
	plan   *stream.Plan
	facts  *stream.Facts
	mapped [stream.NumRoles]bool

	r *stream.Row
	// road is in km/h; only comparisons with small numbers rest on it where it
	// is made from the output shaft.
	road             float64
	hasRoad          bool
	engine, turbine  float64
	slipKnown        bool // both measured
	standS           float64
	stopped          bool // stands after having driven
	calmS            float64
	stops            int
	drove            bool
	gear             int
	last, standSince bus.Micros
	gearSince        bus.Micros

	open, done slice
}

// Limits of what counts as driving, in km/h, and settling, in s.
const (
	droveKmh = 15
	standKmh = 0.6
	settleS  = 1.5
	sliceS   = 2.0
	// perKmh serves where the constant is unknown and only standing, crawling
	// and driving have to be told apart.
	perKmh = 25
)

// observe takes the next row and reports whether it completes a slice.
func (s *scene) observe(r *stream.Row) bool {
	gap := r.At < s.last || r.At-s.last > bus.Second*3
	s.r, s.last = r, r.At
	s.road, s.hasRoad = road(r, s.facts)
	s.engine, s.turbine = r.V[stream.EngineSpeed], r.V[stream.TurbineSpeed]
	s.slipKnown = r.Has(stream.EngineSpeed, stream.TurbineSpeed) && r.Derived&(1<<stream.TurbineSpeed) == 0
	s.stand(gap)
	gear := stream.GearNeutral
	if r.Has(stream.Gear) {
		gear = int(r.V[stream.Gear])
	}
	if gear != s.gear || gap || r.Has(stream.Shifting) && r.V[stream.Shifting] != 0 {
		s.gear, s.gearSince = gear, r.At
	}
	s.calmS = (r.At - s.gearSince).Seconds()
	return s.cut(gap)
}

func (s *scene) stand(gap bool) {
	s.standS, s.stopped = 0, false
	switch {
	case !s.hasRoad || gap || s.road >= standKmh:
		s.standSince = 0
		if s.hasRoad && s.road > droveKmh {
			s.drove = true
		}
		return
	case s.standSince == 0:
		s.standSince = s.r.At
		if s.drove {
			s.stops++
		}
	}
	s.standS = (s.r.At - s.standSince).Seconds()
	s.stopped = s.drove && s.standS > 1
	if s.standS > 6 {
		s.drove = false // what is selected from here on is not known
	}
}

func road(r *stream.Row, f *stream.Facts) (float64, bool) {
	switch {
	case r.Has(stream.VehicleSpeed):
		return abs(r.V[stream.VehicleSpeed]), true
	case r.Has(stream.OutputSpeed) && f.OutputPerKmh > 0:
		return abs(r.V[stream.OutputSpeed]) / f.OutputPerKmh, true
	case r.Has(stream.OutputSpeed):
		return abs(r.V[stream.OutputSpeed]) / perKmh, true
	}
	return 0, false
}

// slice is about two seconds of driving: the change of road speed in km/h per
// second, and the mean of each role that was known throughout.
type slice struct {
	from, to     bus.Micros
	first, final float64 // road speed
	sum          [stream.NumRoles]float64
	slip         float64
	n            int
	known        uint32
	slipKnown    bool
	gear         int
	oneGear      bool
}

// rate returns the change of road speed, km/h per second.
func (x *slice) rate() float64 { return (x.final - x.first) / (x.to - x.from).Seconds() }

func (x *slice) has(r stream.Role) bool     { return x.known&(1<<r) != 0 }
func (x *slice) mean(r stream.Role) float64 { return x.sum[r] / float64(x.n) }
func (x *slice) moving() bool               { return x.first > droveKmh/3 && x.final > droveKmh/3 }
func (x *slice) faster() bool               { return x.rate() > 1.5 }
func (x *slice) slower() bool               { return x.rate() < -1.5 }

func (s *scene) cut(gap bool) (done bool) {
	x := &s.open
	if gap || !s.hasRoad {
		*x = slice{}
		if !s.hasRoad {
			return false
		}
	}
	if x.n > 0 && (s.r.At-x.from).Seconds() >= sliceS {
		s.done, done = *x, true
		*x = slice{}
	}
	if x.n == 0 {
		*x = slice{from: s.r.At, first: s.road, known: s.r.Known, slipKnown: true, gear: s.gear, oneGear: true}
	}
	x.n++
	x.to, x.final = s.r.At, s.road
	x.known &= s.r.Known
	x.slipKnown = x.slipKnown && s.slipKnown
	x.oneGear = x.oneGear && s.gear == x.gear
	for r := range x.sum {
		x.sum[r] += s.r.V[r]
	}
	x.slip += s.engine - s.turbine
	return done
}

func abs(v float64) float64 { return max(v, -v) }
