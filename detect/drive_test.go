package detect_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// feed hands what a stream makes to a monitor.
type feed struct {
	m    *detect.Monitor
	rows []stream.Row
	keep int
}

func (f *feed) Samples(of []stream.Sample) { f.m.Samples(of) }
func (f *feed) Row(r *stream.Row) {
	if len(f.rows) < f.keep {
		f.rows = append(f.rows, *r)
	}
	f.m.Row(r)
}
func (f *feed) Frame(b *bus.Frame) {
	if b.Kind == bus.Notice || b.Kind == bus.Error {
		f.m.Notice(b)
	}
}

func simulate(t testing.TB, sc drive.Scenario) (*drive.Result, *stream.Plan) {
	t.Helper()
	sc.NoLog = true
	r, err := drive.Run(sc)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for i, text := range r.DBC {
		if err := os.WriteFile(filepath.Join(dir, r.DBCNames[i]), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var none struct{}
	f, err := vehicle.Parse(filepath.Join(dir, "vehicle.toml"), []byte(r.VehicleTOML), &none)
	if err != nil {
		t.Fatal(err)
	}
	return r, f.Plan
}

func watch(t testing.TB, r *drive.Result, plan *stream.Plan) *catch {
	t.Helper()
	got := &catch{}
	watchBy(t, r.Frames, plan, got)
	return got
}

func watchBy(t testing.TB, frames []bus.Frame, plan *stream.Plan, got *catch) *detect.Monitor {
	t.Helper()
	s, err := stream.New(plan)
	if err != nil {
		t.Fatal(err)
	}
	f := &feed{m: detect.New(detect.DefaultSettings(), plan, got)}
	for i := range frames {
		s.Push(&frames[i], f)
	}
	s.Flush(f)
	f.m.Flush()
	return f.m
}

var round = []drive.Step{
	{Do: "start", ForS: 3}, {Do: "drive", ToKmh: 45, Accel: 1, ForS: 25}, {Do: "stop", Accel: 1.2, ForS: 5},
	{Do: "drive", ToKmh: 50, Accel: 0.9, ForS: 30}, {Do: "mark"}, {Do: "stop", Accel: 1.5, ForS: 5}, {Do: "off", ForS: 6},
}

// A sound vehicle and one that lets go late, on each layout that tells the
// command: everything is found, nothing is invented, and every lag lies in its
// interval.
func TestSimulatedReleases(t *testing.T) {
	for _, name := range []string{"van", "minibus", "pickup", "lorry"} {
		for _, late := range []float64{0, 0.9} {
			t.Run(fmt.Sprintf("%s-%g", name, late), func(t *testing.T) {
				steps, learns := round, 0
				if name == "pickup" || name == "lorry" {
					// A reported state must first be seen to come before the speeds part.
					steps, learns = slices.Repeat(round, 4), 4
				}
				sc := drive.Scenario{Name: "t", Vehicle: name, Seed: 11, Steps: steps}
				if late > 0 {
					sc.Faults = []drive.Fault{{Kind: "release-late", Value: late}}
				}
				r, plan := simulate(t, sc)
				got := watch(t, r, plan)
				stops := 0
				for _, x := range r.Truth.Releases {
					if x.Reason != "stop" || x.Reapplied || x.Parted == 0 {
						continue
					}
					stops++
					found := false
					for _, f := range got.of(detect.KindReleaseLag) {
						if f.Start > x.Fell+bus.Second/2 || f.Start < x.Fell-bus.Second/2 {
							continue
						}
						found = true
						if alarm := f.Class != detect.Normal; alarm != (late > 0) {
							t.Errorf("lag %.3f s is called %s", x.LagS, f.Class)
						}
						lo, _ := f.Get("lag_min_s")
						hi, _ := f.Get("lag_max_s")
						if x.LagS < lo-0.001 || x.LagS > hi+0.001 {
							t.Errorf("lag %.3f s outside [%.3f, %.3f]", x.LagS, lo, hi)
						}
					}
					if !found && (late > 0 || stops > learns) {
						t.Errorf("release at %.2f s not found", x.Fell.Seconds())
					}
				}
				if stops < 2 {
					t.Fatalf("%d stops simulated", stops)
				}
				for _, f := range got.findings {
					switch f.Kind {
					case detect.KindReleaseLag, detect.KindMark:
					default:
						if f.Severity >= 0.5 {
							t.Errorf("invented: %s %s %v", f.Kind, f.Class, f.Measures)
						}
					}
				}
			})
		}
	}
}

// Speeds a few times a second and nothing else: wider, less observable, and
// never a false certainty: nothing is called late, and an upper bound holds.
func TestPolledSignalsClaimNothing(t *testing.T) {
	for _, name := range []string{"hatch", "estate"} {
		r, plan := simulate(t, drive.Scenario{Name: "t", Vehicle: name, Seed: 12, Steps: round,
			Faults: []drive.Fault{{Kind: "release-late", Value: 0.7}}})
		got := watch(t, r, plan)
		for _, f := range got.of(detect.KindReleaseLag) {
			if f.Class != detect.Normal {
				t.Errorf("%s: called %s", name, f.Class)
			}
			if _, ok := f.Get("lag_s"); ok {
				t.Errorf("%s: a lag without any command", name)
			}
			if !strings.Contains(fmt.Sprint(f.MissingInputs), "clutch_pressure_command") {
				t.Errorf("%s: missing inputs %v", name, f.MissingInputs)
			}
			for _, x := range r.Truth.Releases {
				hi, _ := f.Get("lag_max_s")
				if x.Parted > f.Start && x.Fell < f.End && x.LagS > hi {
					t.Errorf("%s: lag %.3f s above the bound %.3f s", name, x.LagS, hi)
				}
			}
		}
		if a := got.account; a.StopsObserved > a.Stops {
			t.Errorf("%s: %d of %d stops observed", name, a.StopsObserved, a.Stops)
		}
	}
}

// words is all that was said.
func words(c *catch) string {
	var b strings.Builder
	for i := range c.findings {
		f := c.findings[i]
		x, err := json.Marshal(f.Context)
		if err != nil {
			panic(err)
		}
		f.Context = detect.Context{} // holds pointers
		fmt.Fprintf(&b, "%+v %s %v\n", f, x, c.percentiles[i])
	}
	fmt.Fprintf(&b, "%+v\n", *c.account)
	return b.String()
}

// The same input gives the same words, digit for digit.
func TestSameInputSameFindings(t *testing.T) {
	r, plan := simulate(t, drive.Scenario{Name: "t", Vehicle: "van", Seed: 13, Steps: round})
	say := func() string { return words(watch(t, r, plan)) }
	if a, b := say(), say(); a != b {
		t.Errorf("two runs differ:\n%s\n%s", a, b)
	}
}

// Faults of bus and signals are told as what they are.
func TestBusAndSignalFaults(t *testing.T) {
	steps := append([]drive.Step{{Do: "start", ForS: 3}, {Do: "drive", ToKmh: 50, Accel: 1, ForS: 120}}, round[2:]...)
	r, plan := simulate(t, drive.Scenario{Name: "t", Vehicle: "van", Seed: 14, Steps: steps, Faults: []drive.Fault{
		{Kind: "frames-lost", AtS: 20, ForS: 1, Value: 30}, {Kind: "error-frames", AtS: 30, ForS: 1, Value: 20},
		{Kind: "bus-off", AtS: 40, ForS: 3}, {Kind: "silent", AtS: 55, ForS: 6}, {Kind: "down", AtS: 70, ForS: 4},
		{Kind: "dropout", On: "GearboxSpeeds", AtS: 85, ForS: 5}, {Kind: "not-available", On: "EngineData", AtS: 100, ForS: 5},
	}})
	got := watch(t, r, plan)
	seen := map[string]int{}
	for _, f := range got.findings {
		if f.Kind == detect.KindBusFault || f.Kind == detect.KindRoleStale {
			seen[f.Class.String()]++
		}
	}
	for _, class := range []string{"frames-lost", "error-frames", "bus-off", "silent", "down", "stale", "not-available"} {
		if seen[class] == 0 {
			t.Errorf("no %s among %v", class, seen)
		}
	}
}

// benchRows are rows of a simulated drive with everything mapped.
func benchRows(b testing.TB) (*stream.Plan, []stream.Row) {
	r, plan := simulate(b, drive.Scenario{Name: "t", Vehicle: "van", Seed: 15, Steps: round})
	s, err := stream.New(plan)
	if err != nil {
		b.Fatal(err)
	}
	f := &feed{m: detect.New(detect.DefaultSettings(), plan, nil), keep: 1 << 20}
	for i := range r.Frames {
		s.Push(&r.Frames[i], f)
	}
	s.Flush(f)
	return plan, f.rows
}

// BenchmarkRow is all detectors on one row of a town drive, with its findings.
func BenchmarkRow(b *testing.B) {
	plan, rows := benchRows(b)
	m := detect.New(detect.DefaultSettings(), plan, nil)
	b.ReportAllocs()
	b.ResetTimer()
	var shift bus.Micros
	var r stream.Row
	for i, k := 0, 0; i < b.N; i, k = i+1, k+1 {
		if k == len(rows) {
			k = 0
			shift += rows[len(rows)-1].At - rows[0].At + 20_000
		}
		r = rows[k]
		r.At += shift
		m.Row(&r)
	}
}

// Steady driving allocates nothing: the stretch holds no event.
func TestSteadyDrivingAllocatesNothing(t *testing.T) {
	set := detect.DefaultSettings()
	set.Drive.AccountS = 1e9
	h := newHand(t, set, stream.ClutchPressureCommand)
	h.drive()
	n := testing.AllocsPerRun(20, func() { h.run(2, func(s float64) { h.engine = h.turbine + 2 }) })
	if n > 0 {
		t.Errorf("%v allocations in 2 s of steady driving", n)
	}
}

// Memory does not grow with the time driven.
func TestMemoryIsConstant(t *testing.T) {
	if testing.Short() {
		t.Skip("short: hours of driving, too long on an emulated processor")
	}
	plan, rows := benchRows(t)
	m := detect.New(detect.DefaultSettings(), plan, nil)
	var shift bus.Micros
	turns := func(n int) uint64 {
		for range n {
			for k := range rows {
				r := rows[k]
				r.At += shift
				m.Row(&r)
			}
			shift += rows[len(rows)-1].At - rows[0].At + 20_000
		}
		runtime.GC()
		var s runtime.MemStats
		runtime.ReadMemStats(&s)
		return s.HeapAlloc
	}
	// A week of a customer's car is about 40 h with the engine running.
	week := int(40*3600/(rows[len(rows)-1].At-rows[0].At).Seconds()) + 1
	before := turns(20)
	after := turns(week)
	runtime.KeepAlive(rows) // or the heap shrinks by them
	t.Logf("%d rows in %d drives: heap %d bytes before and %d after", week*len(rows), week, before, after)
	if after > before+64<<10 {
		t.Errorf("heap grew from %d to %d bytes over %d drives", before, after, week)
	}
}

// The account of a drive under way says what each role reads; that of an ended one
// does not.
func TestAccountSaysValues(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.EngineSpeed, stream.TurbineSpeed)
	h.engine, h.turbine = 812.3456, 790
	h.mute = []stream.Role{stream.TurbineSpeed}
	h.run(15, nil)
	a := h.got.account
	if a == nil || a.Ended || len(a.Roles) != 2 {
		t.Fatalf("%+v", a)
	}
	if x := a.Roles[0].Now; x == nil || *x != 812.346 {
		t.Errorf("engine speed %v, expected 812.346", x)
	}
	if x := a.Roles[1].Now; x != nil {
		t.Errorf("turbine speed %v, expected none", *x)
	}
	h.m.Flush()
	if a := h.got.account; !a.Ended || a.Roles[0].Now != nil {
		t.Errorf("%+v", a)
	}
}
