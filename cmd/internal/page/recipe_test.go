package page

import (
	"math"
	"strings"
	"testing"

	"joltwatch/detect"
	"joltwatch/storage/review"
	"joltwatch/storage/review/conditions"
)

// What cannot be told apart is tried together, in the reader's units.
func TestApart(t *testing.T) {
	of := func(name string, from float64) detect.Bound {
		c, err := detect.ConditionOf(name)
		if err != nil {
			t.Fatal(err)
		}
		return detect.Bound{Of: c, From: from, To: math.Inf(1)}
	}
	n := &conditions.Named{Bound: of("since_engine_start_s", 1260), Or: []detect.Bound{of("fluid_temperature_c", 80), of("stops_before", 9)}}
	for u, want := range map[review.Units]string{
		review.Metric: "also: drive until the fluid is at 80 °C or more; make stops until there have been 9 or more in the drive.",
		review.US:     "also: drive until the fluid is at 176 °F or more;",
	} {
		if got := apart(n, u); !strings.HasPrefix(got, "Time since the engine's start may stand only for") || !strings.Contains(got, want) {
			t.Errorf("%s", got)
		}
	}
}

// What is named is drawn before what only stands out as much.
func TestChartsOfTheNamed(t *testing.T) {
	a, s := &conditions.Answer{}, &conditions.Sample{}
	for i := range 40 {
		v := make([]float64, len(detect.Conditions))
		for j := range v {
			v[j] = float64(i)
		}
		s.Releases = append(s.Releases, conditions.Release{Values: v, Late: i >= 30})
	}
	for _, c := range detect.Conditions {
		b := detect.Bound{Of: c, From: 30, To: math.Inf(1)}
		a.Each = append(a.Each, conditions.Effect{Of: c, Best: b, K: 10, N: 10, P: 0.002})
		if c.Name == "closed_before_s" || c.Name == "braking_mps2" {
			a.Named = append(a.Named, conditions.Named{Bound: b})
		}
	}
	var got []string
	for _, c := range conditionCharts(a, s) {
		got = append(got, c.Title)
	}
	if want := "Late releases against clutch closed before; Late releases against deceleration"; strings.Join(got, "; ") != want {
		t.Errorf("%q", got)
	}
}
