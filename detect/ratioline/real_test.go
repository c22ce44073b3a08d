package ratioline

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"joltwatch/bus"
)

// Two real drives of a car with a seven-speed converter automatic, by standard
// requests only (engine speed, road speed in whole km/h, pedal, 1 to 4 times a
// second): public data, no part of the project.
func realDrive(t *testing.T, n int, tr *Tracker) {
	t.Helper()
	dir := os.Getenv("JOLTWATCH_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "captures")
	}
	src, err := bus.OpenLog(filepath.Join(dir, "requests", fmt.Sprintf("drive-%d.log.gz", n)), bus.LogOptions{})
	if err != nil {
		t.Skipf("the real drives are not here (%v); set JOLTWATCH_CAPTURES to their folder", err)
	}
	defer src.Close()
	for f, err := range bus.Frames(src) {
		if err != nil {
			t.Fatal(err)
		}
		switch f.ID {
		case 0x100:
			tr.Engine(f.At, 0.25*float64(binary.LittleEndian.Uint16(f.Data[:])))
		case 0x101:
			tr.Road(f.At, float64(f.Data[0]))
		case 0x102:
			tr.Accelerator(f.At, float64(f.Data[0])/2.55)
		}
	}
	tr.Flush()
}

// The ratios of that car are public.
var realRatios = []float64{0.728, 0.82, 1, 1.368, 1.921, 2.859, 4.377}

// TestRealDrives: the upper five lines in the public proportions within 1 %, the
// state known for most of the time, most stops with a release, nothing told.
func TestRealDrives(t *testing.T) {
	var out report
	tr := New(testSettings(), &out)
	realDrive(t, 1, tr)
	realDrive(t, 2, tr)
	m := tr.Memory()
	if m == nil || len(m.Lines) < 5 {
		t.Fatalf("lines %+v, want at least five", m)
	}
	scale := 0.0 // rpm per km/h for a ratio of 1: the middle of the five
	for i := range 5 {
		scale += m.Lines[i].Ratio / realRatios[i] / 5
	}
	for i := range 5 {
		if off := m.Lines[i].Ratio/realRatios[i]/scale - 1; math.Abs(off) > 0.01 {
			t.Errorf("line %d is off the public proportion by %.2f %%", i, 100*off)
		}
	}
	if math.Abs(m.DelayS-0.4) > 0.12 {
		t.Errorf("road speed comes %.2f s late, want about 0.4", m.DelayS)
	}
	if u := out.share(Unknown); u > 0.3 {
		t.Errorf("the state is unknown for %.1f %% of the time", 100*u)
	} else if u > 0.18 {
		t.Errorf("the bounds of the lockup fraction are %.1f points apart", 100*u)
	}
	released := 0
	for _, s := range out.stops {
		if s.Class != NotSeen {
			released++
		}
		if s.Class >= Late {
			t.Errorf("told of a sound car: %+v", s)
		}
	}
	if 2*released <= len(out.stops) {
		t.Errorf("a release in %d of %d stops, want most", released, len(out.stops))
	}
	t.Logf("states (unknown, open, partial, closed, coast): %.0f s; %d of %d stops", out.times, released, len(out.stops))
}

// TestRealDrivesApart: each drive alone, with nothing known before it.
func TestRealDrivesApart(t *testing.T) {
	for n := 1; n <= 2; n++ {
		var out report
		realDrive(t, n, New(testSettings(), &out))
		if u := out.share(Unknown); u > 0.3 {
			t.Errorf("drive %d: the state is unknown for %.1f %% of the time", n, 100*u)
		} else {
			t.Logf("drive %d: held %.1f to %.1f %%", n, 100*out.share(Closed, Partial, Coast), 100*(1-out.share(Open)))
		}
	}
}
