package elastic

import (
	"fmt"
	"math/rand/v2"

	"joltwatch/cmd/develop/joltsim/drive"
)

// writer writes the legs of a trip.
type writer struct {
	rnd   *rand.Rand
	v     *Vehicle
	legs  []Leg
	heavy bool
}

func (w *writer) add(l Leg) { w.legs = append(w.legs, l) }

func (w *writer) between(lo, hi float64) float64 { return lo + (hi-lo)*w.rnd.Float64() }

func (w *writer) pull() float64 {
	if w.heavy {
		return w.between(0.35, 0.6)
	}
	return w.between(0.7, 1.7)
}

// block drives to a speed, along it, and to a stop.
func (w *writer) block(kmh, alongS, decel, waitS float64, m *Mishap) {
	w.add(Leg{Do: "go", Kmh: kmh, Accel: w.pull(), ForS: alongS, Grade: w.between(-1.2, 1.5)})
	w.add(Leg{Do: "stop", Accel: decel, ForS: waitS, Mishap: m})
}

// town is some blocks of a town, with what drivers do between.
func (w *writer) town(n int) float64 {
	s := 0.0
	for range n {
		kmh := w.between(28, 58)
		along := w.between(12, 45)
		switch w.rnd.IntN(6) {
		case 0: // rolls up without brakes
			w.add(Leg{Do: "go", Kmh: kmh, Accel: w.pull(), ForS: along})
			w.add(Leg{Do: "coast", Kmh: 20, ForS: w.between(4, 14)})
			w.add(Leg{Do: "stop", Accel: w.between(0.6, 1.3), ForS: w.between(1, 12)})
		case 1: // slows and goes on
			w.add(Leg{Do: "go", Kmh: kmh, Accel: w.pull(), ForS: along})
			w.add(Leg{Do: "go", Kmh: w.between(12, 26), Accel: w.between(0.8, 2), ForS: w.between(3, 9)})
			w.block(kmh, along, w.between(0.7, 2.4), w.between(1, 12), nil)
			s += along
		default:
			w.block(kmh, along, w.between(0.7, 2.4), w.between(1, 12), nil)
		}
		s += along + 22
	}
	return s
}

func (w *writer) country() float64 {
	s := 0.0
	for range 2 + w.rnd.IntN(3) {
		d := w.between(25, 90)
		w.add(Leg{Do: "go", Kmh: w.between(58, 95), Accel: w.pull(), ForS: d, Grade: w.between(-3, 3)})
		s += d
	}
	w.add(Leg{Do: "coast", Kmh: 45, ForS: w.between(4, 15)})
	w.add(Leg{Do: "stop", Accel: w.between(0.8, 2), ForS: w.between(1, 8)})
	return s + 35
}

func (w *writer) motorway() float64 {
	s := 0.0
	top := 118.0
	if w.heavy {
		top = 84
	}
	for range 3 + w.rnd.IntN(3) {
		d := w.between(30, 100)
		w.add(Leg{Do: "go", Kmh: top - w.between(0, 22), Accel: w.pull() / 2, ForS: d, Grade: w.between(-2, 2.6)})
		s += d
	}
	w.add(Leg{Do: "go", Kmh: 50, Accel: 1.1, ForS: 20})
	w.add(Leg{Do: "stop", Accel: w.between(0.9, 1.6), ForS: 4})
	return s + 50
}

// odd is what happens now and then.
func (w *writer) odd() float64 {
	switch w.rnd.IntN(5) {
	case 0:
		w.add(Leg{Do: "go", Kmh: 45, Accel: w.pull(), ForS: 20})
		w.add(Leg{Do: "roll", ForS: w.between(3, 8)})
		w.add(Leg{Do: "stop", Accel: 1.2, ForS: 3})
		return 45
	case 1:
		w.add(Leg{Do: "stop", Accel: 1, ForS: 2})
		w.add(Leg{Do: "back", ForS: w.between(4, 8)})
		return 15
	case 2: // parks, turns the key, and goes on
		w.keyOff(w.between(1, 6), w.between(8, 60))
		return 30
	case 3:
		w.add(Leg{Do: "go", Kmh: 40, Accel: w.pull(), ForS: 12})
		w.add(Leg{Do: "kick", Kmh: w.between(60, 95), ForS: w.between(4, 8)})
		w.block(60, 12, w.between(2.5, 4.2), 3, nil)
		return 50
	}
	w.add(Leg{Do: "go", Kmh: w.between(4, 9), Accel: 0.5, ForS: w.between(10, 40)})
	w.add(Leg{Do: "stop", Accel: 0.8, ForS: 4})
	return 40
}

func (w *writer) keyOff(parkedS, offS float64) {
	w.add(Leg{Do: "stop", Accel: 1.2, ForS: 1})
	w.add(Leg{Do: "park", ForS: parkedS})
	w.add(Leg{Do: "off", ForS: offS})
	w.add(Leg{Do: "start", ForS: 3})
}

