package stream_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

const (
	output = stream.OutputSpeed
	road   = stream.VehicleSpeed
	gear   = stream.Gear
)

// A drive without a turbine sensor: second gear, third from 10 s on.
func gearAt(s float64) float64 {
	if s < 10 {
		return 2
	}
	return 3
}

var ratios = map[int]float64{2: 2.4, 3: 1.5}

func TestTurbineFromOutputSpeed(t *testing.T) {
	p := readings(engine, output, gear)
	p.Facts.Ratios = ratios
	out := func(s float64) float64 { return 500 + 40*s }
	g := run(t, p, merge(series(engine, 0, 20000, 20, func(float64) float64 { return 1500 }),
		series(output, 3, 20000, 10, out), series(gear, 5, 20000, 50, gearAt)))
	known := 0
	for i := range g.rows {
		r := &g.rows[i]
		s := r.At.Seconds()
		if s > 9.51 && s < 10.79 && r.Has(turbine) {
			t.Errorf("at %.3f s the turbine is worked out while the gears may be changing", s)
		}
		if !r.Has(turbine) {
			continue
		}
		known++
		if r.Derived&(1<<turbine) == 0 || r.Tol[turbine] <= 0 {
			t.Fatalf("at %.3f s derived %x, half-width %v", s, r.Derived, r.Tol[turbine])
		}
		if want := out(s) * ratios[int(gearAt(s))]; math.Abs(r.V[turbine]-want) > 1e-6 {
			t.Fatalf("at %.3f s the turbine is %v, expected %v", s, r.V[turbine], want)
		}
	}
	if known < 900 {
		t.Errorf("%d rows with a turbine speed", known)
	}
}

// From road speed in whole km/h, cut off: the truth lies within the stated
// half-width.
func TestTurbineFromRoadSpeedStatesItsError(t *testing.T) {
	p := readings(engine, gear)
	p.Facts = stream.Facts{Ratios: ratios, OutputPerKmh: 33}
	p.Messages = append(p.Messages, stream.Message{Name: "V", ID: 0x10, Signals: []stream.Signal{{Role: road, Length: 8, Scale: 1}}})
	truth := func(s float64) float64 { return 20 + 3*s }
	var speeds []bus.Frame
	for ms := 0.0; ms < 9000; ms += 100 {
		speeds = append(speeds, bus.Frame{At: bus.Micros(ms * 1000), ID: 0x10, Len: 1, Data: [64]byte{byte(truth(ms / 1000))}})
	}
	g := run(t, p, merge(series(engine, 0, 9000, 50, func(float64) float64 { return 1500 }), speeds, series(gear, 5, 9000, 100, gearAt)))
	known := 0
	for i := range g.rows {
		r := &g.rows[i]
		if !r.Has(turbine) {
			continue
		}
		known++
		// A real ratio may be off by the stated spread as well; here it is
		// exact.
		if want := truth(r.At.Seconds()) * 33 * 2.4; math.Abs(r.V[turbine]-want) > r.Tol[turbine] {
			t.Fatalf("at %d the turbine is %v ± %v, in truth %v", r.At, r.V[turbine], r.Tol[turbine], want)
		}
		if r.Tol[turbine] < 33*2.4 || r.Tol[turbine] > 3*33*2.4 {
			t.Fatalf("half-width %v rpm for 1 km/h, which is %v rpm", r.Tol[turbine], 33*2.4)
		}
	}
	if known < 60 {
		t.Errorf("%d rows with a turbine speed", known)
	}
}

func TestNeutralAndMeasuredTurbineAreLeftAlone(t *testing.T) {
	p := readings(engine, output, gear)
	p.Facts.Ratios = ratios
	one := func(float64) float64 { return 1000 }
	g := run(t, p, merge(series(engine, 0, 3000, 20, one), series(output, 3, 3000, 10, one), series(gear, 5, 3000, 50, func(float64) float64 { return 0 })))
	for i := range g.rows {
		if g.rows[i].Has(turbine) {
			t.Fatal("a turbine speed in neutral")
		}
	}
	p = readings(engine, output, gear, turbine)
	p.Facts.Ratios = ratios
	g = run(t, p, merge(series(engine, 0, 3000, 20, one), series(output, 3, 3000, 10, one), series(turbine, 4, 3000, 10, one), series(gear, 5, 3000, 50, gearAt)))
	for i := range g.rows {
		if r := &g.rows[i]; r.Derived != 0 || r.Has(turbine) && r.V[turbine] != 1000 {
			t.Fatalf("row %+v", r)
		}
	}
}

// learnRows feeds a learner with driving in which the clutch is closed but for
// the start of each episode.
func learnRows(l *stream.RatioLearner, s *stream.Stream, rpmPerKmh float64, noise float64, episodes int) {
	rnd := rand.New(rand.NewPCG(7, 8))
	at := bus.Micros(0)
	for e := range episodes {
		for i := range 200 { // 10 s at 20 Hz
			at += 50_000
			v := 30 + 0.05*float64(i)
			r := stream.Row{At: at, Known: 1<<engine | 1<<road | 1<<gear}
			// Road speed in whole km/h.
			r.V[road], r.V[gear] = math.Round(v), 3
			r.V[engine] = v * rpmPerKmh * (1 + noise*(2*rnd.Float64()-1)*float64(e%2))
			closed := i > 20
			if !closed {
				r.V[engine] *= 1.3
			}
			if x, ok := l.Observe(&r, closed); ok && s != nil {
				s.SetLearnedRatio(x)
			}
		}
	}
}

