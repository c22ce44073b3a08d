package detect_test

import (
	"math"
	"slices"
	"testing"

	"joltwatch/detect"
	"joltwatch/stream"
)

// roll lets the vehicle roll up braking from 60 km/h, the turbine falling 150 rpm/s and
// the engine with it until the command falls and the plates part, at a turbine speed.
// blind: the turbine's speed is not known from there on.
func (h *hand) roll(atRPM float64, blind bool) {
	h.drive()
	from := h.turbine
	h.pedal = 0
	h.beside = map[stream.Role]float64{stream.Brake: 1}
	h.run(from/150+2, func(s float64) {
		h.turbine = max(0, from-150*s)
		h.kmh = h.turbine / 37.5
		if h.turbine > atRPM {
			h.command, h.engine = 400, h.turbine
			return
		}
		h.command = 0
		h.engine += (700 - h.engine) * 0.2
		if blind {
			h.mute = []stream.Role{stream.TurbineSpeed}
		}
	})
	h.mute = nil
	h.beside = map[stream.Role]float64{stream.Brake: 0}
	h.run(2, nil)
}

const usuallyRPM = 1000.0

// A command that falls 1.5 s later than usual is told, and bounds that, also where
// nothing is known of the plates; what the self-test counts is what was told so.
func TestLateCommandByItself(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand, stream.Brake)
	for k := range 10 {
		h.roll(usuallyRPM+5*float64(k%3), false)
	}
	h.roll(usuallyRPM, true)
	h.roll(usuallyRPM-225, true)
	h.m.Flush()
	var told []detect.Finding
	for _, f := range h.got.of(detect.KindReleaseLag) {
		if f.Class != detect.Normal {
			told = append(told, f)
		}
	}
	if len(told) != 1 || told[0].Class != detect.LateCommand {
		t.Fatalf("told %+v", told)
	}
	f := &told[0]
	if low, high := get(t, f, "command_late_min_s"), get(t, f, "command_late_max_s"); low > 1.55 || low < 1.2 || high < 1.45 || high > 1.8 {
		t.Errorf("late by %g to %g s, want 1.5", low, high)
	}
	if _, ok := f.Get(detect.LagS.Name); ok || f.Severity < 0.6 {
		t.Errorf("a lag of plates that were not seen, or of no weight: %+v", f)
	}
	// The first eight make the habit; the blind ones show by the road's speed.
	if x := h.got.account.CommandTrials; x != (detect.CommandTrials{Falls: 12, Later1S: 4}) {
		t.Errorf("%+v", x)
	}
}

// Where no command is known, a separation later than usual has decision, oil and plates in
// one link, from the brake on.
func TestLateWithoutCommand(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.Brake)
	for k := range 12 {
		h.roll(usuallyRPM+5*float64(k%3), false)
	}
	n := len(h.got.of(detect.KindReleaseLag))
	h.roll(usuallyRPM-225, false)
	h.m.Flush()
	told := h.got.of(detect.KindReleaseLag)[n:]
	if len(told) != 1 || told[0].Class != detect.ReleaseLate {
		t.Fatalf("told %+v", told)
	}
	at := func(name string) float64 {
		i := slices.IndexFunc(told[0].Instants, func(x detect.Instant) bool { return x.Name == name })
		if i < 0 {
			t.Fatalf("no %q in %+v", name, told[0].Instants)
		}
		return told[0].Instants[i].At.Seconds()
	}
	parted := at(detect.InstantParted)
	// From 60 km/h, 2250 rpm, to 775 rpm at 150 rpm/s.
	if s := parted - at(detect.InstantBraked); math.Abs(s-9.83) > 0.3 {
		t.Errorf("braked %g s before", s)
	}
	if s := parted - at(detect.InstantUsuallyPart); math.Abs(s-1.5) > 0.3 {
		t.Errorf("usually parts %g s sooner", s)
	}
}

// The more it is late the more it weighs, up to a bound, and never as much as an engine
// that dies: a command, and a separation of which no command is known.
func TestLatenessWeighs(t *testing.T) {
	severity := func(class detect.Class, lateS float64, roles ...stream.Role) float64 {
		h := newHand(t, detect.DefaultSettings(), roles...)
		for k := range 10 {
			h.roll(usuallyRPM+5*float64(k%3), false)
		}
		h.roll(usuallyRPM-150*lateS, false)
		h.m.Flush()
		for _, f := range h.got.of(detect.KindReleaseLag) {
			if f.Class == class {
				return f.Severity
			}
		}
		t.Fatalf("%s by %g s was not told", class, lateS)
		return 0
	}
	for _, x := range []struct {
		class detect.Class
		roles []stream.Role
	}{{detect.LateCommand, []stream.Role{stream.ClutchPressureCommand}}, {detect.ReleaseLate, nil}} {
		if a, b := severity(x.class, 0.8, x.roles...), severity(x.class, 1.4, x.roles...); b-a < 0.04 || a < 0.55 || b >= 0.95 {
			t.Errorf("%s: 0.8 s late weighs %g, 1.4 s %g", x.class, a, b)
		}
	}
}
