package review

import (
	"strings"
	"testing"

	"joltwatch/detect/ratioline"
	"joltwatch/stream"
)

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

// Two vehicles are told by what their files state and what was learned; one with worn
// tyres, with another role mapped or in other gears is the same.
func TestOtherVehicle(t *testing.T) {
	stay := func(change func(s *Stay)) *Stay {
		s := &Stay{Plan: &stream.Plan{Facts: stream.Facts{IdleRPM: 700, Ratios: map[int]float64{1: 4, 2: 2.4}, OutputPerKmh: 30}},
			Ratios: []stream.LearnedRatio{{Gear: 3, Of: stream.VehicleSpeed, Ratio: 45, Stable: true}}, Lines: &ratioline.Memory{}}
		for i, r := range []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.Gear} {
			s.Plan.Messages = append(s.Plan.Messages, stream.Message{ID: uint32(0x100 + i), Signals: []stream.Signal{{Role: r, Length: 16}}})
		}
		for _, x := range []float64{22, 30, 42, 64, 110} {
			s.Lines.Lines = append(s.Lines.Lines, ratioline.Line{Ratio: x})
		}
		change(s)
		return s
	}
	for what, x := range map[string]struct {
		change func(s *Stay)
		want   string
	}{
		"the same":      {func(*Stay) {}, ""},
		"worn tyres":    {func(s *Stay) { s.Plan.Facts.OutputPerKmh *= 1.03; s.Lines.Lines[2].Ratio *= 1.03 }, ""},
		"one remapped":  {func(s *Stay) { s.Plan.Messages[2].ID = 0x300 }, ""},
		"town only":     {func(s *Stay) { s.Lines.Lines = s.Lines.Lines[2:] }, ""},
		"not known":     {func(s *Stay) { s.Plan, s.Ratios, s.Lines = nil, nil, nil }, ""},
		"other gears":   {func(s *Stay) { s.Plan.Facts.Ratios = map[int]float64{1: 3.4, 2: 2.4} }, "ratio of gear 1 4 and 3.4"},
		"other axle":    {func(s *Stay) { s.Plan.Facts.OutputPerKmh = 34 }, "output shaft's rpm for 1 km/h 30 and 34"},
		"other idle":    {func(s *Stay) { s.Plan.Facts.IdleRPM = 550 }, "idle speed 700 and 550"},
		"other learned": {func(s *Stay) { s.Ratios[0].Ratio = 50 }, "learned ratio of gear 3 45 and 50"},
		"other bus": {func(s *Stay) { s.Plan.Messages[0].ID, s.Plan.Messages[1].ID = 0x300, 0x301 },
			"other messages carry engine_speed, turbine_speed"},
		"other lines": {func(s *Stay) {
			for i := range s.Lines.Lines {
				s.Lines.Lines[i].Ratio *= 1.14
			}
		}, "4 of 4 lines of engine over road speed are none of the other's"},
	} {
		if got := strings.Join(otherVehicle(stay(func(*Stay) {}), stay(x.change)), "; "); got != x.want {
			t.Errorf("%s: %q, want %q", what, got, x.want)
		}
	}
}
