package review

import (
	"testing"

	"joltwatch/detect"
)

// Every kind that makes findings has its words, and every class says what it is
// consistent with and what to look at next; one that alarms is said to the
// customer too.
func TestEveryClassHasWords(t *testing.T) {
	for _, s := range detect.All {
		if len(s.Classes()) == 0 {
			continue
		}
		w := WordsOf(s.Kind)
		if w == nil || w.Title == "" || w.Hit == "" {
			t.Errorf("%s has no words", s.Kind)
			continue
		}
		for _, c := range s.Classes() {
			x := w.Of(c)
			alarm := !detect.Ordinary(s.Kind, c)
			if x == nil && !alarm {
				continue
			}
			if x == nil || x.Consistent == "" || x.Look == "" || alarm && x.What == "" {
				t.Errorf("%s %s has no words", s.Kind, c)
			}
		}
	}
	for _, w := range wordings {
		if detect.Of(w.Kind) == nil {
			t.Errorf("words for %s, which nobody finds", w.Kind)
		}
	}
}

// Of each kind of opportunity there are one or some, in English.
func TestPluralOfOpportunities(t *testing.T) {
	for kind, want := range map[string]string{
		detect.KindReleaseLag: "7 releases", detect.KindHillSlip: "7 stretches", detect.KindApply: "7 applies", detect.KindSlipTrend: "7 driven hours", detect.KindShudder: "7 opportunities",
	} {
		if got := Plural(7, Opportunity(kind)); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if got := Plural(1, Opportunity(detect.KindHillSlip)); got != "1 stretch" {
		t.Errorf("%q", got)
	}
}
