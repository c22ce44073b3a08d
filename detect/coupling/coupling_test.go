package coupling

import (
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/bus"
)

func limits() *Limits {
	return &Limits{PartedRPM: 10, WatchS: 25, RangeRPM: 25, SpreadRPM: 4, Spread: 0.06, DeadRPM: 210, DrawnRPM: 600}
}

// stop is an invented stop: the command falls at 10 s, the clutch lets go lagS
// later, and engine and turbine are as given.
type stop struct {
	lagS, pitchS float64
	turbine      func(s float64) float64
	// open is the engine's speed once the clutch has let go.
	open   func(s, turbine float64) float64
	ripple float64
	// filterS is the time constant of the filter that the engine's speed passes,
	// known to the trail.
	filterS float64
	// Nothing comes from one of these to the other, in s.
	silent [2]float64
	// A shift is told from one of these to the other, in s.
	shift [2]float64
	seed  uint64
}

const fallS = 10.0

func (x stop) run(t *testing.T) (Outcome, *Watch, *Trail) {
	t.Helper()
	rnd := rand.New(rand.NewPCG(7, 8+x.seed))
	tr := &Trail{}
	tr.Calibrate(Chain{FilterS: x.filterS, UnsureS: 0.004}, Noise{RippleRPM: max(x.ripple, 1), SeenRPM: max(x.ripple, 1)})
	w := &Watch{}
	begun, wander, next := false, 0.0, 0
	var slow, was float64
	for s := 5.0; s < 40; s += x.pitchS {
		tu := x.turbine(s)
		wander += -wander*x.pitchS/0.1 + rnd.NormFloat64()*math.Sqrt(2*x.pitchS/0.1)
		en := tu + x.ripple*wander
		if s > fallS+x.lagS {
			en = x.open(s-fallS-x.lagS, tu)
		}
		at := bus.Micros(s * 1e6)
		if x.filterS > 0 {
			// Exactly, for a straight line from row to row.
			k := x.filterS / x.pitchS * (1 - math.Exp(-x.pitchS/x.filterS))
			if s == 5 {
				slow, was = en, en
			}
			slow = en + k*(was-en) + math.Exp(-x.pitchS/x.filterS)*(slow-was)
			was, en = en, slow
		}
		p := Point{At: at, Early: at, Late: at, Engine: en, Turbine: tu, Shifting: s > x.shift[0] && s < x.shift[1]}
		if s > x.silent[0] && s < x.silent[1] || !tr.Add(&p) || s < fallS {
			continue
		}
		if !begun {
			fall := Edge{at - bus.Micros(x.pitchS*1e6), at}
			if !w.Begin(limits(), tr, fall) {
				t.Fatal("no watch")
			}
			begun, next = true, tr.After(at)
		}
		if en < 210 {
			return w.Died(), w, tr
		}
		for ; next < tr.End(); next++ {
			if how := w.Step(tr, next); how != Watching {
				return how, w, tr
			}
		}
	}
	return Watching, w, tr
}

// idling is an engine that falls away from the turbine to its idle.
func idling(s, turbine float64) float64 { return 700 + (turbine-700)*math.Exp(-s/0.15) }

func slowing(s float64) float64 { return max(0, 1500-150*max(0, s-8)) }

func TestLagIsFound(t *testing.T) {
	for _, lag := range []float64{0.1, 0.5, 1, 2.5} {
		for _, pitch := range []float64{0.01, 0.02, 0.05, 0.1} {
			for _, ripple := range []float64{0, 3} {
				how, w, tr := stop{lagS: lag, pitchS: pitch, ripple: ripple, turbine: slowing, open: idling}.run(t)
				if how != Parted {
					t.Errorf("lag %.1f s, every %g s, ripple %g: outcome %v", lag, pitch, ripple, how)
					continue
				}
				s := w.Separation(tr)
				if e, l := s.Early.Seconds()-fallS, s.Late.Seconds()-fallS; e > lag || l < lag {
					t.Errorf("lag %.1f s, every %g s, ripple %g: outside [%.3f, %.3f]", lag, pitch, ripple, e, l)
				}
				if at := s.At.Seconds() - fallS; math.Abs(at-lag) > pitch+0.02+0.012*ripple {
					t.Errorf("lag %.1f s, every %g s, ripple %g: found %.3f", lag, pitch, ripple, at)
				}
				if lag >= 0.5 && !w.Proof(tr) {
					t.Errorf("lag %.1f s, every %g s, ripple %g: not proven", lag, pitch, ripple)
				}
			}
		}
	}
}

