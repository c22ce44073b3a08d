package weeks

import (
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/storage/review/conditions"
)

// Two conditions that a week shows, by hand: late 8 of 20 where both hold and nowhere
// else; one where the second never varies among what the first holds for shows but one.
func TestShowsBoth(t *testing.T) {
	week := func(both, first, second, none int) *Week {
		w := &Week{Cause: Cause{Parts: []Part{{"fluid_temperature_c", 75, math.Inf(1)}, {"braking_mps2", 1, math.Inf(1)}}}}
		add := func(n int, fluid, braking float64, late int) {
			for i := range n {
				v := make([]float64, len(Names()))
				v[At("fluid_temperature_c")], v[At("braking_mps2")] = fluid, braking
				w.Releases = append(w.Releases, conditions.Release{Values: v, Late: i < late})
			}
		}
		add(both, 80, 2, 8)
		add(first, 80, 0.5, 0)
		add(second, 40, 2, 0)
		add(none, 40, 0.5, 0)
		return w
	}
	if !week(20, 40, 40, 100).showsBoth() {
		t.Error("8 of 20, and none of 40 without either, show both")
	}
	if week(20, 1, 40, 100).showsBoth() {
		t.Error("the second hardly varied where the first holds")
	}
}

// One who knows how weeks are made names what 20 of 20 late releases show, and nothing
// where one in twenty is late whatever is so.
func TestInformed(t *testing.T) {
	w := Make(1, 300, false)
	for _, shows := range []bool{true, false} {
		for i := range w.Releases {
			r := &w.Releases[i]
			r.Late = i%20 == 0
			if shows {
				r.Late = r.Values[At("grade_percent")] > 1.5 && i%3 > 0
			}
		}
		said := w.Informed(rand.New(rand.NewPCG(1, 2)))
		switch {
		case shows && (len(said) != 1 || said[0] != "grade_percent"):
			t.Errorf("named %v, want the grade", said)
		case !shows && len(said) > 0:
			t.Errorf("named %v, and nothing matters", said)
		}
	}
}
