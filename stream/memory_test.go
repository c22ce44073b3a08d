package stream_test

import (
	"encoding/json"
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// rollRows drives in third gear with no word about the clutch: under load with so
// much slip (a share of engine speed), then rolling with so much less, at so much
// road speed in whole km/h.
func rollRows(l *stream.RatioLearner, from bus.Micros, load, roll, steady float64) {
	at := from
	row := func(v, pedal, engineRPM float64) {
		at += 140_000
		r := stream.Row{At: at, Known: 1<<engine | 1<<road | 1<<gear | 1<<stream.Accelerator}
		r.V[road], r.V[gear], r.V[stream.Accelerator], r.V[engine] = math.Round(v), 3, pedal, engineRPM
		l.ObserveAlone(&r, 0, 1)
	}
	for i := range 60 {
		v := steady + 0.05*float64(i)
		row(v, 15, 45*v*(1+load))
	}
	for v := steady + 3; v > 18; v -= 0.6 {
		// Through an open converter the distance is about the same at each speed.
		row(v, 0, 45*v-roll)
	}
}

func TestRatiosAreLearnedAlone(t *testing.T) {
	for _, c := range []struct {
		what       string
		load, roll float64
		stable     bool
	}{
		{"closed under load and rolling", 0, 0, true},
		{"slipping under load", 0.05, 0, false},
		{"open", 0.05, 70, false},
		{"open with the engine near the turbine under load", 0.01, 70, false},
	} {
		l := &stream.RatioLearner{}
		for e := range 8 {
			rollRows(l, bus.Micros(e)*60*bus.Second, c.load, c.roll, 40+float64(3*e%11))
		}
		stable := false
		for _, r := range l.Ratios() {
			stable = stable || r.Stable
			if r.Stable && (r.Gear != 3 || math.Abs(r.Ratio/45-1) > 0.01) {
				t.Errorf("%s: learned %s, in truth 45", c.what, r.Text())
			}
		}
		if stable != c.stable {
			t.Errorf("%s: stable %v: %+v", c.what, stable, l.Ratios())
		}
	}
}

// What was learned outlives the run, goes on being added to, and is in use from
// the first row.
func TestMemoryOfRatios(t *testing.T) {
	l := &stream.RatioLearner{}
	for e := range 5 {
		rollRows(l, bus.Micros(e)*60*bus.Second, 0, 0, 40)
	}
	b, err := json.Marshal(l.Memory())
	if err != nil {
		t.Fatal(err)
	}
	var memory []stream.RatioMemory
	if err := json.Unmarshal(b, &memory); err != nil {
		t.Fatal(err)
	}
	again := &stream.RatioLearner{}
	again.Recall(memory)
	x, y := l.Ratios(), again.Ratios()
	if len(x) != 1 || len(y) != 1 || x[0] != y[0] || !y[0].Stable {
		t.Fatalf("learned %+v, recalled %+v", x, y)
	}
	for e := range 2 { // the second ends the first
		rollRows(again, bus.Micros(900+60*e)*bus.Second, 0, 0, 40)
	}
	if z := again.Ratios(); z[0].Episodes != x[0].Episodes+1 {
		t.Errorf("%d stretches, and one more is %d", x[0].Episodes, z[0].Episodes)
	}

	p := readings(engine, road, gear, stream.Accelerator)
	s, err := stream.New(p)
	if err != nil {
		t.Fatal(err)
	}
	s.RecallRatios(memory)
	g := &gather{}
	for _, f := range merge(series(engine, 0, 3000, 20, func(float64) float64 { return 1800 }), series(road, 3, 3000, 50, func(float64) float64 { return 40 }),
		series(gear, 5, 3000, 50, func(float64) float64 { return 3 })) {
		s.Push(&f, g)
	}
	s.Flush(g)
	n := 0
	for i := range g.rows {
		if r := &g.rows[i]; r.Has(turbine) {
			n++
			if math.Abs(r.V[turbine]-1800) > 15 {
				t.Fatalf("turbine %v, expected 1800", r.V[turbine])
			}
		}
	}
	if n < 50 {
		t.Errorf("%d rows with a turbine speed", n)
	}

	// What no learner writes is passed over.
	bad := &stream.RatioLearner{}
	bad.Recall([]stream.RatioMemory{{Gear: 3, Of: road}, {Gear: 99, Of: road, Latest: []float64{1}, Episodes: 1},
		{Gear: 3, Of: gear, Latest: []float64{1}, Episodes: 1}, {Gear: 3, Of: road, Latest: []float64{-1}, Episodes: 1}})
	if r := bad.Ratios(); len(r) != 0 {
		t.Errorf("took %+v", r)
	}
}
