package ratioline

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"

	"joltwatch/bus"
)

// report keeps what a Tracker tells.
type report struct {
	times [numStates]float64
	stops []Stop
	slips []Slip
	// carried are the minutes under load, of which observable could be told of.
	carried, observable int
}

func (r *report) Span(from, to bus.Micros, s State, _ int, _ float64) {
	r.times[s] += (to - from).Seconds()
}
func (r *report) Stopped(s *Stop) { r.stops = append(r.stops, *s) }
func (r *report) Slipped(s *Slip) { r.slips = append(r.slips, *s) }
func (r *report) Carried(observable bool) {
	r.carried++
	if observable {
		r.observable++
	}
}

func (r *report) share(of ...State) float64 {
	all, some := 0.0, 0.0
	for _, t := range r.times {
		all += t
	}
	for _, s := range of {
		some += r.times[s]
	}
	return some / all
}

func testSettings() Settings { return Settings{RunningRPM: 400, DragSag: 0.12} }

// car is an invented car with a gearbox of five ratios, which idles at 700 rpm. It
// is worked out by hand from what a clutch is, and knows nothing of the package.
type car struct {
	t         *Tracker
	at        float64 // s
	kmh       float64
	gear      int
	closed    bool
	delay     float64 // of the road speed, s
	period    float64
	letsGo    float64 // turbine speed at which the clutch opens, rpm
	late      float64 // s that it stays closed after that
	since     float64 // when the command fell, 0 not
	rpm       float64
	past      []float64 // road speed, every tick
	next      float64
	offset    float64
	neverLine bool
}

var carRatios = []float64{95, 55, 36, 26, 19} // rpm per km/h

const carTick = 0.02

// run drives at an acceleration in km/h/s for some seconds.
func (c *car) run(s, accel float64) {
	for n := 0; n < int(s/carTick); n++ {
		c.at += carTick
		c.kmh = max(0, c.kmh+accel*carTick)
		c.past = append(c.past, c.kmh)
		c.shift(accel)
		c.turn(accel)
		if c.at >= c.next {
			c.next = c.at + c.period
			c.send(accel)
		}
	}
}

func (c *car) turbine() float64 { return c.kmh * carRatios[c.gear] }

func (c *car) shift(accel float64) {
	switch {
	case accel >= 0 && c.gear < 4 && c.turbine() > 2100:
		c.gear++
	case accel < 0 && c.gear > 1 && c.turbine() < 1000 && c.since == 0:
		c.gear--
	case c.kmh < 2:
		c.gear = 0
	}
	if c.neverLine {
		c.closed = false
		return
	}
	switch {
	case accel > 0 && c.turbine() > 1150:
		c.closed, c.since = true, 0
	case c.closed && c.since == 0 && accel < 0 && c.gear <= 1 && c.turbine() < c.letsGo:
		c.since = c.at
	}
	if c.since > 0 && c.at-c.since > c.late {
		c.closed = false
	}
}

// turn sets the engine's speed: on the turbine's with the clutch closed; above it
// under drive and a little below in overrun with it open, but never below idle.
func (c *car) turn(accel float64) {
	want := c.turbine()
	if !c.closed {
		want = max(700, c.turbine()-70+25*math.Sin(c.at/4))
		if accel > 0 {
			want = max(900, 1.1*c.turbine()+200+150*math.Sin(c.at/2))
		}
	}
	c.rpm += (want - c.rpm) * carTick / 0.08
}

func (c *car) send(accel float64) {
	at := bus.Micros((c.at + c.offset) * 1e6)
	c.t.Engine(at, math.Round(c.rpm*4)/4)
	i := max(0, len(c.past)-1-int(c.delay/carTick))
	c.t.Road(at, math.Round(c.past[i]))
	pedal := 5.0 // at rest
	if accel > 0 {
		pedal = 25
	}
	c.t.Accelerator(at, pedal)
}

// trips are so many, of all speeds in turn.
func (c *car) trips(n int) {
	for i := range n {
		c.trip(50 + 10*float64(i%8))
	}
	c.t.Flush()
}

