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
		{"engine stopped by itself, the vehicle moves after it", func(h *hand) {
			h.stop(0.1)
			h.engine = 0
			h.run(2, nil)
			h.at += 6 * bus.Second
			h.engine, h.kmh = 1000, 20
		}, []detect.Class{detect.BusSilent}},
		{"engine stopped by itself, the vehicle stands after it", func(h *hand) {
			h.stop(0.1)
			h.engine = 0
			h.run(2, nil)
			h.at += 6 * bus.Second
			h.engine = 700
		}, nil},
		{"at a standstill, engine running", func(h *hand) { h.stop(0.1); h.at += 6 * bus.Second }, []detect.Class{detect.BusSilent}},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHand(t, detect.DefaultSettings(), handRoles...)
			h.plan.Facts.StopStart = true
			h.m = detect.New(detect.DefaultSettings(), h.plan, h.got)
			h.drive()
			c.do(h)
			h.run(8, nil)
			h.m.Flush()
			if got := h.got.classes(detect.KindBusFault); !slices.Equal(got, c.want) {
				t.Errorf("%v, expected %v", got, c.want)
			}
		})
	}
}

// A pause of asking's own choice is no silence of the bus; one because nothing can
// be sent, or because nobody answers, is, and so is what was silent before the pause
// or is so after it.
func TestPauseOfAskingIsNoSilence(t *testing.T) {
	asking := func(h *hand, code bus.NoticeCode, why bus.PauseReason) {
		f := bus.NewNotice(h.at, 0, code, int64(why))
		h.m.Notice(&f)
	}
	pause := func(why bus.PauseReason, s bus.Micros) func(*hand) {
		return func(h *hand) {
			asking(h, bus.NoticeNotAsking, why)
			h.at += s * bus.Second
			asking(h, bus.NoticeAsking, 0)
		}
	}
	silent := []detect.Class{detect.BusSilent}
	for _, c := range []struct {
		name      string
		broadcast bool // one role is not known by asking
		do        func(h *hand)
		want      []detect.Class
	}{
		{"another tester", false, pause(bus.PauseTester, 20), nil},
		{"another tester, for long", false, pause(bus.PauseTester, 600), nil},
		{"low supply", false, pause(bus.PauseSupply, 20), nil},
		{"engine off", false, pause(bus.PauseEngineOff, 20), nil},
		{"nobody answers", false, pause(bus.PauseUnheard, 20), silent},
		{"nothing can be sent", false, pause(bus.PauseTrouble, 20), silent},
		{"of a reason that is not told", false, pause(0, 20), silent},
		{"another tester, a role is broadcast", true, pause(bus.PauseTester, 20), silent},
		{"probes in it", false, func(h *hand) {
			asking(h, bus.NoticeNotAsking, bus.PauseSupply)
			for range 4 {
				h.at += 15 * bus.Second
				h.run(0.02, nil)
			}
			asking(h, bus.NoticeAsking, 0)
		}, nil},
		{"silent before it", false, func(h *hand) { h.at += 6 * bus.Second; pause(bus.PauseTester, 20)(h) }, silent},
		{"silent after it", false, func(h *hand) { pause(bus.PauseTester, 20)(h); h.at += 6 * bus.Second }, silent},
		{"from one reason to another", false, func(h *hand) {
			asking(h, bus.NoticeNotAsking, bus.PauseTester)
			h.at += 10 * bus.Second
			pause(bus.PauseSupply, 10)(h)
		}, nil},
		{"from a tester to a dead adapter", false, func(h *hand) {
			asking(h, bus.NoticeNotAsking, bus.PauseTester)
			h.at += 10 * bus.Second
			pause(bus.PauseTrouble, 10)(h)
		}, silent},
	} {
		h := newHand(t, detect.DefaultSettings(), handRoles...)
		for i := range h.plan.Messages {
			if i > 0 || !c.broadcast {
				h.plan.Messages[i].Match = stream.MatchAnswer
			}
		}
		h.m = detect.New(detect.DefaultSettings(), h.plan, h.got)
		h.drive()
		c.do(h)
		h.run(8, nil)
		h.m.Flush()
		if got := h.got.classes(detect.KindBusFault); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, expected %v", c.name, got, c.want)
		}
		if stale := h.got.of(detect.KindRoleStale); len(stale) > 0 {
			t.Errorf("%s: %v", c.name, stale)
		}
	}
}
