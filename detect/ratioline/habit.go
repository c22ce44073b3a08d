package ratioline

import (
	"math"
	"slices"
)

const (
	habitSize = 64
	// habitLeast is how many releases a habit must rest on.
	habitLeast = 8
	// A release is late against habit from lateLeast s, or lateSpread times the
	// usual deviation, beyond the middle.
	lateLeast  = 0.5
	lateSpread = 4.0
	// slowest is the least fall of the turbine, in rpm/s, that turns speeds
	// into times.
	slowest = 60.0
)

// Release is one release that was seen.
type Release struct {
	// Ratio is that of the line, Turbine the turbine speed in rpm at which it
	// was left, Fall how fast that fell, in rpm/s.
	Ratio   float64 `json:"rpm_per_kmh"`
	Turbine float64 `json:"turbine_rpm"`
	Fall    float64 `json:"fall_rpm_s"`
	// Step is how far, in rpm, the slip then went off what it had been.
	Step float64 `json:"step_rpm"`
}

// habit is at which turbine speed this vehicle lets go.
type habit struct {
	of [habitSize]Release
	n  int // ever
	// What was last worked out of some of them.
	count                     int
	speeds, falls, late, list [habitSize]float64
}

func (h *habit) add(r Release) {
	if r.Fall < slowest {
		return
	}
	h.of[h.n%habitSize] = r
	h.n++
}

// usualStep is the middle of the steps, 0 where there are too few.
func (h *habit) usualStep() float64 {
	n := min(h.n, habitSize)
	if n < habitLeast {
		return 0
	}
	for i, r := range h.of[:n] {
		h.list[i] = r.Step
	}
	return median(h.list[:n])
}

// usual works out at which turbine speed in rpm this vehicle lets go on a line, and
// by how much later in s than at that its releases came in the middle; it leaves
// those in h.late. The middle and the deviation are medians, which a few late ones
// do not move.
func (h *habit) usual(ratio float64) (turbine, middle float64, ok bool) {
	n := 0
	for pass := 0; pass < 2 && n < habitLeast; pass++ { // of this gear, else of all
		n = 0
		for _, r := range h.of[:min(h.n, habitSize)] {
			if pass == 1 || math.Abs(r.Ratio/ratio-1) < 0.03 {
				h.speeds[n], h.falls[n] = r.Turbine, r.Fall
				n++
			}
		}
	}
	return h.middle(n)
}

// middle returns the middle of n speeds, and that of the times that lie between it
// and each at the rate at which they fell.
func (h *habit) middle(n int) (speed, middle float64, ok bool) {
	if h.count = n; n < habitLeast {
		return 0, 0, false
	}
	copy(h.list[:n], h.speeds[:n])
	speed = median(h.list[:n])
	for i := range n {
		h.late[i] = (speed - h.speeds[i]) / h.falls[i]
	}
	copy(h.list[:n], h.late[:n])
	return speed, median(h.list[:n]), true
}

// compare says by how much later than usual, in s, a stop's line was left: the way
// from the usual speed down to the last at which the clutch was certainly closed, at
// kmh, and to the first at which it was open, at the rate at which it fell, in rpm/s.
func (h *habit) compare(s *Stop, kmh, rate, ratio float64) {
	usual, middle, ok := h.usual(ratio)
	if !ok || rate < slowest {
		return
	}
	s.limit = max(lateLeast, float64(lateSpread*h.spread(middle)))
	s.LateMin = (usual-float64(ratio*kmh))/rate - middle
	s.LateMax = (usual-s.TurbineMin)/rate - middle
	h.share(s, middle)
}

// spread is the usual deviation of the lateness.
func (h *habit) spread(middle float64) float64 {
	for i, l := range h.late[:h.count] {
		h.list[i] = math.Abs(l - middle)
	}
	return 1.4826 * median(h.list[:h.count])
}

// share notes what share of the releases were less late than a stop's.
func (h *habit) share(s *Stop, middle float64) {
	s.Count, s.Share = h.count, 0
	for _, l := range h.late[:h.count] {
		if l-middle < (s.LateMin+s.LateMax)/2 {
			s.Share += 1 / float64(h.count)
		}
	}
}

// median sorts v and returns its middle.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return (v[n/2-1] + v[n/2]) / 2
}
