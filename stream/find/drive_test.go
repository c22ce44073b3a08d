package find

import (
	"encoding/binary"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/stream"
)

// truck opens the recording of a real truck, or skips.
func truck(t *testing.T) *bus.TextLog {
	t.Helper()
	dir := os.Getenv("JOLTWATCH_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "captures")
	}
	path := filepath.Join(dir, "truck-drive.log.gz")
	if _, err := os.Stat(path); err != nil {
		t.Skipf("%s is not here: set JOLTWATCH_CAPTURES to the folder of the recordings; the search was not tried on the truck", filepath.Base(path))
	}
	l, err := bus.OpenLog(path, bus.LogOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func surveyLog(t *testing.T, l *bus.TextLog, batch int) *Survey {
	t.Helper()
	s := NewSurvey(Options{})
	b := make([]bus.Frame, batch)
	for {
		n, err := l.Read(b)
		for i := range b[:n] {
			s.Add(&b[i])
		}
		if err == io.EOF {
			return s
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// TestTruck searches the recording of a real truck as an unknown vehicle and
// compares with SAE J1939-71: EEC1 (SPN 190) and ETC1 (SPN 161 and 191), all
// 0.125 rpm a bit.
func TestTruck(t *testing.T) {
	r := surveyLog(t, truck(t), 512).Analyse(nil)
	for _, c := range []struct {
		role  stream.Role
		id    uint32
		field Field
	}{
		{stream.EngineSpeed, 0x0CF00400, Field{Start: 24, Length: 16}},
		{stream.TurbineSpeed, 0x0CF00203, Field{Start: 40, Length: 16}},
		{stream.OutputSpeed, 0x0CF00203, Field{Start: 8, Length: 16}},
	} {
		p := r.Best(c.role)
		if p == nil {
			t.Errorf("%v: not found", c.role)
			continue
		}
		if p.ID.ID != c.id || p.Field != c.field || math.Abs(p.Scale/0.125-1) > 0.01 || p.Offset != 0 {
			t.Errorf("%v: %v %v, %g rpm a step, want %08X %v, 0.125", c.role, p.ID, p.Field, p.Scale, c.id, c.field)
		}
	}
	// SPN 526, the gear ratio that the truck itself reports: 1.81, 1.406 and
	// 1.0.
	want := []float64{1.81, 1.406, 1.0}
	if len(r.Ratios) != len(want) {
		t.Fatalf("ratios %v, want %v", r.Ratios, want)
	}
	for i := range want {
		if math.Abs(r.Ratios[i]/want[i]-1) > 0.005 {
			t.Errorf("ratios %v, want %v", r.Ratios, want)
		}
	}
	if r.FirstGear {
		t.Error("the recording begins on the move: the first ratio need not be first gear's")
	}
}

// TestScrambled searches drives of invented vehicles with scrambled layouts,
// a few of those that score runs.
func TestScrambled(t *testing.T) {
	if testing.Short() {
		t.Skip("short: the search was not tried on scrambled layouts")
	}
	for _, seed := range []uint64{3, 24} {
		r := scrambledFrames(t, seed, seed%2 == 0)
		s := NewSurvey(Options{})
		for i := range r.Frames {
			s.Add(&r.Frames[i])
		}
		res := s.Analyse(nil)
		for _, role := range []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed} {
			p := res.Best(role)
			if p == nil {
				t.Errorf("seed %d: %v not found: %s", seed, role, res.Role(role).Why)
				continue
			}
			for _, m := range r.Layout.Messages {
				for _, x := range m.Signals {
					if x.Role == role && !x.Unmapped && m.ID != p.ID.ID {
						t.Errorf("seed %d: %v in %v, it is in %03X", seed, role, p.ID, m.ID)
					}
				}
			}
		}
	}
}

// TestAbsent leaves one speed out of a drive: the search must say so.
func TestAbsent(t *testing.T) {
	if testing.Short() {
		t.Skip("short: drives with a speed left out were not tried")
	}
	r := scrambledFrames(t, 5, true)
	for _, gone := range []stream.Role{stream.TurbineSpeed, stream.EngineSpeed} {
		var id uint32
		for _, m := range r.Layout.Messages {
			for _, x := range m.Signals {
				if x.Role == gone && !x.Unmapped {
					id = m.ID
				}
			}
		}
		s := NewSurvey(Options{})
		for i := range r.Frames {
			if r.Frames[i].ID != id {
				s.Add(&r.Frames[i])
			}
		}
		res := s.Analyse(nil)
		if x := res.Role(gone); x.Found || x.Why == "" {
			t.Errorf("without %v: found %v, why %q: %+v", gone, x.Found, x.Why, x.Proposals)
		}
		if e := res.Role(stream.EngineSpeed); gone == stream.TurbineSpeed && !e.Found {
			t.Errorf("engine speed not found without turbine speed, though the answers tell it: %s", e.Why)
		}
	}
}

// TestBatches: the result does not depend on how the frames come, or on the
// order of maps.
func TestBatches(t *testing.T) {
	a := surveyLog(t, truck(t), 1).Analyse(nil)
	b := surveyLog(t, truck(t), 700).Analyse(nil)
	for i := range a.Roles {
		x, y := a.Roles[i], b.Roles[i]
		if x.Found != y.Found || len(x.Proposals) != len(y.Proposals) {
			t.Fatalf("%v differs", x.Role)
		}
		for k := range x.Proposals {
			p, q := x.Proposals[k], y.Proposals[k]
			if p.ID != q.ID || p.Field != q.Field || p.Scale != q.Scale || p.Fit != q.Fit || !reflect.DeepEqual(p.Evidence, q.Evidence) {
				t.Errorf("%v: %v %v and %v %v", x.Role, p.ID, p.Field, q.ID, q.Field)
			}
		}
	}
}

// A gear code that counts down is seen, and takes the speeds back: the reason must
// not be that there is none.
func TestGearCodeCountingDown(t *testing.T) {
	r := scrambledFrames(t, 3, true)
	var id uint32
	var bits uint64
	for _, m := range r.Layout.Messages {
		for _, x := range m.Signals {
			if x.Role == stream.Gear {
				id, bits = m.ID, runFromField(Field{Start: int(x.Start), Length: int(x.Length), BigEndian: x.BigEndian}).bits()
			}
		}
	}
	s := NewSurvey(Options{})
	for i := range r.Frames {
		f := &r.Frames[i]
		if f.ID == id {
			binary.LittleEndian.PutUint64(f.Data[:], binary.LittleEndian.Uint64(f.Data[:])^bits)
		}
		s.Add(f)
	}
	res := s.Analyse(nil)
	for role, want := range map[stream.Role]string{stream.Gear: "counts down from the lowest gear", stream.EngineSpeed: "counts down where the gears go up"} {
		if x := res.Role(role); x.Found || !strings.Contains(x.Why, want) || len(x.Proposals) == 0 {
			t.Errorf("%v: found %v, %d proposals, why %q", role, x.Found, len(x.Proposals), x.Why)
		}
	}
	if res.IdleRPM != 0 || res.OutputPerKmh != 0 || res.Ratios != nil || res.FirstGear {
		t.Errorf("still claims idle speed %g, %g rpm for 1 km/h, ratios %v", res.IdleRPM, res.OutputPerKmh, res.Ratios)
	}
}

func TestEmpty(t *testing.T) {
	for _, n := range []int{0, 1, 50} {
		s := NewSurvey(Options{})
		for i := range n {
			s.Add(&bus.Frame{At: bus.Micros(i) * 10_000, ID: 1, Len: 8})
		}
		r := s.Analyse(nil)
		for _, x := range r.Roles {
			if x.Found || x.Why == "" {
				t.Errorf("%d frames of nothing: %v found %v, why %q", n, x.Role, x.Found, x.Why)
			}
		}
	}
}

// The shafts of a gearbox with two clutches are no turbine: they turn with the engine
// or at another gear's ratio to it, and never slip between.
func TestTwoClutchesAreNoConverter(t *testing.T) {
	r, err := drive.ScrambleUnlike("twin-clutch", "saloon", 103, true)
	if err != nil {
		t.Fatal(err)
	}
	s := NewSurvey(Options{})
	for i := range r.Frames {
		s.Add(&r.Frames[i])
	}
	res := s.Analyse(nil)
	if p := res.Best(stream.TurbineSpeed); p != nil {
		t.Errorf("turbine speed claimed at %v %v: %v", p.ID, p.Field, p.Evidence)
	}
	if why := res.Role(stream.TurbineSpeed).Why; !strings.Contains(why, "two clutches") {
		t.Errorf("says %q", why)
	}
	if res.Best(stream.EngineSpeed) == nil {
		t.Error("the answers tell the engine's speed, and it was not found")
	}
}
