package review

import "testing"

// A recipe by which the tries after a repair are counted, a label or another limit of
// the store is no other way of recording; other limits and signals are.
func TestSameSettings(t *testing.T) {
	const usual = "label = \"van 7\"\nidle_rpm = 700\n[detect.release_lag]\nlimit_s = 0.5\n"
	for _, x := range []struct {
		text string
		same bool
	}{
		{usual, true},
		{"# mended\nlabel = \"van 7, after\"\nidle_rpm = 700\n[store]\nkeep_days = 9\n[detect.release_lag]\nlimit_s = 0.5\n\n[recipe]\nclosed_before_s = {from = 40}\n", true},
		{"label = \"van 7\"\nidle_rpm = 700\n[detect.release_lag]\nlimit_s = 0.8\n", false},
		{"label = \"van 7\"\nidle_rpm = 750\n[detect.release_lag]\nlimit_s = 0.5\n", false},
		{"no table", false},
	} {
		if got := sameSettings(&Stay{Settings: usual}, &Stay{Settings: x.text}); got != x.same {
			t.Errorf("%v for\n%s", got, x.text)
		}
	}
}
