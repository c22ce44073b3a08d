package detect_test

import (
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// Slip that grows by so much a day, over a drive a day, each in a monitor of its
// own that has the history of those before.
func trendOver(t *testing.T, days int, slip func(day int) float64) []detect.Finding {
	t.Helper()
	var kept []byte
	var got []detect.Finding
	for day := range days {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		if err := h.m.LoadHistory(kept); err != nil {
			t.Fatal(err)
		}
		h.at = bus.Micros(day) * 86400 * bus.Second
		h.drive()
		h.run(100, func(float64) { h.engine = h.turbine + slip(day) })
		h.stop(0.1)
		h.m.Flush()
		kept = h.m.History()
		got = append(got, h.got.of(detect.KindSlipTrend)...)
	}
	return got
}

func TestSlipTrend(t *testing.T) {
	found := trendOver(t, 8, func(day int) float64 { return 2 + 6*float64(day) })
	if len(found) != 1 {
		t.Fatalf("%d trends found, expected one", len(found))
	}
	if slope := get(t, &found[0], "slip_per_day_rpm"); math.Abs(slope-6) > 0.5 {
		t.Errorf("slope %.1f rpm a day, expected 6", slope)
	}
	for name, slip := range map[string]func(int) float64{
		"steady":     func(int) float64 { return 8 },
		"slow":       func(day int) float64 { return 3 * float64(day) },
		"to and fro": func(day int) float64 { return 30 * float64(day%2) },
	} {
		if n := len(trendOver(t, 8, slip)); n != 0 {
			t.Errorf("%s: %d trends found, expected none", name, n)
		}
	}
}

// The middle of the pairs' slopes and the count of their signs, worked by hand:
// days 0 to 5 and 10 rpm a day make 15 pairs of one sign, (15-1)/sqrt(6*5*17/18)
// = 2.63 standard deviations (the formula without ties of Kendall 1975).
func TestSlipTrendNeedsSixDrives(t *testing.T) {
	grow := func(day int) float64 { return 10 * float64(day) }
	if n := len(trendOver(t, 5, grow)); n != 0 {
		t.Errorf("five drives: %d trends found, expected none", n)
	}
	if n := len(trendOver(t, 6, grow)); n != 1 {
		t.Errorf("six drives: %d trends found, expected one", n)
	}
}
