package elastic

import (
	"fmt"

	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/stream"
)

// Instrumented are vehicles of the set whose clutch pressure is on the bus, for
// what cannot be told without it.
func Instrumented(set drive.Set) []*Vehicle {
	if set == drive.Tuning {
		return []*Vehicle{hardtop()}
	}
	return []*Vehicle{notchback()}
}

func hardtop() *Vehicle { return gauged(coupe(), "hardtop", 50) }

func notchback() *Vehicle { return gauged(tourer(), "notchback", 20) }

// gauged is a vehicle with a message of the clutch's pressure, kPa.
func gauged(v *Vehicle, name string, periodMs int) *Vehicle {
	v.Name, v.What = name, v.What+", clutch pressure on the bus"
	v.Body.MassKg += 90
	v.Layout.Messages = append(v.Layout.Messages, drive.Message{Name: "Gauge", ID: 0x1E9, Len: 2, PeriodMs: periodMs, JitterUs: 700, LatencyUs: 1600,
		Signals: []drive.Signal{{Name: "ClutchOil", Field: le(0, 16), Scale: 0.05, Unit: "kPa", Role: stream.ClutchPressure, Noise: 0.4, MaxRaw: 0xFAFF}}})
	return v
}

// Causes returns one trip for each cause on each of the vehicles: round n of
// them. Most of its stops are sound, so that the vehicle's habit is known.
func Causes(set drive.Set, n int) []*Trip {
	var out []*Trip
	for k, v := range append(Vehicles(set), Instrumented(set)...) {
		for i, x := range []struct {
			what     string
			from, to float64
			trip     func(*writer, func() *Mishap)
		}{
			{"held", 0.9, 1.8, stops}, {"slow-oil", 6, 12, stops}, {"late-valve", 0.9, 1.8, stops},
			{"late-word", 1, 2, stops}, {"late-brake", 1, 2, stops}, {"die", 0, 0, stops}, {"one-way", 2.5, 3.5, oneWay},
			{"slip", 50, 110, pulls}, {"gearset", 1.05, 1.09, pulls}, {"freeze", 0, 0, pulls},
			{"late-close", 1, 2, stops},
		} {
			seed := seedOf(set, 40+i, k, n)
			w := newWriter(v, seed)
			w.add(Leg{Do: "start", ForS: 3})
			x.trip(w, func() *Mishap {
				m := &Mishap{What: x.what, Value: w.between(x.from, x.to), Share: w.between(0.3, 0.7)}
				switch x.what {
				case "late-close":
					m.ForS = 45
				case "die":
					m.ForS = 60
				case "slip":
					m.AtS, m.ForS = 28, 25
				case "gearset":
					m.AtS, m.ForS = 28, 12
				case "freeze":
					m.AtS, m.ForS, m.On = 12, 35, v.Layout.Shafts()
				}
				return m
			})
			w.keyOff(2, 8)
			t := w.trip("cause-"+x.what, n, seed)
			t.Name = fmt.Sprintf("cause-%s-%d/%s", x.what, n, v.Name)
			t.NoTrace = true
			out = append(out, t)
		}
	}
	return out
}

// stops are sound ones first, and then one in two with a mishap.
func stops(w *writer, mishap func() *Mishap) {
	w.sound(14)
	for range 8 {
		w.block(w.between(36, 58), w.between(14, 26), w.between(0.8, 1.7), 12, mishap())
		w.sound(1)
	}
}

// oneWay has a stator that stops holding half-way.
func oneWay(w *writer, mishap func() *Mishap) {
	w.sound(7)
	w.block(45, 20, 1.2, 8, mishap())
	w.sound(8)
}

// pulls are long pulls under load, some of them with a mishap.
func pulls(w *writer, mishap func() *Mishap) {
	kmh := 88.0
	if w.heavy {
		kmh = 66
	}
	for k := range 8 {
		w.add(Leg{Do: "go", Kmh: 0.5 * kmh, Accel: w.pull(), ForS: 22, Grade: 0.5})
		l := Leg{Do: "go", Kmh: kmh, Accel: 0.6, ForS: 65, Grade: 0.5}
		if k >= 3 {
			l.Mishap = mishap()
		}
		w.add(l)
	}
	w.add(Leg{Do: "stop", Accel: 1.2, ForS: 4})
}