// trip is one way from standstill to standstill.
func (c *car) trip(top float64) {
	c.run(top/6, 6)
	c.run(20, 0.05)
	c.run(8, 0.4)
	c.run(top/3.5, -3.5)
	c.run(top/3.5+3, -3.5)
	c.run(8, 0)
}

func newCar(out Out, hz float64) *car {
	return &car{t: New(testSettings(), out), delay: 0.3, period: 1 / hz, letsGo: 950, late: 0.15}
}

func TestLinesAndDelay(t *testing.T) {
	for _, hz := range []float64{15, 4} {
		var out report
		c := newCar(&out, hz)
		c.trips(16)
		m := c.t.Memory()
		if m == nil || len(m.Lines) < 4 {
			t.Fatalf("at %g Hz: %+v, want the lines of five gears", hz, m)
		}
		// The engine is 0.08 s late itself.
		if d := m.DelayS; math.Abs(d-0.22) > 0.08 {
			t.Errorf("at %g Hz: the delay is %.2f s, want 0.22", hz, d)
		}
		for _, x := range m.Lines {
			near := 1.0
			for _, r := range carRatios {
				near = min(near, math.Abs(x.Ratio/r-1))
			}
			if near > 0.01 {
				t.Errorf("at %g Hz: a line at %.2f rpm per km/h, want one of %v", hz, x.Ratio, carRatios)
			}
		}
		if u := out.share(Unknown); u > 0.2 {
			t.Errorf("at %g Hz: unknown for %.0f %% of the time", hz, 100*u)
		}
	}
}

// A clutch that never closes makes no line, whatever the engine does.
func TestNoLinesWhereTheClutchNeverCloses(t *testing.T) {
	var out report
	c := newCar(&out, 10)
	c.neverLine = true
	c.trips(16)
	if s := out.share(Closed); s > 0.02 {
		t.Errorf("closed for %.1f %% of the time, with lines %+v", 100*s, c.t.Memory())
	}
}

// Sound stops make the habit; then the clutch lets go late, and at last so late
// that the engine is drawn below idle.
func TestLateAndDragging(t *testing.T) {
	var out report
	c := newCar(&out, 15)
	stops := func(n int, late float64) []Stop {
		from := len(out.stops)
		c.late = late
		c.trips(n)
		return out.stops[from:]
	}
	count := func(s []Stop, of ...Class) (n int) {
		for _, x := range s {
			for _, k := range of {
				if x.Class == k {
					n++
				}
			}
		}
		return n
	}
	sound := stops(24, 0.15)
	if n := count(sound, Late, Dragging, Stall); n > 0 {
		t.Errorf("%d of %d sound stops are told: %+v", n, len(sound), sound)
	}
	found := 0
	for _, s := range sound[12:] {
		if s.Found[2] && s.FoundDrag {
			found++
		}
	}
	if found < 10 {
		t.Errorf("a release late by 2 s would have been found in %d of 12 stops", found)
	}
	if s := stops(8, 2.2); count(s, Late, Dragging) < 7 {
		t.Errorf("late by 2 s: %d of 8 told: %+v", count(s, Late, Dragging), s)
	}
	if s := stops(8, 3.4); count(s, Dragging) < 7 {
		t.Errorf("drawn below idle: %d of 8 told as dragging: %+v", count(s, Dragging), s)
	}
}

