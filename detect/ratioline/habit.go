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
	// What compare last worked out.
	limit float64
	list  [habitSize]float64
	late  [habitSize]float64
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

// compare says by how much later than usual, in s, a stop's line was left: the way
// from the usual turbine speed down to the last at which the clutch was certainly
// closed, and to the first at which it was open, at the rate at which it fell.
// The middle and the deviation are medians, which a few late ones do not move.
func (h *habit) compare(s *Stop, turbine, rate, ratio float64) {
	all := h.of[:min(h.n, habitSize)]
	n := 0
	for pass := 0; pass < 2 && n < habitLeast; pass++ { // of this gear, else of all
		n = 0
		for _, r := range all {
			if pass == 1 || math.Abs(r.Ratio/ratio-1) < 0.03 {
				h.list[n] = r.Turbine
				h.late[n] = r.Fall
				n++
			}
		}
	}
	if n < habitLeast || rate < slowest {
		return
	}
	var falls [habitSize]float64
	copy(falls[:n], h.late[:n])
	copy(h.late[:n], h.list[:n]) // by turbine speed, in the order of falls
	usual := median(h.list[:n])
	for i := range n {
		h.late[i] = (usual - h.late[i]) / falls[i]
	}
	copy(h.list[:n], h.late[:n])
	middle := median(h.list[:n])
	for i := range n {
		h.list[i] = math.Abs(h.late[i] - middle)
	}
	spread := 1.4826 * median(h.list[:n])
	h.limit = max(lateLeast, float64(lateSpread*spread))
	s.LateMin = (usual-turbine)/rate - middle
	s.LateMax = (usual-s.TurbineMin)/rate - middle
	s.Count = n
	for _, l := range h.late[:n] {
		if l-middle < (s.LateMin+s.LateMax)/2 {
			s.Share += 1 / float64(n)
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
