package stream_test

import (
	"encoding/binary"
	"hash/fnv"
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

func run(t testing.TB, plan *stream.Plan, frames []bus.Frame) *gather {
	t.Helper()
	s, err := stream.New(plan)
	if err != nil {
		t.Fatal(err)
	}
	g := &gather{}
	for i := range frames {
		s.Push(&frames[i], g)
	}
	s.Flush(g)
	return g
}

// readings is a plan in which channel n of bus 0 is role n, in its unit.
func readings(roles ...stream.Role) *stream.Plan {
	p := &stream.Plan{Buses: []string{"b"}, Sources: map[string][]string{}}
	for _, r := range roles {
		p.Messages = append(p.Messages, stream.Message{Name: r.String(), Match: stream.MatchReading, ID: uint32(r),
			Signals: []stream.Signal{{Name: "v", Role: r, Length: 64, Float: true, Scale: 1}}})
		p.Sources[r.String()] = []string{r.String()}
	}
	return p
}

func reading(ms float64, r stream.Role, v float64) bus.Frame {
	return bus.NewReading(bus.Micros(math.Round(ms*1000)), 0, uint32(r), v)
}

// merge orders frames by time, keeping the order of equals.
func merge(lists ...[]bus.Frame) []bus.Frame {
	var out []bus.Frame
	for {
		best := -1
		for i, l := range lists {
			if len(l) > 0 && (best < 0 || l[0].At < lists[best][0].At) {
				best = i
			}
		}
		if best < 0 {
			return out
		}
		out = append(out, lists[best][0])
		lists[best] = lists[best][1:]
	}
}

// series samples a function of seconds.
func series(r stream.Role, fromMs, toMs, stepMs float64, f func(s float64) float64) []bus.Frame {
	var out []bus.Frame
	for ms := fromMs; ms < toMs; ms += stepMs {
		out = append(out, reading(ms, r, f(ms/1000)))
	}
	return out
}

const (
	engine  = stream.EngineSpeed
	turbine = stream.TurbineSpeed
)

// The engine falls 500 rpm/s with the turbine 10 rpm below it; the samples are
// 13 ms apart in phase. Pairing the latest values would show slip off by up to
// 25 rpm (500 rpm/s times 50 ms); between straight lines interpolation is
// exact.
func TestSlipAtCommonInstantsIsExactOnRamps(t *testing.T) {
	fall := func(s float64) float64 { return 2000 - 500*s }
	g := run(t, readings(engine, turbine), merge(
		series(engine, 0, 2000, 50, fall),
		series(turbine, 13, 2000, 20, func(s float64) float64 { return fall(s) - 10 })))
	n := 0
	for i := range g.rows {
		r := &g.rows[i]
		if !r.Has(engine, turbine) {
			continue
		}
		n++
		if slip := r.V[engine] - r.V[turbine]; math.Abs(slip-10) > 1e-6 {
			t.Fatalf("at %d µs slip is %.3f rpm, expected 10", r.At, slip)
		}
		if r.At%50_000 != 0 {
			continue // before the periods were known
		}
		if r.Prev[turbine] > r.At || r.Next[turbine] < r.At || r.Next[turbine]-r.Prev[turbine] != 20000 {
			t.Fatalf("at %d µs the turbine's samples bracket [%d, %d]", r.At, r.Prev[turbine], r.Next[turbine])
		}
	}
	if n < 35 {
		t.Errorf("%d rows with slip, expected one for each of the 40 engine samples but the first and last few", n)
	}
}

func TestReferenceIsTheSlowerSpeed(t *testing.T) {
	for _, c := range []struct{ engineMs, turbineMs, rowMs float64 }{{10, 50, 50}, {50, 10, 50}, {20, 20, 20}} {
		one := func(float64) float64 { return 1000 }
		g := run(t, readings(engine, turbine), merge(series(engine, 0, 5000, c.engineMs, one), series(turbine, 3, 5000, c.turbineMs, one)))
		rows := g.rows[len(g.rows)/2:]
		for i := 1; i < len(rows); i++ {
			if d := rows[i].At - rows[i-1].At; d != bus.Micros(c.rowMs*1000) {
				t.Fatalf("engine every %v ms, turbine every %v ms: rows %d µs apart", c.engineMs, c.turbineMs, d)
			}
		}
	}
}

func TestStaleRoleIsUnknownAndDoesNotHoldRowsUp(t *testing.T) {
	one := func(float64) float64 { return 1000 }
	s, err := stream.New(readings(engine, turbine))
	if err != nil {
		t.Fatal(err)
	}
	frames := merge(series(engine, 0, 5000, 20, one), append(series(turbine, 3, 2000, 10, one), series(turbine, 3003, 5000, 10, one)...))
	w := &delays{}
	for i := range frames {
		w.now = frames[i].At
		s.Push(&frames[i], w)
	}
	s.Flush(w)
	for i := range w.rows {
		r := &w.rows[i]
		// The last turbine sample before the gap is at 1993 ms, the first
		// after it at 3003 ms.
		inGap := r.At > 1_993_000 && r.At < 3_003_000
		if r.At > 100_000 && r.At < 4_980_000 && r.Has(turbine) == inGap {
			t.Errorf("at %d µs turbine known is %v", r.At, r.Has(turbine))
		}
		if !r.Has(engine) && r.At < 4_980_000 {
			t.Errorf("at %d µs engine speed is unknown", r.At)
		}
	}
	// 3.5 times 10 ms: what a dead role may cost the others.
	if w.worst > 60_000 {
		t.Errorf("a row came %d µs after its instant", w.worst)
	}
}

// delays notes how late rows come.
type delays struct {
	gather
	now   bus.Micros
	worst bus.Micros
}

func (d *delays) Row(r *stream.Row) {
	d.worst = max(d.worst, d.now-r.At)
	d.gather.Row(r)
}

func TestRowsNeverWaitLongerThanMaxDelay(t *testing.T) {
	one := func(float64) float64 { return 1000 }
	s, _ := stream.New(readings(engine, turbine, stream.ClutchPressure))
	frames := merge(series(engine, 0, 60000, 20, one), series(turbine, 3, 60000, 10, one),
		series(stream.ClutchPressure, 5, 30000, 1500, one))
	w := &delays{}
	for i := range frames {
		w.now = frames[i].At
		s.Push(&frames[i], w)
	}
	if w.worst > stream.MaxDelay+20_000 {
		t.Errorf("a row came %d µs after its instant", w.worst)
	}
	known := 0
	for i := range w.rows {
		if w.rows[i].At > 10_000_000 && w.rows[i].At < 25_000_000 && w.rows[i].Has(stream.ClutchPressure) {
			known++
		}
	}
	if known != 749 {
		t.Errorf("the slow pressure is known in %d of the 749 rows", known)
	}
}

func TestNotAvailableMakesTheRoleUnknownAtOnce(t *testing.T) {
	p := readings(engine)
	p.Messages = append(p.Messages, stream.Message{Name: "T", ID: 0x100, Signals: []stream.Signal{
		{Name: "t", Role: turbine, Length: 16, Scale: 1, RawMin: 0, RawMax: 0xFAFF},
		{Name: "g", Role: stream.Gear, Start: 16, Length: 8, Scale: 1, RawMin: 0, RawMax: 15}}})
	var frames []bus.Frame
	for ms := 0.0; ms < 2000; ms += 10 {
		f := bus.Frame{At: bus.Micros(ms*1000) + 3000, ID: 0x100, Len: 3}
		f.Data = [64]byte{0xE8, 0x03, 2}
		if ms >= 1000 && ms < 1100 {
			f.Data = [64]byte{0xFF, 0xFF, 0xFF}
		}
		frames = append(frames, f)
	}
	g := run(t, p, merge(series(engine, 0, 2000, 20, func(float64) float64 { return 1000 }), frames))
	for i := range g.rows {
		r := &g.rows[i]
		if r.At < 100_000 || r.At > 1_970_000 {
			continue
		}
		// Brackets with one end that is not available say nothing either.
		if bad := r.At > 993_000 && r.At < 1_103_000; r.Has(turbine) == bad {
			t.Errorf("at %d µs turbine known is %v", r.At, r.Has(turbine))
		}
		if bad := r.At >= 1_003_000 && r.At < 1_103_000; r.Has(stream.Gear) == bad {
			t.Errorf("at %d µs gear known is %v", r.At, r.Has(stream.Gear))
		}
	}
}

func TestOutOfOrderAndRepeatedInstants(t *testing.T) {
	frames := []bus.Frame{
		reading(0, engine, 1000), reading(5, turbine, 900),
		reading(20, engine, 1020), reading(25, turbine, 925),
		reading(15, turbine, 5000),                           // late for its role: dropped
		reading(25, turbine, 930),                            // again at 25 ms: counts instead
		reading(40, engine, 1040), reading(38, turbine, 943), // behind the engine, in order for its role
		reading(60, engine, 1060), reading(58, turbine, 963), reading(62, turbine, 965),
	}
	s, _ := stream.New(readings(engine, turbine))
	g := &gather{}
	for i := range frames {
		s.Push(&frames[i], g)
	}
	s.Flush(g)
	if late := s.Cover()[1].Late; late != 1 {
		t.Errorf("%d late samples, expected 1", late)
	}
	last := bus.Micros(-1)
	for i := range g.rows {
		r := &g.rows[i]
		if r.At <= last {
			t.Fatalf("row at %d after %d", r.At, last)
		}
		last = r.At
		if r.At == 40_000 {
			if want := 943 + 20*2.0/20; math.Abs(r.V[turbine]-want) > 1e-9 {
				t.Errorf("turbine at 40 ms is %v, expected %v", r.V[turbine], want)
			}
		}
	}
}

func TestClockJumps(t *testing.T) {
	ramp := func(s float64) float64 { return 1000 + 100*s }
	one := merge(series(engine, 0, 1000, 20, ramp), series(turbine, 3, 1000, 20, ramp))
	// Forward: a notice, then instants that the source has put right.
	frames := append(append([]bus.Frame{}, one...), bus.NewNotice(1_000_000, 0, bus.NoticeClockJump, 3_600_000_000))
	frames = append(frames, merge(series(engine, 1020, 2000, 20, ramp), series(turbine, 1023, 2000, 20, ramp))...)
	g := run(t, readings(engine, turbine), frames)
	checked := false
	for i := range g.rows {
		r := &g.rows[i]
		if r.Prev[turbine] < 1_000_000 && r.Next[turbine] > 1_000_000 {
			checked = true
			if r.Has(turbine) {
				t.Errorf("at %d µs the turbine is interpolated across the jump", r.At)
			}
		}
	}
	if !checked {
		t.Error("no row at the jump")
	}
	// Backward by ten minutes, not put right by the source: rows go on.
	var back []bus.Frame
	for _, f := range one {
		f.At += 600 * bus.Second
		back = append(back, f)
	}
	s, _ := stream.New(readings(engine, turbine))
	g = &gather{}
	for _, f := range append(back, one...) {
		s.Push(&f, g)
	}
	s.Flush(g)
	if n := s.Stats().Backwards; n != 1 {
		t.Errorf("%d jumps backwards, expected 1", n)
	}
	known := 0
	for i := range g.rows {
		if g.rows[i].Has(engine, turbine) {
			known++
		}
	}
	if known < 90 {
		t.Errorf("%d rows with slip, expected nearly 100", known)
	}
}

// An answer says what was true at some instant between request and answer.
func TestEarlyWidensTheBracket(t *testing.T) {
	slow := series(turbine, 50, 2000, 100, func(s float64) float64 { return 1000 * s })
	for i := range slow {
		slow[i].Early = 40_000
	}
	g := run(t, readings(engine, turbine), merge(series(engine, 0, 2000, 100, func(float64) float64 { return 800 }), slow))
	n := 0
	for i := range g.rows {
		r := &g.rows[i]
		if !r.Has(turbine) || r.At%100_000 != 0 {
			continue
		}
		n++
		// The values belong to 20 ms before the answers.
		if want := r.At.Seconds()*1000 + 20; math.Abs(r.V[turbine]-want) > 1e-6 {
			t.Errorf("turbine at %d µs is %v, expected %v", r.At, r.V[turbine], want)
		}
		if r.Prev[turbine] > r.At-70_000 || r.Next[turbine] < r.At+50_000 {
			t.Errorf("at %d µs the bracket [%d, %d] leaves out instants that the answers allow", r.At, r.Prev[turbine], r.Next[turbine])
		}
	}
	if n < 10 {
		t.Errorf("%d rows compared", n)
	}
}

func TestPeriodIsFoundAndFollowed(t *testing.T) {
	one := func(float64) float64 { return 1 }
	s, _ := stream.New(readings(engine))
	frames := series(engine, 0, 1000, 10, one)
	frames = append(frames, series(engine, 6000, 7000, 10, one)...) // one gap of 5 s
	g := &gather{}
	for i := range frames {
		s.Push(&frames[i], g)
	}
	if p := s.Cover()[0].Period; p < 9_900 || p > 10_400 {
		t.Errorf("period %d µs, expected about 10 ms in spite of the gap", p)
	}
	frames = series(engine, 7000, 20000, 100, one)
	for i := range frames {
		s.Push(&frames[i], g)
	}
	if p := s.Cover()[0].Period; p < 95_000 || p > 101_000 {
		t.Errorf("period %d µs, expected to have followed to 100 ms", p)
	}
}

func TestSteadyStateAllocatesNothing(t *testing.T) {
	frames := truckFrames(t)
	s, err := stream.New(truckPlan(t))
	if err != nil {
		t.Fatal(err)
	}
	var sink discard
	pass := func() {
		for i := range frames {
			s.Push(&frames[i], &sink)
			frames[i].At += 31 * bus.Second
		}
	}
	pass()
	if n := testing.AllocsPerRun(3, pass); n > 0 {
		t.Errorf("%v allocations in %d frames", n, len(frames))
	}
}

type discard struct{ rows, samples int }

func (d *discard) Frame(*bus.Frame)          {}
func (d *discard) Samples(x []stream.Sample) { d.samples += len(x) }
func (d *discard) Row(*stream.Row)           { d.rows++ }

// Rows are the same to the last bit on every machine: no product is fused with
// a sum. The constant was printed by this test on amd64; run it under emulation
// of arm64 and armv6 too.
func TestRowsAreTheSameOnEveryMachine(t *testing.T) {
	p := readings(engine, output, road, gear, stream.LockupState, stream.Acceleration)
	p.Facts = stream.Facts{Ratios: map[int]float64{2: 2.37, 3: 1.55}, OutputPerKmh: 33.1}
	wave := func(a, b float64) func(float64) float64 {
		// Only operations that IEEE 754 rounds exactly: no library function.
		return func(s float64) float64 { x := math.Mod(s*b, 7) / 7; return a + float64(float64(a*x)*(1-x)) }
	}
	g := run(t, p, merge(series(engine, 0, 20e3, 20, wave(900, 1.1)), series(output, 3.3, 20e3, 10, wave(700, 1.3)),
		series(road, 7.7, 20e3, 50, wave(21, 1.7)), series(gear, 5, 20e3, 100, gearAt),
		series(stream.LockupState, 9, 20e3, 30, func(float64) float64 { return stream.LockupClosed }), series(stream.Acceleration, 1, 20e3, 7, wave(1, 3))))
	h := fnv.New64a()
	for i := range g.rows {
		if err := binary.Write(h, binary.LittleEndian, &g.rows[i]); err != nil {
			t.Fatal(err)
		}
	}
	const want uint64 = 0x4d2859ec4b1107e3
	if got := h.Sum64(); got != want {
		t.Errorf("%d rows hash to %#x, expected %#x", len(g.rows), got, want)
	}
}
