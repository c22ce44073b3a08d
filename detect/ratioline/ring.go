package ratioline

import "joltwatch/bus"

// sample is one value as it came.
type sample struct {
	at    bus.Micros
	value float32
	kind  uint8
}

const (
	kindEngine uint8 = iota
	kindRoad
	kindPedal
)

const (
	// ringSize samples are kept until the lines are known: at 45 a second
	// 12 min, at 7 a second over an hour.
	ringSize = 32768
	// lookAhead is how far beyond an engine speed the road speed must have been
	// heard: the greatest delay, and the time to a change of its value.
	lookAhead = 3 * bus.Second
	// pitch is the least time between two engine speeds that are used.
	pitch = 45_000 * bus.Micros(1)
)

// ring keeps the latest samples.
type ring struct {
	of  [ringSize]sample
	end int // counting all ever added
}

func (r *ring) at(i int) *sample   { return &r.of[i%ringSize] }
func (r *ring) newest() bus.Micros { return r.at(r.end - 1).at }

func (r *ring) add(s sample) {
	*r.at(r.end) = s
	r.end++
}

// reader goes through a ring in order of the engine's samples, with the road speed
// heard up to lookAhead beyond each.
type reader struct {
	next, heard int
	last        bus.Micros // of the engine's samples handed out
	road        road
	press       float64
	rest        float64
	pressed     int // samples of the pedal
}

// engine returns the next of the engine's samples that is no later than to.
func (r *reader) engine(in *ring, to bus.Micros) (sample, bool) {
	r.next = max(r.next, in.end-ringSize)
	r.heard = max(r.heard, r.next)
	for r.next < in.end {
		s := *in.at(r.next)
		if s.at > to {
			break
		}
		r.next++
		if s.kind == kindPedal {
			r.pedalAt(float64(s.value))
		}
		if s.kind != kindEngine || r.last > 0 && s.at-r.last < pitch {
			continue
		}
		r.last = s.at
		for ; r.heard < in.end && in.at(r.heard).at <= s.at+lookAhead; r.heard++ {
			if x := in.at(r.heard); x.kind == kindRoad {
				r.road.add(x.at, float64(x.value))
			}
		}
		return s, true
	}
	return sample{}, false
}

// pedalRest is how far above its rest a pedal is pressed, in percent.
const pedalRest = 2.0

// pedalAt takes a value of the pedal. Many do not rest at 0: the least value is
// followed down at once, and up by a percent in some thousand samples.
func (r *reader) pedalAt(percent float64) {
	if r.pressed == 0 || percent < r.rest {
		r.rest = percent
	}
	r.press = percent
	r.pressed++
}

func (r *reader) pedal() Pedal {
	switch {
	case r.pressed == 0:
		return PedalUnknown
	case r.press <= r.rest+pedalRest:
		return PedalOff
	}
	return PedalOn
}
