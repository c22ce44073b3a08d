package elastic

import (
	"fmt"
)

// Stops is a week of so many stops, shared out over key cycles, in which the plates
// hold on now and then: late says how likely that is at a stop, of the seconds driven
// along before it and of its deceleration in m/s².
func Stops(vehicle string, seed uint64, stops int, late func(alongS, decel float64) float64) (*Trip, error) {
	v, err := ByName(vehicle)
	if err != nil {
		return nil, err
	}
	w := newWriter(v, seed)
	w.add(Leg{Do: "start", ForS: 3})
	for k := range stops {
		if k > 0 && k%stopsOfKey == 0 {
			w.keyOff(2, 40)
		}
		along, decel := w.between(10, 60), w.between(0.7, 2.1)
		var m *Mishap
		if w.rnd.Float64() < late(along, decel) {
			m = &Mishap{What: "held", Value: w.between(0.9, 1.8), Share: w.between(0.3, 0.7)}
		}
		w.block(w.between(34, 58), along, decel, w.between(2, 8), m)
	}
	t := w.trip("stops", stops, seed)
	t.Name = fmt.Sprintf("stops-%d/%s", seed, v.Name)
	t.NoTrace = true
	return t, nil
}

// stopsOfKey is how many stops there are from key to key.
const stopsOfKey = 30
