package detect_test

import (
	"math"
	"testing"

	"joltwatch/detect"
	"joltwatch/stream"
)

// pull pulls away with the road speed growing by 6 km/h a second up to 60 km/h, the pedal
// at pct; the command rises at a road speed, and slip is down 0.4 s later.
func (h *hand) pull(atKmh, pct float64) { h.pullWith(atKmh, pct, func() {}) }

// pullWith is a pull in which each row may change something.
func (h *hand) pullWith(atKmh, pct float64, change func()) {
	h.gear = 3
	h.engine, h.turbine, h.kmh, h.pedal, h.command = 700, 0, 0, 0, 0
	h.run(3, nil)
	slip := 200.0
	h.run(10, func(s float64) {
		h.pedal, h.kmh = pct, 6*s
		change()
		h.turbine = h.kmh * 37.5
		h.engine = max(h.turbine+200, 1000)
		if h.kmh >= atKmh {
			h.command = 400
			slip = max(0, slip-10)
			h.engine = h.turbine + slip
		}
	})
	h.run(2, nil)
	h.halt()
}

// A command that rises 1.5 s later than this vehicle's habit, 30 km/h at 6 km/h a second,
// is told with the interval; not the first of the drive, nor where the pedal is as it
// never was, nor one that comes as enough others did. What the self-test says it would
// have told, a second later, are those with a habit.
func TestLateCommandToClose(t *testing.T) {
	habit := func(n int) *hand {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		for k := range n {
			h.pull(30+0.3*float64(k%3), 20+float64(k%3))
		}
		return h
	}
	told := func(h *hand) (list []detect.Finding) {
		h.m.Flush()
		for _, f := range h.got.of(detect.KindApply) {
			if f.Class == detect.LateCommand {
				list = append(list, f)
			}
		}
		return list
	}
	up := func(h *hand, atKmh float64) func() {
		return func() {
			if h.kmh >= atKmh {
				h.gear = 4
			}
		}
	}
	h := habit(12)
	h.pull(39, 21)
	list := told(h)
	if len(list) != 1 {
		t.Fatalf("%d told, want one: %v", len(list), h.got.classes(detect.KindApply))
	}
	f := &list[0]
	if low, high := get(t, f, "command_late_min_s"), get(t, f, "command_late_max_s"); low < 1 || low > 1.5 || high < 1.45 || high > 2 {
		t.Errorf("late by %g to %g s, want 1.5 s within", low, high)
	}
	if at, usual := get(t, f, "rose_at_kmh"), get(t, f, "usual_rise_kmh"); at < 38.9 || at > 39.3 || usual < 29.5 || usual > 31 {
		t.Errorf("rose at %g km/h, usually at %g; want 39 and 30.3", at, usual)
	}
	// Beyond the habit for a second before it shifts, it is late in the next gear too.
	shifted := habit(12)
	shifted.pullWith(48, 21, up(shifted, 42))
	if l := told(shifted); len(l) != 1 {
		t.Errorf("late through a shift: %d told, want one", len(l))
	}
	// With the pedal as it never was up to 33 km/h, it may have waited for that, and a second
	// more: at the least it is late from then on, and likeliest by as much as ever.
	waited := habit(12)
	waited.pullWith(45, 21, func() {
		if waited.kmh < 33 {
			waited.pedal = 60
		}
	})
	if l := told(waited); len(l) != 1 {
		t.Errorf("late after another pedal: %d told, want one", len(l))
	} else if least, likeliest := get(t, &l[0], "command_late_min_s"), get(t, &l[0], "command_late_s"); math.Abs(least-0.8) > 0.1 || math.Abs(likeliest-2.45) > 0.15 {
		t.Errorf("late by %g s at the least and likeliest %g s, want 0.8 and 2.45", least, likeliest)
	}
	later := habit(12)
	later.pull(43, 21)
	if l := told(later); len(l) != 1 || l[0].Severity <= f.Severity {
		t.Errorf("one later still weighs no more than %g: %+v", f.Severity, l)
	}
	// The first of the drive is no try, and the first eight after it make the habit.
	if x := h.got.account.RiseTrials; x.Falls != 12 || x.Later1S != 4 {
		t.Errorf("%+v, want 4 of 12", x)
	}
	for name, next := range map[string]func(h *hand){
		"as usual":      func(h *hand) { h.pull(30.4, 21) },
		"0.3 s late":    func(h *hand) { h.pull(32, 21) },
		"another pedal": func(h *hand) { h.pull(39, 60) },
		"in a gear that waits for a speed of its own": func(h *hand) { h.pullWith(45, 21, up(h, 28)) },
		"as many others did": func(h *hand) {
			for range 4 {
				h.pull(39, 60)
			}
			h.pull(39, 21)
		},
	} {
		h := habit(20)
		next(h)
		if list := told(h); len(list) > 0 {
			t.Errorf("%s: told %+v", name, list)
		}
	}
	h = newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	h.pull(39, 21)
	for range 4 {
		h.pull(30, 21)
	}
	if list := told(h); len(list) > 0 || h.got.account.RiseTrials.Later1S != 0 {
		t.Errorf("without a habit: %v, %+v", list, h.got.account.RiseTrials)
	}
}