func seedOf(set drive.Set, kind, vehicle, n int) uint64 {
	return uint64(set+1)<<52 + uint64(kind+1)<<40 + uint64(vehicle+1)<<32 + uint64(n)*104729
}

func newWriter(v *Vehicle, seed uint64) *writer {
	return &writer{rnd: rand.New(rand.NewPCG(seed, 21)), v: v, heavy: v.Body.MassKg > 8000}
}

func (w *writer) trip(kind string, n int, seed uint64) *Trip {
	return &Trip{Name: fmt.Sprintf("%s-%d/%s", kind, n, w.v.Name), Vehicle: w.v.Name, Kind: kind, Seed: seed, StartC: w.between(35, 85), Legs: w.legs}
}

// Normal returns the nth drive of the vehicle in which nothing is wrong, of
// about so many seconds.
func Normal(set drive.Set, vehicle, n int, seconds float64) *Trip {
	v := Vehicles(set)[vehicle]
	seed := seedOf(set, 0, vehicle, n)
	w := newWriter(v, seed)
	w.add(Leg{Do: "start", ForS: w.between(2, 8)})
	for s := 0.0; s < seconds; {
		switch k := w.rnd.IntN(10); {
		case k < 5:
			s += w.town(2 + w.rnd.IntN(4))
		case k < 7:
			s += w.country()
		case k < 8:
			s += w.motorway()
		default:
			s += w.odd()
		}
	}
	w.keyOff(2, 8)
	t := w.trip("normal", n, seed)
	t.Normal = true
	if n%5 == 3 {
		t.StartC = w.between(4, 30)
	}
	return t
}

// Faulted returns trips of the vehicle with mishaps of every kind: round n of
// them; each round draws its own.
func Faulted(set drive.Set, vehicle, n int) []*Trip {
	v := Vehicles(set)[vehicle]
	var out []*Trip
	for k, x := range []struct {
		kind string
		make func(*writer) []Mishap
	}{
		{"late", late}, {"dragging", dragging}, {"stall", stalling}, {"keys", keys},
		{"slipping", slipping}, {"wearing", wearing}, {"climb", climb}, {"pushes", pushes}, {"signals", signals}, {"cold", cold},
	} {
		seed := seedOf(set, k+1, vehicle, n)
		w := newWriter(v, seed)
		w.add(Leg{Do: "start", ForS: 3})
		mishaps := x.make(w)
		w.keyOff(2, 8)
		t := w.trip(x.kind, n, seed)
		t.Mishaps = mishaps
		switch x.kind {
		case "wearing":
			t.SlipPerDay, t.NoTrace = wearPerDay, true // nights are long
		case "climb", "keys":
			t.Normal = true
		case "cold":
			t.StartC = w.between(18, 32)
		}
		out = append(out, t)
	}
	return out
}

// sound is a block in which nothing happens: every vehicle is known before it
// is judged, and most stops of a bad one are good.
func (w *writer) sound(n int) {
	for range n {
		w.block(w.between(32, 56), w.between(14, 30), w.between(0.8, 2), w.between(3, 8), nil)
	}
}

// late holds the clutch for less than the stop takes.
func late(w *writer) []Mishap {
	w.sound(8)
	for _, s := range []float64{0.3, 0.5, 0.8, 1.0, 1.2, 0.9, 1.5, 0.76, 2, 1.1} {
		what := "held"
		if w.rnd.IntN(6) == 0 {
			what = "late-word"
		}
		w.block(w.between(36, 60), w.between(14, 26), w.between(0.6, 1.5), w.between(4, 8),
			&Mishap{What: what, Value: s * w.between(0.93, 1.07), Share: w.between(0.3, 0.7)})
		w.sound(w.rnd.IntN(2))
	}
	return nil
}

// dragging holds it through shifts, until the engine is drawn under idle.
func dragging(w *writer) []Mishap {
	w.sound(8)
	for k := range 8 {
		m := &Mishap{What: "drawn", Value: w.between(0.55, 0.75), Share: w.between(0.5, 0.9)}
		if k%3 == 2 {
			// From a higher gear on, rolling: through one shift or two.
			m.What, m.Value = "held", w.between(6, 20)
			w.add(Leg{Do: "go", Kmh: w.between(50, 75), Accel: w.pull(), ForS: 16})
			w.add(Leg{Do: "coast", Kmh: 3, ForS: m.Value + 10, Grade: -1, Mishap: m})
			w.add(Leg{Do: "stop", Accel: 0.9, ForS: 5})
			continue
		}
		w.block(w.between(36, 58), w.between(14, 26), w.between(0.7, 1.8), w.between(4, 8), m)
		w.sound(w.rnd.IntN(2))
	}
	return nil
}

// stalling kills the engine at stops, with the clutch holding and without.
func stalling(w *writer) []Mishap {
	w.sound(8)
	for k := range 8 {
		m := &Mishap{What: "held", Value: 12, Share: w.between(0.7, 1)}
		if k%2 == 1 {
			m = &Mishap{What: "die", ForS: 60}
		}
		w.block(w.between(36, 58), w.between(14, 24), w.between(1.2, 2.6), 12, m)
		w.sound(1)
	}
	return nil
}

