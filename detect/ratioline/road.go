package ratioline

import (
	"math"

	"joltwatch/bus"
)

// road makes a continuous road speed of one that comes in steps. Where the value
// changes, the speed crossed the level between the two values in the time between
// the two samples: the middle of both is a knot. Between knots the speed is taken
// to run straight, which is what a level-crossing sampler is read back with (Mark
// and Todd, IEEE Trans. Communications 29(1), 1981).
type road struct {
	knots [roadKnots]knot
	end   int // counting all ever added
	from  int // the first of the present stretch

	last, same bus.Micros // first and last sample at the present value
	value      float64
	has        bool
	step       float64 // the smallest change seen, km/h
}

const (
	// roadKnots is a power of two, so that the index is cheap: at 20 changes a
	// second it holds 12 s.
	roadKnots = 256
	// roadGap is the longest time between two samples that are of one stretch.
	roadGap = 2500 * bus.Second / 1000
	// knotFar is the longest way between two knots over which a straight line
	// says more than the value itself.
	knotFar = 3 * bus.Second
)

type knot struct {
	at   bus.Micros
	half bus.Micros // how far off the instant may be
	kmh  float64
}

// closeKnots is how near two knots must be for the speed between them to be known
// better than to the step.
const closeKnots = 1200 * bus.Second / 1000

func (r *road) knot(i int) *knot { return &r.knots[i&(roadKnots-1)] }

// add takes the next sample, in km/h.
func (r *road) add(at bus.Micros, kmh float64) {
	if !r.has || at < r.same || at-r.same > roadGap {
		r.from = r.end
		r.last, r.same, r.value, r.has = at, at, kmh, true
		return
	}
	if kmh == r.value {
		// Far from a change the value's own middle is the best there is.
		if at-r.last > knotFar && r.same-r.last > knotFar/2 {
			r.push(r.same, 0, r.value)
			r.last = r.same
		}
		r.same = at
		return
	}
	if d := math.Abs(kmh - r.value); r.step == 0 || d < r.step {
		r.step = d
	}
	r.push(r.same+(at-r.same)/2, (at-r.same)/2, (kmh+r.value)/2)
	r.last, r.same, r.value = at, at, kmh
}

func (r *road) push(at, half bus.Micros, kmh float64) {
	*r.knot(r.end) = knot{at, half, kmh}
	r.end++
	r.from = max(r.from, r.end-roadKnots)
}

// off is how far the speed at an instant may be off, as a share of a step: the level
// was crossed at some instant between two samples.
func (r *road) off(t bus.Micros) float64 {
	i := r.end
	for i > r.from && r.knot(i-1).at > t {
		i--
	}
	if i == r.end || i == r.from {
		return stepShare
	}
	a, b := r.knot(i-1), r.knot(i)
	if b.at-a.at > closeKnots || r.step == 0 {
		return stepShare
	}
	rate := math.Abs(b.kmh-a.kmh) / (b.at - a.at).Seconds() / r.step
	return min(stepShare, knotShare+float64(rate*max(a.half, b.half).Seconds()))
}

// knotShare is how far the speed between two near knots strays from a straight line.
const knotShare = 0.15

// at returns the speed at an instant in km/h, how it changes in km/h/s, and
// whether both are known. The caller waits until samples reach settle beyond it.
func (r *road) at(t bus.Micros) (kmh, rate float64, ok bool) {
	if !r.has || t > r.same {
		return 0, 0, false
	}
	i := r.end
	for i > r.from && r.knot(i-1).at > t {
		i--
	}
	switch {
	case i == r.end && i > r.from: // after the last change
		k := r.knot(i - 1)
		if r.same <= k.at {
			return k.kmh, 0, true
		}
		// It runs into the value's middle.
		share := min(1, float64(t-k.at)/float64(settle))
		return k.kmh + float64(share*(r.value-k.kmh)), 0, true
	case i == r.from: // before the first one
		return 0, 0, false
	}
	a, b := r.knot(i-1), r.knot(i)
	if b.at <= a.at {
		return b.kmh, 0, true
	}
	rate = (b.kmh - a.kmh) / (b.at - a.at).Seconds()
	return a.kmh + float64(rate*(t-a.at).Seconds()), rate, true
}

// settle is how long after an instant the road speed must have been heard before
// the speed at it is told.
const settle = 1500 * bus.Second / 1000
