package calibrate

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
)

// turbine is an invented drive: 1500 rpm with a shift of 500 rpm in 0.3 s every
// 6 s, up and down in turn.
func turbine(s float64) float64 {
	k := math.Floor(s / 6)
	in := s - 6*k
	step := 500 * min(max((in-3)/0.3, 0), 1)
	if int(k)%2 == 1 {
		step = 500 - step
	}
	return 1500 + step
}

// chain is the engine's speed, a clutch that holds, as a measuring chain shows
// it that is late by delay and filters by tau, in s.
type chain struct {
	delay, tau, y float64
	at            float64
}

func (c *chain) engine(s float64) float64 {
	for ; c.at < s; c.at += 0.001 {
		x := turbine(c.at - c.delay)
		if c.tau == 0 || c.y == 0 {
			c.y = x
		}
		c.y += (x - c.y) * (1 - math.Exp(-0.001/max(c.tau, 1e-9)))
	}
	return c.y
}

// The delay and the filter that were put in are found: the definition is the
// reference, the differential equation of a first-order lag solved in steps of
// 1 ms.
func TestChainIsFound(t *testing.T) {
	for _, c := range []chain{{}, {delay: -0.02}, {delay: 0.045}, {delay: 0.08}, {tau: 0.06}, {delay: 0.04, tau: 0.1}} {
		for _, pitch := range []float64{0.01, 0.02, 0.05} {
			t.Run(fmt.Sprintf("%g-%g-%g", c.delay, c.tau, pitch), func(t *testing.T) {
				x := c
				rnd := rand.New(rand.NewPCG(1, 2))
				var e Estimator
				trail := &coupling.Trail{}
				for s := 1.0; s < 120; s += pitch {
					p := coupling.Point{At: bus.Micros(s * 1e6), Turbine: turbine(s) + rnd.NormFloat64(), Engine: x.engine(s) + rnd.NormFloat64()}
					if trail.Add(&p) {
						e.Point(trail, true, true)
					}
				}
				got := e.Chain()
				want := c.delay + c.tau
				if off := got.DelayS + got.FilterS - want; math.Abs(off) > 0.012 || math.Abs(off) > got.UnsureS+0.003 {
					t.Errorf("delay %.3f filter %.3f ± %.3f s, put in %.3f and %.3f", got.DelayS, got.FilterS, got.UnsureS, c.delay, c.tau)
				}
				if got.UnsureS > 0.02 {
					t.Errorf("unsure by %.3f s after two minutes", got.UnsureS)
				}
			})
		}
	}
}

// Slip in shifts is no delay: the clutch gives way by 150 rpm and takes up again.
func TestSlipIsNoDelay(t *testing.T) {
	var e Estimator
	trail := &coupling.Trail{}
	for s := 1.0; s < 120; s += 0.02 {
		in := math.Mod(s, 6) - 3
		slip := 0.0
		if in > -0.1 && in < 0.7 {
			slip = 150 * math.Sin(math.Pi*(in+0.1)/0.8)
		}
		p := coupling.Point{At: bus.Micros(s * 1e6), Turbine: turbine(s), Engine: turbine(s) + slip}
		if trail.Add(&p) {
			e.Point(trail, true, true)
		}
	}
	if c := e.Chain(); c.DelayS+c.FilterS > 0.02 {
		t.Errorf("a delay of %.3f s and a filter of %.3f s out of slip", c.DelayS, c.FilterS)
	}
}

// Ripple has the deviation that was put in, where enough was seen, and is no
// smaller than what vehicles do in general where nothing was.
func TestRippleIsFound(t *testing.T) {
	for _, sd := range []float64{1, 5} {
		rnd := rand.New(rand.NewPCG(3, 4))
		var e Estimator
		if got := e.Noise(1500).RippleRPM; got < priorRippleRPM {
			t.Errorf("%.1f rpm of nothing", got)
		}
		trail := &coupling.Trail{}
		for s := 1.0; s < 300; s += 0.02 {
			p := coupling.Point{At: bus.Micros(s * 1e6), Turbine: 1500, Engine: 1500 + sd*rnd.NormFloat64()}
			if trail.Add(&p) {
				e.Point(trail, true, true)
			}
		}
		if got := e.Noise(1500).RippleRPM; math.Abs(got/sd-1) > 0.15 {
			t.Errorf("ripple %.2f rpm, put in %.2f", got, sd)
		}
	}
}

// What was learned survives being kept, and a damaged memory is not taken.
func TestMemoryIsKept(t *testing.T) {
	m := Memory{Delays: []int{40, 45, 45}, Filters: []int{0, 0, 0}, EngineStep: 0.25}
	m.Ripple[1], m.Seconds[1] = 4, 60
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var back Memory
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	var e Estimator
	e.Load(back)
	if c := e.Chain(); c.DelayS != 0.045 {
		t.Errorf("delay %.3f s, expected 0.045", c.DelayS)
	}
	if s := m.Summary(); !s.Aligned || s.DelayMs != 45 || s.RippleRPM != 2 {
		t.Errorf("%+v", s)
	}
	var bad Estimator
	bad.Load(Memory{Delays: []int{4000}, Filters: []int{0}})
	if len(bad.m.Delays) != 0 {
		t.Error("a delay of 4 s was taken")
	}
}

func TestNothingIsAllocated(t *testing.T) {
	var e Estimator
	trail := &coupling.Trail{}
	s := 1.0
	run := func() {
		for end := s + 6; s < end; s += 0.02 {
			p := coupling.Point{At: bus.Micros(s * 1e6), Turbine: turbine(s), Engine: turbine(s - 0.04)}
			if trail.Add(&p) {
				e.Point(trail, true, true)
			}
		}
	}
	for range 40 {
		run()
	}
	if n := testing.AllocsPerRun(10, run); n > 0 {
		t.Errorf("%v allocations in 6 s", n)
	}
}