// TestWhatRatesTell: what is said to be told is told at the periods that are said to be
// enough, and what is said not to be observable is not told beyond them.
func TestWhatRatesTell(t *testing.T) {
	for _, x := range []struct {
		hz                float64
		late, drawn, time bool
	}{{10, true, true, true}, {0.85 / LatePeriodS, false, true, true},
		{1.1 / DrawnPeriodS, false, true, true}, {0.55 / DrawnPeriodS, false, false, true}, {0.8 / StretchPeriodS, false, false, false}} {
		var out report
		c := newCar(&out, x.hz)
		late := func(n int, late float64) (told, found int) {
			from := len(out.stops)
			c.late = late
			c.trips(n)
			for _, s := range out.stops[from:] {
				told += int(b2f(s.Class >= Late))
				found += int(b2f(s.Found[1]))
			}
			return told, found
		}
		sound, found := late(40, 0.15)
		late1, _ := late(8, 1.2)
		drawn, _ := late(8, 3.4)
		unknown := out.share(Unknown)
		t.Logf("%.1f Hz: %d told of sound stops, %d of 40 found if later by 1 s; %d of 8 late by 1.05 s, %d of 8 drawn below idle told; unknown %.0f %%", x.hz, sound, found, late1, drawn, 100*unknown)
		if sound > 0 || (late1 >= 6) != x.late || (drawn >= 6) != x.drawn || (unknown < 0.5) != x.time || !x.late && 2*found > 40 {
			t.Errorf("%.1f Hz: want late %v, drawn %v, time %v", x.hz, x.late, x.drawn, x.time)
		}
	}
}

// TestMemory: what is remembered is taken up again, and no more is lost on the way
// than a tenth of a second of each count.
func TestMemory(t *testing.T) {
	var out report
	c := newCar(&out, 10)
	c.trips(16)
	b := New(testSettings(), &out)
	b.Recall(pass(t, c.t.Memory()))
	once := b.Memory()
	for i, x := range c.t.Memory().Lines {
		if y := once.Lines[i]; y.Ratio != x.Ratio || y.Stretches != x.Stretches || math.Abs(y.Seconds-x.Seconds) > 1 {
			t.Errorf("line %+v became %+v", x, y)
		}
	}
	c2 := New(testSettings(), &out)
	c2.Recall(pass(t, once))
	if !reflect.DeepEqual(c2.Memory(), once) {
		t.Errorf("what was recalled is not what was remembered:\n%+v\n%+v", once, c2.Memory())
	}
	b.Recall(&Memory{DelayS: math.Inf(1)})
	b.Recall(&Memory{Counts: [][2]float64{{-5, 1}, {1e9, 1}, {3, math.NaN()}}, Lines: []Line{{Ratio: -1}}, Cells: []Cell{{Kmh: -1e9}}})
}

// pass sends a memory through its form on file.
func pass(t *testing.T, m *Memory) *Memory {
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var out Memory
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	return &out
}

func TestNothingAllocated(t *testing.T) {
	c := newCar(&nothing{}, 10)
	for i := range 16 {
		c.trip(50 + 10*float64(i%8))
	}
	at := bus.Micros(c.at * 1e6)
	n := testing.AllocsPerRun(2000, func() {
		at += 100_000
		c.t.Engine(at, 1500+float64(at%700))
		c.t.Road(at, float64(at/1e6%90))
		c.t.Accelerator(at, 20)
	})
	if n > 0 {
		t.Errorf("%v allocations for each set of samples", n)
	}
}

type nothing struct{}

func (*nothing) Span(bus.Micros, bus.Micros, State, int, float64) {}
func (*nothing) Stopped(*Stop)                                    {}
func (*nothing) Slipped(*Slip)                                    {}
func (*nothing) Carried(bool)                                     {}

func FuzzSamples(f *testing.F) {
	f.Add([]byte{0, 200, 1, 50, 2, 10, 0, 220, 1, 51})
	f.Fuzz(func(t *testing.T, b []byte) {
		tr := New(testSettings(), &nothing{})
		var at bus.Micros
		for i := 0; i+2 < len(b); i += 3 {
			at += bus.Micros(b[i+2])*20_000 - 400_000
			switch v := float64(b[i+1]); b[i] % 4 {
			case 0:
				tr.Engine(at, 20*v)
			case 1:
				tr.Road(at, v)
			case 2:
				tr.Accelerator(at, v)
			default:
				tr.Engine(at, math.NaN())
			}
		}
		tr.Flush()
		tr.Memory()
	})
}