// A filter on the engine's speed that is known moves no lag, neither early nor
// late: not on the mean of many, whatever ripple does to one.
func TestFilterMovesNoLag(t *testing.T) {
	for _, filter := range []float64{0.045, 0.09, 0.12} {
		for _, pitch := range []float64{0.01, 0.02} {
			sum, n := 0.0, 0.0
			for seed := range uint64(40) {
				how, w, tr := stop{lagS: 0.5, pitchS: pitch, ripple: 2, filterS: filter, seed: seed, turbine: slowing, open: idling}.run(t)
				if how != Parted {
					t.Errorf("filter %g s: outcome %v", filter, how)
					continue
				}
				sum += w.Separation(tr).At.Seconds() - fallS - 0.5
				n++
			}
			if math.Abs(sum/n) > 0.012 {
				t.Errorf("filter %g s, every %g s: off by %.3f s on the mean", filter, pitch, sum/n)
			}
		}
	}
}

// A shift with the clutch stuck is no separation, however the speeds come in.
func TestShiftDoesNotEndTheWatch(t *testing.T) {
	shifting := func(s float64) float64 { return slowing(s) + 450*min(max((s-11)/0.25, 0), 1) }
	for _, pitch := range []float64{0.01, 0.02, 0.1} {
		how, w, tr := stop{lagS: 2.5, pitchS: pitch, turbine: shifting, open: idling}.run(t)
		s := w.Separation(tr)
		if how != Parted || math.Abs(s.At.Seconds()-fallS-2.5) > pitch+0.03 {
			t.Errorf("every %g s: outcome %v at %.3f s, expected 2.5", pitch, how, s.At.Seconds()-fallS)
		}
	}
}

// A downshift just after the clutch has let go lifts the turbine, and in the fluid the
// engine, which come near each other for as long: they had parted before.
func TestShiftWithdrawsNoSeparation(t *testing.T) {
	const shift = 0.4
	lifted := func(s float64) float64 {
		return 950 - 320*(s-fallS) + 350*min(max((s-fallS-shift)/0.3, 0), 1)
	}
	for seed := range uint64(10) {
		how, w, tr := stop{lagS: 0.1, pitchS: 0.02, ripple: 3, seed: seed, shift: [2]float64{fallS + 0.3, fallS + 1.3}, turbine: lifted,
			open: func(s, turbine float64) float64 {
				if s > shift && s < shift+0.5 {
					return turbine - 10
				}
				return max(turbine-60*(1-math.Exp(-s/0.1)), 700)
			}}.run(t)
		if s := w.Separation(tr); how != Parted || s.Late.Seconds()-fallS > shift {
			t.Errorf("seed %d: outcome %v, parted until %.2f s, expected 0.1", seed, how, s.Late.Seconds()-fallS)
		}
	}
}

// An open converter in overrun takes the engine along behind the turbine on a
// slope of 1: that is no coupling.
func TestOverrunIsNoCoupling(t *testing.T) {
	behind := func(_, turbine float64) float64 { return turbine - 47 }
	how, w, tr := stop{lagS: 0.1, pitchS: 0.02, turbine: slowing, open: behind}.run(t)
	if how != Parted || w.Separation(tr).Late.Seconds()-fallS > 0.2 {
		t.Errorf("outcome %v at %.3f s, expected 0.1", how, w.Separation(tr).Late.Seconds()-fallS)
	}
}

// The turbine passes through the speed of an engine that stands at its idle.
func TestCrossingIsNoCoupling(t *testing.T) {
	quick := func(s, turbine float64) float64 { return 700 + (turbine-700)*math.Exp(-s/0.1) }
	late := func(s float64) float64 { return max(0, 850-150*max(0, s-fallS)) }
	how, w, tr := stop{lagS: 0.2, pitchS: 0.02, turbine: late, open: quick}.run(t)
	s := w.Separation(tr)
	if how != Parted || s.Early.Seconds()-fallS > 0.2 || s.Late.Seconds()-fallS < 0.2 {
		t.Errorf("outcome %v, [%.3f, %.3f], expected 0.2", how, s.Early.Seconds()-fallS, s.Late.Seconds()-fallS)
	}
}

// An engine that dies with the speeds together has stalled, also where the
// shaft's sensor reads nothing below 100 rpm.
func TestStall(t *testing.T) {
	dead := func(s float64) float64 {
		if x := slowing(s); x >= 100 {
			return x
		}
		return 0
	}
	how, w, _ := stop{lagS: 20, pitchS: 0.02, turbine: dead, open: idling}.run(t)
	if how != Stalled || w.EngineLow > 300 {
		t.Errorf("outcome %v, engine %.0f rpm", how, w.EngineLow)
	}
}

// A turbine that stands tells nothing.
func TestStandingTurbineProvesNothing(t *testing.T) {
	steady := func(float64) float64 { return 1500 }
	_, w, tr := stop{lagS: 1, pitchS: 0.02, turbine: steady, open: idling}.run(t)
	if w.Proof(tr) {
		t.Error("coupling proven with the turbine at one speed")
	}
}

