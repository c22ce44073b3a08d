package detect_test

import (
	"math"
	"math/rand/v2"
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
				h.sample[0] = stream.Sample{At: h.at, Role: c.role, OK: true, Value: math.Floor(v*c.factor/c.step) * c.step}
				h.m.Samples(h.sample[:])
			})
			h.m.Flush()
			if got := h.got.of(detect.KindJolt); len(got) != c.n || c.n == 1 && math.Abs((got[0].Start-h.at).Seconds()+10) > 1 {
				t.Errorf("%+v", got)
			}
		})
	}
}

// A road speed that is rough, or of wheels whose tyres slip when drive turns into
// braking (1.3 % for each m/s², driven half of the weight and a stiffness of 14:
// 9.81 x 14 x 0.55), shows no jolt of the body.
func TestRoughWheelsAreNoJolt(t *testing.T) {
	for _, c := range []struct {
		name     string
		noiseMps float64
		brake    bool
	}{{"bad road", 0.015, false}, {"brake", 0.015, true}} {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(5, 6))
			h := newHand(t, detect.DefaultSettings(), handRoles...)
			h.drive()
			v, a := 30.0, 0.0
			h.run(600, func(s float64) {
				want := 0.0
				if c.brake && math.Mod(s, 20) > 10 {
					want = -1.2
					if math.Mod(s, 40) > 20 {
						want = 1.2
					}
				}
				noise := c.noiseMps
				if !c.brake && int(s)%20 == 19 {
					noise *= 6 // a bad stretch of road
				}
				a += (want - a) * 0.4
				v += a * h.step.Seconds()
				h.kmh = v * 3.6
				h.sample[0] = stream.Sample{At: h.at, Role: stream.VehicleSpeed, OK: true,
					Value: math.Round((v*(1+a/75)+noise*r.NormFloat64())*360) / 100}
				if int(h.at/h.step)%2 == 0 {
					h.m.Samples(h.sample[:])
				}
			})
			h.m.Flush()
			if got := h.got.of(detect.KindJolt); len(got) > 0 {
				t.Errorf("%d jolts: %+v", len(got), got[0])
			}
		})
	}
}
