package detect_test

import (
	"slices"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

var handRoles = []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.VehicleSpeed, stream.Gear, stream.ClutchPressureCommand}

func TestSilenceIsTold(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(h *hand)
		want []detect.Class
	}{
		{"under way", func(h *hand) { h.at += 6 * bus.Second }, []detect.Class{detect.BusSilent}},
		{"under way, for long", func(h *hand) { h.at += 600 * bus.Second }, []detect.Class{detect.BusSilent}},
		{"under way, others go on", func(h *hand) { h.at += 6 * bus.Second; h.m.Traffic(5000) }, []detect.Class{detect.BusControllersSilent}},
		{"key off that silences the bus", func(h *hand) {
			h.stop(0.1)
			h.at += 600 * bus.Second
			h.engine, h.turbine = 0, 0
			h.run(1, nil)
			h.engine = 700
		}, nil},
		{"key off, the engine runs at once after it", func(h *hand) { h.stop(0.1); h.at += 600 * bus.Second }, nil},
		{"at a standstill, engine running", func(h *hand) { h.stop(0.1); h.at += 6 * bus.Second }, []detect.Class{detect.BusSilent}},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHand(t, detect.DefaultSettings(), handRoles...)
			h.drive()
			c.do(h)
			h.run(8, nil)
			h.m.Flush()
			var got []detect.Class
			for _, f := range h.got.of(detect.KindBusFault) {
				got = append(got, f.Class)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("%v, expected %v", got, c.want)
			}
		})
	}
}
