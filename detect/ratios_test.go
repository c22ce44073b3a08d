package detect_test

import (
	"maps"
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/stream"
)

// long is enough driving in town and country to learn by.
func long(n int) []drive.Step {
	s := []drive.Step{{Do: "start", ForS: 3}}
	for k := range n {
		s = append(s, drive.Step{Do: "drive", ToKmh: 42 + float64(7*k%38), Accel: 1, ForS: 30},
			drive.Step{Do: "lift", ToKmh: 30, ForS: 14}, drive.Step{Do: "drive", ToKmh: 50, Accel: 0.9, ForS: 16},
			drive.Step{Do: "stop", Accel: 0.9, ForS: 4})
	}
	return append(s, drive.Step{Do: "off", ForS: 6})
}

// unstated takes the ratios out of a vehicle file, and a turbine speed if there
// is one.
func unstated(plan *stream.Plan) map[int]float64 {
	ratios := maps.Clone(plan.Facts.Ratios)
	plan.Facts.Ratios, plan.Facts.OutputPerKmh = nil, 0
	for i := range plan.Messages {
		m := &plan.Messages[i]
		kept := m.Signals[:0:0]
		for _, x := range m.Signals {
			if x.Role != stream.TurbineSpeed && x.Role != stream.LockupState {
				kept = append(kept, x)
			}
		}
		m.Signals = kept
	}
	return ratios
}

type turbines struct {
	feed
	truth *drive.Truth
	seen  int
	worst float64 // off the truth, beyond the stated half-width, in rpm
}

func (f *turbines) Row(r *stream.Row) {
	f.feed.Row(r)
	k := int((r.At - f.truth.Start) / drive.TraceStep)
	if r.Derived == 0 || k < 1 || k >= len(f.truth.Trace)-1 {
		return
	}
	f.seen++
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range f.truth.Trace[max(k-4, 0):min(k+5, len(f.truth.Trace))] { // signals are some ms old
		lo, hi = min(lo, float64(p.Turbine)), max(hi, float64(p.Turbine))
	}
	v, tol := r.V[stream.TurbineSpeed], r.Tol[stream.TurbineSpeed]
	f.worst = max(f.worst, lo-v-tol, v-hi-tol)
}

// Without ratios in the vehicle file and without any word on the clutch the
// program learns the ratios to within 1 %, and the turbine speed that it then
// works out holds what it states.
func TestRatiosAreLearnedFromDriving(t *testing.T) {
	for _, name := range []string{"saloon", "estate", "minibus"} {
		t.Run(name, func(t *testing.T) {
			r, plan := simulate(t, drive.Scenario{Name: "t", Vehicle: name, Seed: 21, FluidC: 70, Steps: long(14)})
			ratios := unstated(plan)
			v, err := drive.VehicleByName(name)
			if err != nil {
				t.Fatal(err)
			}
			s, err := stream.New(plan)
			if err != nil {
				t.Fatal(err)
			}
			f := &turbines{feed: feed{m: detect.New(detect.DefaultSettings(), plan, &catch{})}, truth: r.Truth}
			for i := range r.Frames {
				s.Push(&r.Frames[i], f)
			}
			s.Flush(f)
			stable := 0
			for _, l := range s.Learned() {
				want := ratios[l.Gear]
				if l.Of == stream.VehicleSpeed {
					want *= v.OutputPerKmh()
				}
				t.Log(l.Text())
				if !l.Stable {
					continue
				}
				stable++
				if math.Abs(l.Ratio/want-1) > 0.01 {
					t.Errorf("%s; in truth %.4g", l.Text(), want)
				}
			}
			if stable == 0 || f.seen < 200 {
				t.Fatalf("%d stable ratios, %d rows with a turbine speed", stable, f.seen)
			}
			if f.worst > 12 {
				t.Errorf("turbine speed is up to %.0f rpm beyond what its half-width says", f.worst)
			}
			t.Logf("%d rows with a turbine speed, at most %.1f rpm beyond the half-width", f.seen, f.worst)
		})
	}
}

// A clutch that slips whenever it carries torque teaches nothing wrong: no ratio
// that is off by more than 1 % becomes stable.
func TestSlippingClutchTeachesNothingWrong(t *testing.T) {
	for _, slip := range []float64{100, 200} {
		r, plan := simulate(t, drive.Scenario{Name: "t", Vehicle: "saloon", Seed: 22, FluidC: 70, Steps: long(12),
			Faults: []drive.Fault{{Kind: "partial-apply", Value: slip}}})
		ratios := unstated(plan)
		v, err := drive.VehicleByName("saloon")
		if err != nil {
			t.Fatal(err)
		}
		s, err := stream.New(plan)
		if err != nil {
			t.Fatal(err)
		}
		f := &feed{m: detect.New(detect.DefaultSettings(), plan, &catch{})}
		for i := range r.Frames {
			s.Push(&r.Frames[i], f)
		}
		for _, l := range s.Learned() {
			t.Log(l.Text())
			if want := ratios[l.Gear] * v.OutputPerKmh(); l.Stable && math.Abs(l.Ratio/want-1) > 0.01 {
				t.Errorf("slip of %g rpm: %s; in truth %.4g", slip, l.Text(), want)
			}
		}
	}
}

// Findings, accounts and history are the same whatever the number of frames
// handed on at a time, on a bus that broadcasts and where answers are asked for.
func TestBatchingChangesNothing(t *testing.T) {
	for _, name := range []string{"minibus", "estate"} {
		r, plan := simulate(t, drive.Scenario{Name: "t", Vehicle: name, Seed: 23, Steps: round,
			Faults: []drive.Fault{{Kind: "release-late", Value: 1.2}}})
		var first string
		for _, size := range []int{1, 7, 64, 1000} {
			got := &catch{}
			s, err := stream.New(plan)
			if err != nil {
				t.Fatal(err)
			}
			f := &feed{m: detect.New(detect.DefaultSettings(), plan, got)}
			batch := make([]bus.Frame, size) // used again, as a source's is
			for rest := r.Frames; len(rest) > 0; {
				n := copy(batch, rest)
				rest = rest[n:]
				for i := range batch[:n] {
					s.Push(&batch[i], f)
				}
				clear(batch)
			}
			s.Flush(f)
			f.m.Flush()
			said := words(got) + string(f.m.History())
			switch {
			case first == "":
				first = said
			case said != first:
				t.Errorf("%s: batches of %d frames give other words than single ones", name, size)
			}
		}
		if len(first) < 500 {
			t.Fatalf("%s: hardly anything was said: %q", name, first)
		}
	}
}
