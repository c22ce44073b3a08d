package main

import (
	"os"
	"path/filepath"
	"testing"

	"joltwatch/detect"
	"joltwatch/stream/vehicle"
)

func TestExamplesAreVehicleFiles(t *testing.T) {
	names, err := filepath.Glob("examples/*.toml")
	if err != nil || len(names) == 0 {
		t.Fatalf("no examples: %v", err)
	}
	for _, name := range names {
		settings := detect.DefaultSettings()
		f, err := vehicle.Load(name, &settings)
		if err != nil {
			t.Error(err)
			continue
		}
		for _, w := range f.Warnings {
			t.Errorf("an example should not need this warning: %s", w)
		}
		for _, b := range f.Buses {
			if b.Source == "" {
				t.Errorf("%s: bus %s has no source to listen to", name, b.Name)
			}
			if b.Ask && filepath.Base(name) != "ordinary-car.toml" {
				t.Errorf("%s: bus %s sends requests; of the examples one does", name, b.Name)
			}
			if b.MayAcknowledge {
				t.Errorf("%s: bus %s may be acknowledged on; no example says so", name, b.Name)
			}
		}
	}
	if _, err := os.Stat("examples/definitions.dbc"); err != nil {
		t.Error(err)
	}
}
