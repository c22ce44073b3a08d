package coupling

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/bus"
)

// An invented truck's engine without fuel behind an open converter: inertia in kg·m²,
// drag in N·m, and the fluid's torque near coupling in N·m for each rad/s of slip and
// each of speed (a constant capacity at a speed ratio, SAE J643).
const inertia, engineDrag, fluid = 1.7, 72.0, 0.124

// coastingStep is that engine's speed dt later, in rpm.
func coastingStep(engine, turbine, dt float64) float64 {
	return braking(engine, turbine, 0, dt)
}

// braking is the same with an exhaust brake, in N·m.
func braking(engine, turbine, brake, dt float64) float64 {
	const rad = math.Pi / 30
	torque := fluid * engine * rad * (turbine - engine) * rad
	return engine + dt*(torque-engineDrag-brake)/inertia/rad
}

// overrunStop is a stop in overrun: the turbine falls evenly from 1200 rpm, the command
// falls at 950 and the clutch lets go lagS later. It returns the watch when it has ended,
// or when the turbine has come to 660 rpm.
func overrunStop(t *testing.T, known *Overrun, rate, lagS float64, seed uint64) (*Watch, *Trail) {
	t.Helper()
	rnd := rand.New(rand.NewPCG(9, seed))
	tr := &Trail{}
	if known != nil {
		tr.Overrun.Recall(known.Memory())
	}
	tr.Calibrate(Chain{UnsureS: 0.004}, Noise{RippleRPM: 3, SeenRPM: 3})
	set := *limits()
	set.IdleRPM, set.DrawnRPM, set.SinksRPM = 640, 560, 560
	var w Watch
	fallS := 2 + (1200-950)/rate
	engine, wander, begun, next := 1200.0, 0.0, false, 0
	for s := 0.0; ; s += 0.01 {
		turbine := 1200 - rate*max(0, s-2)
		if turbine < 660 {
			return &w, tr
		}
		wander += -0.1*wander + rnd.NormFloat64()*math.Sqrt(0.2)
		if s <= fallS+lagS {
			engine = turbine
		} else {
			for range 10 {
				engine = coastingStep(engine, turbine, 0.001)
			}
		}
		at := bus.Micros(s * 1e6)
		tr.Add(&Point{At: at, Early: at, Late: at, Engine: engine + 3*wander, Turbine: turbine, Overrun: true})
		if s < fallS {
			continue
		}
		if !begun {
			if begun = w.Begin(&set, tr, Edge{at - 10_000, at}); !begun {
				t.Fatal("no watch")
			}
			next = tr.End()
		}
		for ; next < tr.End(); next++ {
			if w.Step(tr, next) != Watching {
				return &w, tr
			}
		}
	}
}

// taught has learned the converter in stops that were braked by so much.
func taught(rates ...float64) *Overrun {
	var o Overrun
	rnd := rand.New(rand.NewPCG(3, 4))
	at := bus.Micros(0)
	for _, rate := range rates {
		engine, turbine := 1150.0, 1180.0
		for i := 0; i < 160; i++ {
			turbine -= rate * 0.01
			engine = coastingStep(engine, turbine, 0.01)
			at += 10_000
			if i > 50 {
				e := engine + 3*rnd.NormFloat64()
				o.Add(&Point{At: at, Engine: e, Turbine: turbine, Slip: e - turbine, Overrun: true})
			}
		}
		o.Break()
	}
	return &o
}

func TestOverrunIsLearned(t *testing.T) {
	o := taught(0, 40, 80, 120, 160, 200)
	for _, rate := range []float64{0, 100, 250, 350} {
		engine := 900.0
		for s := 0.0; s < 3; s += 0.001 {
			engine = coastingStep(engine, 900-rate*(s-3), 0.001)
		}
		slip := o.line([dims]float64{-rate, 0}) / engine * 1000
		if want := engine - 900; math.Abs(slip-want) > 3+0.02*rate {
			t.Errorf("turbine falling %g rpm/s: slip %.1f rpm, want %.1f", rate, slip, want)
		}
	}
}

// provenLong counts the stops in which the clutch is taken for held for half a second and
// more; parts is told where the speeds were seen to part.
func provenLong(t *testing.T, known *Overrun, rate, lagS float64, parts bool) (n int) {
	t.Helper()
	for seed := range uint64(20) {
		w, tr := overrunStop(t, known, rate, lagS, seed)
		if parts {
			tr.Parts()
		}
		if w.Proof(tr); w.Proven && w.ProvenTo > w.Fall.Late+bus.Second/2 {
			n++
		}
	}
	return n
}

// Where the turbine falls about as fast as the engine does by itself, what follows it
// has not been held; it only looks so to one who takes the engine for one that falls behind.
func TestFreeFallIsNoProof(t *testing.T) {
	known, strange := provenLong(t, taught(0, 40, 80, 120, 160, 200), 380, 0.15, false), provenLong(t, nil, 380, 0.15, false)
	behind := provenLong(t, &Overrun{m: OverrunMemory{Loose: true}}, 380, 0.15, false)
	if known > 0 || strange > 1 || behind < 10 {
		t.Errorf("taken for held half a second after it let go: %d of 20, %d by one that does not know the vehicle, %d by one that has it for an engine that falls behind",
			known, strange, behind)
	}
}

