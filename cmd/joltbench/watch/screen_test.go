package watch

import (
	"strings"
	"testing"
	"unicode/utf8"

	"joltwatch/detect"
	"joltwatch/storage/review"
)

func stay(engineOn, moving, closed float64) *review.Stay {
	s := &review.Stay{Label: "van\x1b[31m 7", Drives: []review.Drive{{Boot: 1, Account: detect.Account{Drive: 1, EngineOnS: engineOn, MovingS: moving,
		ClosedS: closed, OpenS: moving - closed, Roles: []detect.RoleCover{{Role: "engine_speed", FreshS: engineOn - 5, PeriodS: 0.02}}}}}}
	for range 40 {
		s.Events = append(s.Events, review.Event{Boot: 1, Finding: detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Measures: []detect.Measure{{Name: "lag_s", Value: 1.25}}}})
	}
	return s.Build(nil)
}

// The last interval stands apart from the whole drive, and nothing leaves the
// screen or steers the terminal.
func TestScreen(t *testing.T) {
	before, now := stay(100, 50, 10), stay(130, 80, 40)
	for _, size := range [][2]int{{100, 30}, {40, 12}, {20, 4}} {
		lines := Screen(now, before, size[0], size[1])
		if len(lines) > size[1] {
			t.Errorf("%d lines on %d", len(lines), size[1])
		}
		for _, l := range lines {
			if utf8.RuneCountInString(l) > size[0] || strings.ContainsRune(l, 0x1b) {
				t.Errorf("line %q", l)
			}
		}
	}
	text := strings.Join(Screen(now, before, 100, 40), "\n")
	for _, want := range []string{"closed     50.0 %  ######......   100.0 %  ############", "last 30.0 s moving", "engine_speed", "100.0 %", "clutch release: late  lag 1.25 s"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if text := strings.Join(Screen((&review.Stay{}).Build(nil), nil, 80, 20), "\n"); !strings.Contains(text, "No drive on file yet") {
		t.Error(text)
	}
}
