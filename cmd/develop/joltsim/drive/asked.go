package drive

import "joltwatch/stream"

// Asked is the layout of a car that shows nothing and is asked by the standard's
// parameters (SAE J1979) at the rates that the program reaches with a controller
// that answers after 10 to 40 ms: both speeds in one answer, 17 times a second while
// the car slows or climbs under load, 5 times otherwise; the pedal twice, and a third
// as often where the speeds have the budget.
func Asked(truncated bool) Layout {
	// Unused bytes hold 0D: behind the engine speed's two bytes stands the
	// parameter of the road speed.
	answer := func(name string, fixed []byte, s ...Signal) Message {
		return Message{Name: name, ID: 0x7E8, Len: 8, PeriodMs: 200, LatencyUs: 10_000, JitterUs: 30_000, Fill: 0x0D, Fixed: fixed, Signals: s}
	}
	return Layout{Buses: []string{"can0"}, Bitrate: []int{500000}, Offset: []int64{0}, DriftPPM: []float64{0},
		Polled: true, PollHz: 5, WatchHz: 17, Messages: []Message{
			answer("Speeds", []byte{6, 0x41, 0x0C},
				Signal{Name: "EngineSpeed", Field: Field{31, 16, true}, Scale: 0.25, Unit: "rpm", Role: stream.EngineSpeed, Noise: 1},
				Signal{Name: "VehicleSpeed", Field: Field{48, 8, false}, Scale: 1, Unit: "km/h", Role: stream.VehicleSpeed, Truncated: truncated}),
			answer("Pedal", []byte{3, 0x41, 0x49},
				Signal{Name: "Accelerator", Field: Field{24, 8, false}, Scale: 100.0 / 255, Unit: "%", Role: stream.Accelerator}),
		}}
}

// asker asks for the messages of a layout that is Asked.
type asker struct {
	due     int64 // when the next request may go, ms
	pedal   int64 // when the pedal is next asked for
	watched int64 // until when the speeds have the budget
	slowed  [20]float64
	n       int
	sampled int64
}

const (
	askWatchOn = 4000 // ms
	// askSlowing is the fall of the road speed within 2 s from which it slows, in
	// km/h; a climb is askLoad of pedal in % above askClimb km/h.
	askSlowing = 2.0
	askLoad    = 50.0
	askClimb   = 15.0
)

func (a *asker) tick(e *encoder, ms int64, w Source) {
	if ms >= a.sampled {
		a.sampled = ms + 100
		kmh := float64(int64(abs(w.RoadKmh())))
		pedal, _ := w.Value(stream.Accelerator)
		a.slowed[a.n] = kmh
		a.n = (a.n + 1) % len(a.slowed)
		for _, v := range a.slowed {
			if v-kmh >= askSlowing || pedal >= askLoad && kmh >= askClimb {
				a.watched = ms + askWatchOn
			}
		}
	}
	if ms < a.due {
		return
	}
	hz, pedalMs := e.layout.PollHz, int64(500)
	if ms < a.watched {
		hz, pedalMs = e.layout.WatchHz, 1500
	}
	s := &e.msgs[0]
	if ms >= a.pedal {
		a.pedal = ms + pedalMs
		s = &e.msgs[1]
		hz = e.layout.WatchHz // the speeds come right after it
	}
	a.due = ms + int64(1000/hz+mul(4, e.rnd.unit()))
	e.send(s, ms, w)
}
