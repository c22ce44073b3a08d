package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"

	"github.com/rs/zerolog"
)

// Ratios that the vehicle file does not state are gathered over several short
// runs of the unit, kept with the history, and then used from the start of a run.
func TestRatiosOutliveTheRun(t *testing.T) {
	dir := t.TempDir()
	v, err := drive.VehicleByName("saloon")
	if err != nil {
		t.Fatal(err)
	}
	for n := range 4 {
		steps := []drive.Step{{Do: "start", ForS: 3}}
		for k := range 3 {
			steps = append(steps, drive.Step{Do: "drive", ToKmh: 50 + float64(8*k+3*n), Accel: 1, ForS: 30}, drive.Step{Do: "lift", ToKmh: 30, ForS: 14},
				drive.Step{Do: "drive", ToKmh: 48, Accel: 0.9, ForS: 16}, drive.Step{Do: "stop", Accel: 0.9, ForS: 4})
		}
		r, err := drive.Run(drive.Scenario{Name: "t", Vehicle: "saloon", Seed: uint64(30 + n), FluidC: 70, Steps: append(steps, drive.Step{Do: "off", ForS: 6}), NoLog: true})
		if err != nil {
			t.Fatal(err)
		}
		files := t.TempDir()
		for i, text := range r.DBC {
			if err := os.WriteFile(filepath.Join(files, r.DBCNames[i]), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		set := detect.DefaultSettings()
		file, err := vehicle.Parse(filepath.Join(files, "vehicle.toml"), []byte(r.VehicleTOML), &set)
		if err != nil {
			t.Fatal(err)
		}
		file.Plan.Facts.Ratios, file.Plan.Facts.OutputPerKmh = nil, 0
		h := &host{ctx: context.Background(), stdout: &bytes.Buffer{}, log: zerolog.Nop()}
		l, err := newLine(h, file.Plan, set)
		if err != nil {
			t.Fatal(err)
		}
		if err := l.open(h, dir, storage.Options{Plan: file.Plan, Boot: fmt.Sprint("run ", n), LookBack: 5 * bus.Second, LookOn: bus.Second}); err != nil {
			t.Fatal(err)
		}
		if n == 3 {
			stable := 0
			for _, x := range l.stream.Learned() {
				if x.Stable {
					stable++
				}
			}
			if stable == 0 {
				t.Fatalf("nothing is known at the start of the last run: %+v", l.stream.Learned())
			}
		}
		for i := range r.Frames {
			if err := l.Push(&r.Frames[i]); err != nil {
				t.Fatal(err)
			}
		}
		if err := l.Finish(); err != nil {
			t.Fatal(err)
		}
		st, err := storage.Read(dir)
		if err != nil {
			t.Fatal(err)
		}
		learned, err := detect.RatiosIn(st.History())
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range learned {
			t.Logf("run %d: %s", n, x.Text())
			if want := v.Ratios[max(x.Gear, 1)-1] * v.OutputPerKmh(); x.Of == stream.VehicleSpeed && x.Stable && math.Abs(x.Ratio/want-1) > 0.01 {
				t.Errorf("run %d: %s; in truth %.4g", n, x.Text(), want)
			}
		}
	}
}
