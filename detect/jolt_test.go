package detect_test

import (
	"math"
	"testing"

	"joltwatch/detect"
	"joltwatch/stream"
)

// A jolt comes from the body: of a shaft it is none, nor of a road speed in whole
// km/h, and one in fine steps shows a push.
func TestJoltIsTheBodys(t *testing.T) {
	for _, c := range []struct {
		name   string
		role   stream.Role
		step   float64 // of the value
		factor float64 // role's unit for 1 m/s
		n      int
	}{
		{"road speed in fine steps", stream.VehicleSpeed, 1.0 / 256, 3.6, 1},
		{"road speed in whole km/h", stream.VehicleSpeed, 1, 3.6, 0},
		{"shaft", stream.OutputSpeed, 0.125, 90, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHand(t, detect.DefaultSettings(), handRoles...)
			h.drive()
			v := h.kmh / 3.6
			h.run(40, func(s float64) {
				a := 0.3 * math.Sin(s/3)
				if s > 30 && s < 30.15 {
					a += 4
				}
				v += a * h.step.Seconds()
				h.kmh = v * 3.6
				h.sample = stream.Sample{At: h.at, Role: c.role, OK: true, Value: math.Floor(v*c.factor/c.step) * c.step}
				h.m.Sample(&h.sample)
			})
			h.m.Flush()
			if got := h.got.of(detect.KindJolt); len(got) != c.n || c.n == 1 && math.Abs((got[0].Start-h.at).Seconds()+10) > 1 {
				t.Errorf("%+v", got)
			}
		})
	}
}