// keys is every way of turning a key, none of them a stall.
func keys(w *writer) []Mishap {
	for k := range 9 {
		w.sound(2)
		switch k % 3 {
		case 0:
			w.keyOff(w.between(0.5, 8), w.between(8, 60))
		case 1:
			w.add(Leg{Do: "kill", ForS: 12})
			w.add(Leg{Do: "start", ForS: 3})
		case 2:
			w.legs[len(w.legs)-1].Mishap = &Mishap{What: "silent-key", ForS: 60}
			w.keyOff(w.between(0.5, 4), w.between(300, 900))
		}
	}
	return nil
}

// slipping has a clutch that cannot carry the torque.
func slipping(w *writer) []Mishap {
	w.sound(3)
	kmh := 85.0
	if w.heavy {
		kmh = 66
	}
	for _, rpm := range []float64{30, 60, 110} {
		w.add(Leg{Do: "go", Kmh: kmh, Accel: w.pull(), ForS: 50, Grade: 0.6})
		w.add(Leg{Do: "go", Kmh: kmh, Accel: 0.4, ForS: 45, Grade: 0.6, Mishap: &Mishap{What: "slip", ForS: 38, Value: rpm, AtS: 3}})
		w.add(Leg{Do: "go", Kmh: kmh, Accel: 0.4, ForS: 20})
		w.add(Leg{Do: "stop", Accel: 1.2, ForS: 4})
	}
	return nil
}

// wearPerDay is by how much slip grows in the wearing trips, rpm a day.
const wearPerDay = 8

// wearing is six days of a drive each, in which the closed clutch slips a
// little more every day.
func wearing(w *writer) []Mishap {
	kmh := 80.0
	if w.heavy {
		kmh = 62
	}
	for day := range 6 {
		w.sound(1)
		for range 2 {
			leg := Leg{Do: "go", Kmh: kmh, Accel: 0.5, ForS: 75, Grade: 0.5}
			if day > 0 {
				leg.Mishap = &Mishap{What: "slip", AtS: 20, ForS: 50, Value: wearPerDay * float64(day)}
			}
			w.add(leg)
			w.add(Leg{Do: "stop", Accel: 1.1, ForS: 4})
		}
		if day < 5 {
			w.keyOff(2, 86400-300)
		}
	}
	return nil
}

// climb asks for slip on grades in top gear.
func climb(w *writer) []Mishap {
	w.sound(2)
	kmh, least, most := 95.0, 5.0, 7.5 // two thirds of the torque and more
	if w.heavy {
		kmh, least, most = 72, 2.5, 4
	}
	for range 4 {
		w.add(Leg{Do: "go", Kmh: kmh, Accel: 0.8, ForS: 45})
		w.add(Leg{Do: "go", Kmh: kmh, Accel: 0.4, ForS: w.between(18, 40), Grade: w.between(least, most)})
		w.add(Leg{Do: "go", Kmh: kmh, Accel: 0.4, ForS: 30})
	}
	w.add(Leg{Do: "stop", Accel: 1.2, ForS: 4})
	return nil
}

// pushes are jolts of the body at steady speed.
func pushes(w *writer) []Mishap {
	w.sound(3)
	for range 6 {
		push := w.between(2.6, 4.5)
		if w.rnd.IntN(2) == 0 {
			push = -push
		}
		w.add(Leg{Do: "go", Kmh: w.between(35, 70), Accel: w.pull(), ForS: 30, Mishap: &Mishap{What: "push", AtS: 24, Value: push}})
	}
	w.add(Leg{Do: "stop", Accel: 1.2, ForS: 4})
	return nil
}

// signals is trouble on the bus while the car is driven in a town.
func signals(w *writer) []Mishap {
	w.sound(16)
	m := w.v.Layout.Messages
	return []Mishap{
		{What: "dropout", AtS: 60, ForS: 4, On: m[0].Name},
		{What: "dropout", AtS: 110, ForS: 15, On: m[1].Name},
		{What: "quiet", AtS: 165, ForS: 8},
		{What: "flood", AtS: 220, ForS: 12, Value: 900},
		{What: "clock", AtS: 270, Value: 3600},
		{What: "missing", AtS: 320, ForS: 15, On: m[0].Name},
		{What: "clock", AtS: 370, Value: -40},
		{What: "dropout", AtS: 420, ForS: 25, On: m[0].Name},
	}
}

// cold has oil that leaves slowly at first, and slowest in one release of
// three.
func cold(w *writer) []Mishap {
	for k := range 12 {
		var m *Mishap
		if k%3 == 2 {
			m = &Mishap{What: "slow-oil", Value: w.between(4, 9)}
		}
		w.block(w.between(34, 56), w.between(14, 26), w.between(0.7, 1.6), w.between(3, 6), m)
	}
	return nil
}
