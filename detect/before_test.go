package detect_test

import (
	"math"
	"testing"

	"joltwatch/detect"
	"joltwatch/stream"
)

// What led up to a release against what the rows were made of, by hand: the clutch
// closed for 5 s at a pedal of 20 % and for 4 s at none; the turbine slowing by
// 300 rpm/s from 2250 rpm, which at 37.5 rpm per km/h is 8 km/h/s, 2.22 m/s².
func TestBeforeByHand(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.EngineSpeed, stream.TurbineSpeed, stream.VehicleSpeed, stream.Gear,
		stream.Accelerator, stream.ClutchPressureCommand, stream.Brake, stream.Grade, stream.EngineTorque, stream.ClutchPressure)
	h.beside = map[stream.Role]float64{stream.Brake: 1, stream.Grade: -3, stream.EngineTorque: 80, stream.ClutchPressure: 380}
	h.drive()
	h.stop(0.1)
	h.drive()
	h.beside = nil
	h.stop(0.1)
	releases := h.got.of(detect.KindReleaseLag)
	if len(releases) != 2 {
		t.Fatalf("%d releases, want 2", len(releases))
	}
	type want struct{ value, tolerance float64 }
	for i, all := range []map[string]want{
		{"closed_before_s": {9, 0.5}, "pedal_before_percent": {20 * 5.0 / 9, 0.8}, "torque_before_nm": {80, 0.5}, "closed_with_kpa": {380, 0.5},
			"turbine_at_fall_rpm": {2250 - 4*300, 7}, "braking_mps2": {8 / 3.6, 0.02}, "brake_on": {1, 0},
			"grade_percent": {-3, 0.05}},
		// The command in place of the pressure.
		{"closed_before_s": {9, 0.5}, "closed_with_kpa": {400, 0.5}, "braking_mps2": {8 / 3.6, 0.02}, "brake_on": {math.NaN(), 0},
			"grade_percent": {math.NaN(), 0}},
	} {
		for name, w := range all {
			got, ok := releases[i].Get(name)
			switch {
			case math.IsNaN(w.value) && ok:
				t.Errorf("release %d: %s is %g, and its signal was not known", i+1, name, got)
			case !math.IsNaN(w.value) && (!ok || math.Abs(got-w.value) > w.tolerance):
				t.Errorf("release %d: %s is %g (%v), want %g ± %g", i+1, name, got, ok, w.value, w.tolerance)
			}
		}
	}
	first, _ := releases[0].Get("stops_before")
	second, _ := releases[1].Get("stops_before")
	if second-first != 1 {
		t.Errorf("stops before: %g, then %g; one stop lies between", first, second)
	}
}
