package detect_test

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// die takes the engine down within a second, and the bus goes on for some time.
func (h *hand) die(on float64) {
	from := h.engine
	h.run(1, func(s float64) { h.engine = max(0, from*(1-s/0.7)) })
	h.engine, h.turbine = 0, 0
	h.run(on, nil)
}

// TestEngineThatStopsItself: nothing says that it does, so that the first times are
// told; from then on none is.
func TestEngineThatStopsItself(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.EngineSpeed, stream.TurbineSpeed, stream.VehicleSpeed, stream.Gear)
	h.drive()
	for range 8 {
		h.pullAway() // it runs again meanwhile
		h.halt()
		h.die(3)
	}
	h.m.Flush()
	if n := len(h.got.of(detect.KindEngineDied)); n == 0 || n > 3 {
		t.Errorf("told %d times, want the first ones only", n)
	}
}

// TestHowAnEngineRunsAgain: one that runs again in gear stops itself, also the first
// time and long before the vehicle pulls away; one that died is started out of gear, or
// is not started at all. What was told as its drive ended stands.
func TestHowAnEngineRunsAgain(t *testing.T) {
	for _, c := range []struct {
		name  string
		again func(h *hand)
		n     int
	}{
		{"in gear", func(h *hand) { h.die(2); h.engine = 700; h.run(4, nil) }, 0},
		{"in gear, after the end of the drive", func(h *hand) { h.die(20); h.engine = 700; h.run(4, nil) }, 2},
		{"the selector moved first", func(h *hand) {
			h.die(3)
			h.gear = stream.GearPark
			h.run(2, nil)
			h.engine = 700
			h.run(4, nil)
			h.gear = 1
			h.run(2, nil)
		}, 4},
		{"the key was turned in gear", func(h *hand) { h.die(5); h.at += 600 * bus.Second; h.engine = 700; h.run(4, nil) }, 4},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHand(t, detect.DefaultSettings(), stream.EngineSpeed, stream.TurbineSpeed, stream.VehicleSpeed, stream.Gear)
			gear := h.gear
			h.gear = stream.GearPark
			h.run(2, nil)
			h.gear = gear
			h.drive()
			for range 4 {
				h.halt()
				h.run(1, nil)
				c.again(h)
				h.pullAway()
			}
			h.m.Flush()
			if n := len(h.got.of(detect.KindEngineDied)); n != c.n {
				t.Errorf("told %d times, want %d", n, c.n)
			}
		})
	}
}

func TestEngineDiesAtAStop(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(h *hand)
		n    int
	}{
		{"just after the stop", func(h *hand) { h.run(1, nil); h.die(3) }, 1},
		{"key turned off in park", func(h *hand) { h.gear = stream.GearPark; h.run(1, nil); h.die(3) }, 0},
		{"key turned off long after", func(h *hand) { h.run(30, nil); h.die(3) }, 0},
		{"key that silences the bus", func(h *hand) { h.run(1, nil); h.die(0.2) }, 0},
		{"stop and start on purpose", func(h *hand) { h.plan.Facts.StopStart = true; h.run(1, nil); h.die(3) }, 0},
		{"controllers that wake with what they last sent", func(h *hand) {
			h.gear = stream.GearPark
			h.die(3)
			h.at += 600 * bus.Second
			h.gear, h.engine = 1, 700
			h.run(0.04, nil)
			h.die(3)
		}, 0},
		{"engine goes on", func(h *hand) { h.run(5, nil) }, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHand(t, detect.DefaultSettings(), stream.EngineSpeed, stream.TurbineSpeed, stream.VehicleSpeed, stream.Gear, stream.ClutchPressureCommand)
			h.drive()
			h.halt()
			c.do(h)
			h.m.Flush()
			got := h.got.of(detect.KindEngineDied)
			if len(got) != c.n || c.n == 1 && got[0].Class != detect.DiedClutchOpen {
				t.Errorf("%+v", got)
			}
			if r := h.got.of(detect.KindReleaseLag); len(r) == 1 && r[0].Class == detect.ReleaseStall {
				t.Error("told as a stalled release too")
			}
		})
	}
}
