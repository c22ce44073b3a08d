package watch

import (
	"strings"
	"testing"
	"unicode/utf8"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/storage/review"
)

func known(role string, v float64) detect.RoleCover {
	return detect.RoleCover{Role: role, FreshS: 100, Now: &v}
}

func stay(engineOn, moving, closed float64) *review.Stay {
	s := &review.Stay{Label: "van\x1b[31m 7", Drives: []review.Drive{{Boot: 1, Account: detect.Account{Drive: 1, EngineOnS: engineOn, MovingS: moving,
		ClosedS: closed, OpenS: moving - closed, Opportunities: []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 41, Observable: 41, Hits: 40}}, Roles: []detect.RoleCover{{Role: "engine_speed", FreshS: engineOn - 5, PeriodS: 0.02}}}}}}
	for range 40 {
		s.Events = append(s.Events, review.Event{Boot: 1, Finding: detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Measures: []detect.Measure{{Name: "lag_s", Value: 1.25}}}})
	}
	return s.Build(nil)
}

// Nothing leaves the screen or steers the terminal, whatever its size.
func TestScreenFits(t *testing.T) {
	before, now := stay(100, 50, 10), stay(130, 80, 40)
	for _, size := range [][2]int{{100, 30}, {80, 23}, {40, 12}, {20, 4}} {
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
}

// On the usual 80 columns stand the values, the last finding and the count of late
// releases, uncut; shares are of the time since the look before.
func TestScreenSays(t *testing.T) {
	now := stay(130, 80, 40)
	now.Drives[0].Account.Roles = append(now.Drives[0].Account.Roles, known("turbine_speed", 1350), known("gear", -2),
		known("lockup_state", 1), known("clutch_pressure_command", 1234), known("acceleration", -1.25))
	text := strings.Join(Screen(now, stay(100, 50, 10), 80, 23), "\n")
	for _, want := range []string{"rpm, engine", "rpm, turbine", "late, of 41 judged",
		"Last finding: ", "clutch release: late, lag 1.25 s", "the last 30.0 s", "last 30.0 s moving: closed 100%, partial 0%",
		"engine_speed                     – 100%", "turbine_speed             1350 rpm  77%", "clutch_pressure_command   1234 kPa", "-1.2 m/s²", " P ", "partial"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if strings.Contains(text, "…") {
		t.Errorf("cut:\n%s", text)
	}
	if text := strings.Join(Screen((&review.Stay{}).Build(nil), nil, 80, 20), "\n"); !strings.Contains(text, "No drive on file yet") {
		t.Error(text)
	}
}

// Where no release could be seen, none is not said.
func TestLateIsUnknown(t *testing.T) {
	s := (&review.Stay{Drives: []review.Drive{{Boot: 1, Account: detect.Account{Drive: 1, EngineOnS: 60}}}}).Build(nil)
	if f := late(s); f.text != "–" {
		t.Errorf("%q, expected a dash", f.text)
	}
	s.Drives[0].Account.Opportunities = []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 3, Observable: 2}}
	if f := late(s); f.text != "0" || f.label != "late, of 2 judged" {
		t.Errorf("%q", f)
	}
}

func TestNumerals(t *testing.T) {
	got := numerals("17–")
	want := [numeralLines]string{
		" ██  ████      ",
		"███     █      ",
		" ██     █ ████ ",
		" ██     █      ",
		"████    █      ",
	}
	if got != want {
		t.Errorf("\n%s", strings.Join(got[:], "\n"))
	}
}

// Why nothing is asked is there, also where it came after the account, and without
// any drive; what the account has already is not said twice.
func TestScreenSaysWhyNothingIsAsked(t *testing.T) {
	silent := storage.Asking{At: 95 * bus.Second, Silent: []storage.SilentBus{{Bus: "plug", Since: 90 * bus.Second, Why: "the engine has been off"}}}
	for _, c := range []struct {
		name   string
		end    bus.Micros // of the account, 0 for no drive
		asking storage.Asking
		boot   uint32
		want   string
	}{
		{"after the account", 60 * bus.Second, silent, 1, "plug: nothing is asked since 90.0 s: the engine has been off"},
		{"without a drive", 0, silent, 1, "plug: nothing is asked since 90.0 s: the engine has been off"},
		{"in a later run", 100 * bus.Second, silent, 2, "plug: nothing is asked since 90.0 s: the engine has been off"},
		{"before the account", 100 * bus.Second, silent, 1, ""},
		{"over", 60 * bus.Second, storage.Asking{At: 95 * bus.Second}, 1, "all is asked again since 95.0 s"},
		{"never silent", 60 * bus.Second, storage.Asking{}, 1, ""},
	} {
		now := stay(130, 80, 40)
		now.Drives[0].Account.End, now.Drives[0].Account.Asking = c.end, []string{"plug asks: engine_speed 5.0 Hz (up to 19.0)"}
		if c.end == 0 {
			now = (&review.Stay{}).Build(nil)
		}
		now.Asking, now.AskingBoot = c.asking, c.boot
		text := strings.Join(Screen(now, nil, 100, 40), "\n")
		if !strings.Contains(text, c.want) || c.want == "" && (strings.Contains(text, "nothing is asked") || strings.Contains(text, "asked again")) {
			t.Errorf("%s: no %q in\n%s", c.name, c.want, text)
		}
		if c.end > 0 && !strings.Contains(text, "plug asks: engine_speed 5.0 Hz") {
			t.Errorf("%s: no rates in\n%s", c.name, text)
		}
	}
}