func TestRatiosAreLearnedAndUsedOnceStable(t *testing.T) {
	p := readings(engine, road, gear)
	s, err := stream.New(p)
	if err != nil {
		t.Fatal(err)
	}
	l := &stream.RatioLearner{}
	g := &gather{}
	one := func(float64) float64 { return 40 }
	drive := func(from float64) {
		for _, f := range merge(series(engine, from, from+3000, 20, func(float64) float64 { return 2000 }),
			series(road, from+3, from+3000, 50, one), series(gear, from+5, from+3000, 50, func(float64) float64 { return 3 })) {
			s.Push(&f, g)
		}
	}
	learnRows(l, s, 50, 0, 2)
	drive(0)
	for i := range g.rows {
		if g.rows[i].Has(turbine) {
			t.Fatal("a ratio was used after two episodes")
		}
	}
	l = &stream.RatioLearner{}
	learnRows(l, s, 50, 0, 6)
	got := l.Ratios()
	if len(got) != 1 || !got[0].Stable || got[0].Gear != 3 || got[0].Of != road || math.Abs(got[0].Ratio-50) > 0.25 {
		t.Fatalf("learned %+v, expected 50 rpm for 1 km/h", got)
	}
	drive(4000)
	s.Flush(g)
	n := 0
	for i := range g.rows {
		if r := &g.rows[i]; r.Has(turbine) {
			n++
			if math.Abs(r.V[turbine]-2000) > 10 || r.Tol[turbine] <= 0 {
				t.Fatalf("turbine %v ± %v", r.V[turbine], r.Tol[turbine])
			}
		}
	}
	if n < 55 {
		t.Errorf("%d rows with a turbine speed", n)
	}
}

// Without a turbine sensor and without stated ratios the stream learns by
// itself, from the controller's report that the clutch is closed.
func TestStreamLearnsByItself(t *testing.T) {
	p := readings(engine, road, gear, stream.LockupState)
	s, err := stream.New(p)
	if err != nil {
		t.Fatal(err)
	}
	g := &gather{}
	// The clutch opens for 3 s in every 15 s; the engine then runs 15 % above.
	closed := func(s float64) float64 {
		if math.Mod(s, 15) < 3 {
			return stream.LockupOpen
		}
		return stream.LockupClosed
	}
	speed := func(s float64) float64 { return 40 + 10*math.Sin(s/7) }
	for _, f := range merge(series(engine, 0, 120e3, 50, func(s float64) float64 {
		if closed(s) == stream.LockupOpen {
			return 1.15 * 45 * speed(s)
		}
		return 45 * speed(s)
	}), series(road, 3, 120e3, 50, speed), series(gear, 5, 120e3, 100, func(float64) float64 { return 4 }),
		series(stream.LockupState, 7, 120e3, 50, closed)) {
		s.Push(&f, g)
	}
	s.Flush(g)
	if l := s.Learned(); len(l) != 1 || !l[0].Stable || math.Abs(l[0].Ratio-45) > 0.05 {
		t.Fatalf("learned %+v, expected 45 rpm for 1 km/h in gear 4", l)
	}
	slipSeen := 0
	for i := range g.rows {
		r := &g.rows[i]
		if !r.Has(turbine) || math.Mod(r.At.Seconds(), 15) < 0.2 || math.Mod(r.At.Seconds(), 15) > 2.8 {
			continue
		}
		slipSeen++
		if slip, want := r.V[engine]-r.V[turbine], 0.15*45*speed(r.At.Seconds()); math.Abs(slip-want) > r.Tol[turbine] {
			t.Fatalf("at %.2f s slip is %.0f ± %.0f rpm, in truth %.0f", r.At.Seconds(), slip, r.Tol[turbine], want)
		}
	}
	if slipSeen < 100 {
		t.Errorf("%d rows with an open clutch and a turbine speed", slipSeen)
	}
}

// A clutch that is called closed and slips: the episodes disagree.
func TestUnsteadyRatiosAreNotUsed(t *testing.T) {
	l := &stream.RatioLearner{}
	for i, k := range []float64{50, 52, 51, 54, 50} {
		learnEpisode(l, bus.Micros(i)*20*bus.Second, k)
	}
	if got := l.Ratios(); len(got) != 1 || got[0].Stable || got[0].Episodes < 4 {
		t.Errorf("%+v, expected one ratio that is not stable", got)
	}
}

func learnEpisode(l *stream.RatioLearner, from bus.Micros, k float64) {
	for i := range 240 {
		r := stream.Row{At: from + bus.Micros(i)*50_000, Known: 1<<engine | 1<<road | 1<<gear}
		r.V[road], r.V[gear], r.V[engine] = 40, 3, 40*k
		l.Observe(&r, i < 220)
	}
}
