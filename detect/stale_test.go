package detect_test

import (
	"slices"
	"testing"

	"joltwatch/detect"
	"joltwatch/stream"
)

// What one controller sends goes and comes together: one finding with all of it.
func TestOneSilentControllerIsOneFinding(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), handRoles...)
	h.drive()
	for range 10 { // so that their silence means something
		for _, r := range handRoles[:4] {
			h.sample[0] = stream.Sample{At: h.at, Role: r, OK: true, Value: 1}
			h.m.Samples(h.sample[:])
		}
		h.at += h.step
	}
	h.mute = []stream.Role{stream.TurbineSpeed, stream.Gear}
	h.run(5, nil)
	h.mute = nil
	h.run(5, nil)
	f := h.only(detect.KindRoleStale)
	slices.Sort(f.MissingInputs)
	if !slices.Equal(f.MissingInputs, []string{"gear", "turbine_speed"}) {
		t.Errorf("%v", f.MissingInputs)
	}
	if long, _ := f.Get("duration_s"); long < 4.9 || long > 5.1 {
		t.Errorf("%g s", long)
	}
}
