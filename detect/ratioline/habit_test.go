package ratioline

import "testing"

// TestHabitOfOtherGears: what is usual in other gears says something of a gear where
// all of them agree, and nothing where each lets go at a speed of its own; one release
// told as late does not make the next one usual.
func TestHabitOfOtherGears(t *testing.T) {
	learn := func(apart float64) *habit {
		h := &habit{}
		for i := range 12 {
			h.add(Release{Ratio: 30 + 15*float64(i%2), Turbine: 900 + 4*float64(i%3) + apart*float64(i%2), Fall: 150})
		}
		return h
	}
	if _, _, ok := learn(20).usual(60); !ok {
		t.Error("gears that agree say nothing of another")
	}
	if _, _, ok := learn(300).usual(60); ok {
		t.Error("gears that do not agree say what is usual in another")
	}
	h := learn(0)
	for _, told := range []bool{true, false} {
		h.add(Release{Ratio: 30, Turbine: 700, Fall: 150, Late: told})
		s := Stop{TurbineMin: 690}
		h.compare(&s, 700.0/30, 150, 30)
		if late := s.LateMin > s.limit; late != told {
			t.Errorf("late by %.2f s with a limit of %.2f s, one as late before, told %v", s.LateMin, s.limit, told)
		}
	}
}