// Of a vehicle of which nothing is known a release that lets the engine fall far behind
// shows that it was held until then.
func TestFallsBehind(t *testing.T) {
	before, after := provenLong(t, nil, 60, 1.2, false), provenLong(t, nil, 60, 1.2, true)
	if before > 10 || after < 20 {
		t.Errorf("taken for held: %d of 20, and %d where it was seen to fall behind", before, after)
	}
}

func TestHeldInOverrunIsProven(t *testing.T) {
	o := taught(0, 40, 80, 120, 160, 200)
	for _, rate := range []float64{60, 120, 200} {
		for seed := range uint64(10) {
			w, tr := overrunStop(t, o, rate, 9, seed)
			if w.Proof(tr); !w.Proven || w.ProvenTo < w.Fall.Late+bus.Second/2 {
				t.Errorf("turbine falling %g rpm/s: held, and not proven for half a second", rate)
			}
		}
	}
}

func TestOverrunIsKept(t *testing.T) {
	o := taught(0, 50, 100, 200)
	for _, rpm := range []float64{660, 600, 640} {
		o.Sinks(rpm, 640)
	}
	b, err := json.Marshal(o.Memory())
	if err != nil {
		t.Fatal(err)
	}
	var m OverrunMemory
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	var back Overrun
	back.Recall(&m)
	want := o.line([dims]float64{-150, 0})
	if got := back.line([dims]float64{-150, 0}); got != want {
		t.Errorf("slip %g rpm after it was kept, want %g", got, want)
	}
	if rpm, most, ok := back.SinksRPM(640); !ok || most || rpm != 590 {
		t.Errorf("sinks to %g rpm (%v, at most %v), want 590: a quarter further than seen once", rpm, ok, most)
	}
	for i := range sagsNeed - 1 {
		if _, most, _ := back.SinksRPM(640); most {
			t.Errorf("sinks no further after %d times", i+1)
		}
		back.Break()
		for _, rpm := range []float64{640, 620, 640, 620, 640} {
			back.Sinks(rpm, 640)
		}
	}
	if rpm, most, _ := back.SinksRPM(640); !most || rpm != 590 {
		t.Errorf("sinks to %g rpm (at most %v), want 590 and no further", rpm, most)
	}
	for _, bad := range []OverrunMemory{{Slips: []float64{1}}, {Slips: []float64{math.NaN()}, Rates: []float64{0}}, {LowestRPM: -1}, {Slips: []float64{1, 2}, Rates: []float64{0, 0}, Torques: []float64{0}}} {
		var x Overrun
		if x.Recall(&bad); x.Memory() != nil {
			t.Errorf("%v was taken up", bad)
		}
	}
}

// Neither an engine that dies shows how far it sinks by itself, nor one that a clutch has
// drawn down before it let go.
func TestDrawnIsNotSunk(t *testing.T) {
	for what, speeds := range map[string][2][]float64{"died": {{700, 500, 200}, {640}}, "drawn": {{}, {450, 600, 640}}} {
		var o Overrun
		for _, rpm := range speeds[0] {
			o.Sinks(rpm, 640)
		}
		o.Break()
		for _, rpm := range speeds[1] {
			o.Sinks(rpm, 640)
		}
		if rpm, _, ok := o.SinksRPM(640); ok {
			t.Errorf("%s: sinks to %g rpm", what, rpm)
		}
	}
}

// An exhaust brake that goes on and off takes an open converter's slip from 12 to 60 rpm
// behind the turbine and back. By the engine's torque, where that is told, one window
// proves a clutch that holds, and never an open one; with a torque by which an open converter
// has no slip either nothing is proven.
func TestBrakeGoesOnAndOff(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	slip := func(torque, rate float64) float64 { return 0.15*(torque-1.7*rate*math.Pi/30) + rnd.NormFloat64() }
	var m OverrunMemory
	for range 24 {
		torque, rate := -80-320*float64(rnd.IntN(2))+5*rnd.NormFloat64(), -200*rnd.Float64()
		m.Slips, m.Rates, m.Torques = append(m.Slips, slip(torque, rate)), append(m.Rates, rate), append(m.Torques, torque)
	}
	for _, told := range []bool{true, false} {
		if !told {
			m.Torques = nil
		}
		var o Overrun
		o.Recall(&m)
		var held, open [3]int
		for range 50 {
			for i, torque := range [...]float64{-400, -80, 10} {
				rate, told := -100*rnd.Float64(), torque
				if m.Torques == nil {
					told = math.NaN()
				}
				proves := func(slip float64) bool {
					odds, ok := o.odds(slip, rate, told, 1000, 4)
					return ok && -0.5*(slip*slip/6+math.Log(6))-odds >= heldOdds
				}
				if proves(slip(torque, rate)) {
					open[i]++
				}
				if proves(2 * rnd.NormFloat64()) {
					held[i]++
				}
			}
		}
		if open != [3]int{} || held[2] > 0 || told && (held[0] < 48 || held[1] < 48) {
			t.Errorf("torque told %v: proven of 50 with the brake on, off and with no torque: held %d, open %d", told, held, open)
		}
	}
}
