package detect_test

import (
	"slices"
	"testing"

	"joltwatch/detect"
	"joltwatch/stream"
)

// sampled lets samples come, so that the silence of a role means something.
func (h *hand) sampled() {
	for range 10 {
		for _, r := range handRoles[:4] {
			h.sample[0] = stream.Sample{At: h.at, Role: r, OK: true, Value: 1}
			h.m.Samples(h.sample[:])
		}
		h.at += h.step
	}
}

// Where the engine stops itself, what falls silent is told if the vehicle moves without
// it; at a standstill it may be the key.
func TestStaleWithTheEngineStopped(t *testing.T) {
	for _, c := range []struct {
		name         string
		stands, ends float64 // the engine's speed as it falls silent, and as it is back
		kmh, haltS   float64 // meanwhile, and for how long it stands again after that
		want         int
	}{
		{"drives off unheard", 0, 900, 20, 0, 1},
		{"drives off and stops, unheard", 0, 700, 20, 2, 1},
		{"stands", 0, 700, 0, 0, 0},
		{"stops again unheard", 900, 0, 20, 0, 1},
		{"key off at a standstill", 700, 0, 0, 0, 0},
	} {
		h := newHand(t, detect.DefaultSettings(), handRoles...)
		h.plan.Facts.StopStart = true
		h.m = detect.New(detect.DefaultSettings(), h.plan, h.got)
		h.drive()
		h.sampled()
		h.halt()
		h.engine = c.stands
		h.run(2, nil)
		h.mute = []stream.Role{stream.EngineSpeed}
		h.run(1, nil)
		h.kmh = c.kmh
		h.run(6, nil)
		if c.haltS > 0 {
			h.kmh = 0
			h.run(c.haltS, nil)
		}
		h.mute, h.engine = nil, c.ends
		if c.ends == 0 {
			h.kmh = 0
		}
		h.run(5, nil)
		h.m.Flush()
		if n := len(h.got.of(detect.KindRoleStale)); n != c.want {
			t.Errorf("%s: told %d times, want %d", c.name, n, c.want)
		}
	}
}

// What one controller sends goes and comes together: one finding with all of it.
func TestOneSilentControllerIsOneFinding(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), handRoles...)
	h.drive()
	h.sampled()
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