// An open converter that is tight takes the engine along in overrun, behind the turbine
// by little more than ripple, until a shift shows it: nobody saw that it held so long. A
// bus that is silent before the shift takes nothing of that away.
func TestTightConverterIsNoClutchThatHolds(t *testing.T) {
	tight := func(s, turbine float64) float64 {
		return turbine - 17*(1-math.Exp(-s/0.08)) - 140*min(max(s-2, 0)/0.2, 1)
	}
	for _, silent := range [][2]float64{{}, {fallS + 1.7, fallS + 2.1}} {
		for seed := range uint64(20) {
			how, w, tr := stop{lagS: 0.2, pitchS: 0.02, ripple: 4, seed: seed, silent: silent, turbine: func(s float64) float64 { return max(0, 1500-170*max(0, s-8)) }, open: tight}.run(t)
			if how != Parted {
				t.Fatalf("silent %v, seed %d: outcome %v", silent, seed, how)
			}
			if s := w.Separation(tr); s.Early.Seconds()-fallS > 0.6 {
				t.Errorf("silent %v, seed %d: held for %.2f s at the least", silent, seed, s.Early.Seconds()-fallS)
			}
		}
	}
}

// Beside a turbine that stands an open converter that carries little keeps the engine
// near it: nobody saw that the clutch held then.
func TestNearIsNotHeld(t *testing.T) {
	turbine := func(s float64) float64 { return 1500 - 170*min(max(s-8, 0), 2.15) }
	open := func(s, turbine float64) float64 {
		return turbine - 12*(1-math.Exp(-s/0.05)) - 140*min(max(s-1.2, 0)/0.2, 1)
	}
	for seed := range uint64(20) {
		how, w, tr := stop{lagS: 0.15, pitchS: 0.02, ripple: 3, seed: seed, turbine: turbine, open: open}.run(t)
		if how != Parted {
			t.Fatalf("seed %d: outcome %v", seed, how)
		}
		if s := w.Separation(tr); s.Early.Seconds()-fallS > 0.5 {
			t.Errorf("seed %d: held for %.2f s at the least, of 0.15", seed, s.Early.Seconds()-fallS)
		}
	}
}

// Speeds that come together again after they were apart for a while say nothing of that
// while, until they are proven anew.
func TestApartIsNotHeld(t *testing.T) {
	tr := &Trail{}
	tr.Calibrate(Chain{UnsureS: 0.004}, Noise{RippleRPM: 2, SeenRPM: 2})
	w := &Watch{set: limits(), below: 8, baseRate: -200}
	for i := range 100 {
		at := bus.Micros(i) * 20_000
		p := Point{At: at, Early: at, Late: at, Engine: 1500 - 4*float64(i), Turbine: 1500 - 4*float64(i)}
		tr.Add(&p)
		if i > 30 && i < 50 {
			continue // the test has them apart
		}
		w.prove(tr, &p)
		switch got := w.trails(tr); i {
		case 30, 99:
			if got {
				t.Errorf("point %d: proven, and the clutch may have let go", i)
			}
		case 50:
			if !got {
				t.Error("the clutch is said to have held while the speeds were apart")
			}
		}
	}
}

// An open converter under little load goes along through a shift some tens of rpm
// behind the engine, as regulated slip does: that proves no clutch that holds. One
// without slip is proven.
func TestLightLoadProvesNothing(t *testing.T) {
	for _, slip := range []float64{0, 38} {
		tr, w, next := &Trail{}, &Watch{}, 0
		tr.Calibrate(Chain{UnsureS: 0.004}, Noise{RippleRPM: 2, SeenRPM: 2})
		for s := 8.0; s < 11.5; s += 0.02 {
			at := bus.Micros(s * 1e6)
			tu := 1790 - 480*min(max((s-10.2)/0.35, 0), 1)
			tr.Add(&Point{At: at, Early: at, Late: at, Engine: tu + slip + slip/8*math.Sin(4*s), Turbine: tu})
			if s >= fallS && next == 0 {
				if !w.Begin(limits(), tr, Edge{at - 20000, at}) {
					t.Fatal("no watch")
				}
				next = tr.After(at)
			}
			for ; next > 0 && next < tr.End(); next++ {
				w.Step(tr, next)
			}
		}
		if got := w.Proof(tr); got != (slip == 0) {
			t.Errorf("slip of %g rpm: proven %v", slip, got)
		}
	}
}

// The filter that the engine's speed has passed is behind by what a straight line does
// in its time constant, at any pitch and across a gap, so that a clutch that holds has
// no slip. The reference is the filter's own closed form for a ramp.
func TestFilterIsAlignedAcrossGaps(t *testing.T) {
	const tau, rate = 0.04, -300.0
	for _, pitch := range []float64{0.01, 0.05, 0.1} {
		tr := &Trail{}
		tr.Calibrate(Chain{FilterS: tau}, Noise{})
		for s := 0.0; s < 3; s += pitch {
			if s > 1 && s < 1.6 {
				continue
			}
			p := Point{At: bus.Micros(s * 1e6), Turbine: 1500 + rate*s, Engine: 1500 + rate*(s-tau*(1-math.Exp(-s/tau)))}
			tr.Add(&p)
			if math.Abs(p.Slip) > 1 {
				t.Fatalf("every %g s, at %.2f s: slip %.1f rpm of a clutch that holds", pitch, s, p.Slip)
			}
		}
	}
}
