package drive

import (
	"os"
	"path/filepath"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// loadPlan writes a result's files and reads them as a user's would be.
func loadPlan(t testing.TB, r *Result) *stream.Plan {
	t.Helper()
	dir := t.TempDir()
	for i, text := range r.DBC {
		if err := os.WriteFile(filepath.Join(dir, r.DBCNames[i]), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(dir, "vehicle.toml")
	if err := os.WriteFile(path, []byte(r.VehicleTOML), 0o600); err != nil {
		t.Fatal(err)
	}
	var none struct{}
	f, err := vehicle.Load(path, &none)
	if err != nil {
		t.Fatal(err)
	}
	return f.Plan
}

// samples collects what the stream decodes.
type samples struct {
	n    [stream.NumRoles]int
	bad  [stream.NumRoles]int
	rows int
	each func(*stream.Row)
}

func (s *samples) Samples(of []stream.Sample) {
	for _, x := range of {
		s.n[x.Role]++
		if !x.OK {
			s.bad[x.Role]++
		}
	}
}

func (s *samples) Row(r *stream.Row) {
	s.rows++
	if s.each != nil {
		s.each(r)
	}
}

func (s *samples) Frame(*bus.Frame) {}

// decode pushes all frames of a result through the stream.
func decode(t testing.TB, r *Result, s *samples) {
	t.Helper()
	st, err := stream.New(loadPlan(t, r))
	if err != nil {
		t.Fatal(err)
	}
	for i := range r.Frames {
		st.Push(&r.Frames[i], s)
	}
	st.Flush(s)
}

// TestEncodedIsDecoded compares what the stream decodes of each vehicle's
// traffic with the truth behind it: layout, scaling and byte order of encoder,
// definition file and decoder agree.
func TestEncodedIsDecoded(t *testing.T) {
	for _, v := range Vehicles() {
		t.Run(v.Name, func(t *testing.T) {
			r, err := Run(Scenario{Name: "t", Vehicle: v.Name, Seed: 7, Other: 3, Steps: []Step{
				{Do: "start", ForS: 3}, {Do: "drive", ToKmh: 50, ForS: 40}, {Do: "stop", ForS: 4}}})
			if err != nil {
				t.Fatal(err)
			}
			var compared int
			var s samples
			s.each = func(row *stream.Row) {
				k := int((row.At - r.Truth.Start) / TraceStep)
				if k < 0 || k >= len(r.Truth.Trace) || !row.Has(stream.EngineSpeed) {
					return
				}
				tr := r.Truth.Trace[k]
				if k < 50 {
					return // cranking
				}
				if k+8 < len(r.Truth.Trace) {
					// Not where it moves faster than the sampling.
					if d := abs(float64(r.Truth.Trace[k+7].Engine - r.Truth.Trace[k-1].Engine)); d > 15 {
						return
					}
				}
				compared++
				if d := abs(row.V[stream.EngineSpeed] - float64(tr.Engine)); d > 45 {
					t.Errorf("at %.2f s engine %.0f, truly %.0f", (row.At - r.Truth.Start).Seconds(), row.V[stream.EngineSpeed], tr.Engine)
				}
			}
			decode(t, r, &s)
			if compared < 100 {
				t.Errorf("only %d rows compared", compared)
			}
			mapped := map[stream.Role]bool{}
			for _, m := range r.Layout.Messages {
				for _, sg := range m.Signals {
					if sg.Role < stream.NumRoles && !sg.Unmapped {
						mapped[sg.Role] = true
					}
				}
			}
			for role := range mapped {
				if s.n[role] == 0 {
					t.Errorf("%v is mapped and never seen", role)
				}
				if s.bad[role] > 0 && role != stream.Gear {
					t.Errorf("%v: %d of %d samples are no values", role, s.bad[role], s.n[role])
				}
			}
		})
	}
}
