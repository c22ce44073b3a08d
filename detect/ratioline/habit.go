package ratioline

import (
	"math"
	"slices"
)

// recent are the latest of what came.
type recent[T any] struct {
	of [recentSize]T
	n  int // ever
}

const recentSize = 64

func (l *recent[T]) add(x T) {
	l.of[l.n%recentSize] = x
	l.n++
}

// all are those that are kept, in any order.
func (l *recent[T]) all() []T { return l.of[:min(l.n, recentSize)] }

// inOrder are the same, the oldest first.
func (l *recent[T]) inOrder() (list []T) {
	for i := max(0, l.n-recentSize); i < l.n; i++ {
		list = append(list, l.of[i%recentSize])
	}
	return list
}

const (
	// habitLeast is how many releases a habit must rest on.
	habitLeast = 8
	// A release is late against habit from lateLeast s, or lateSpread times the
	// usual deviation, beyond the middle, and lateBeyond times as late as all but one in
	// lateFew before: many a vehicle lets go early in most stops and late in a few.
	lateLeast  = 0.5
	lateSpread = 4.0
	lateFew    = 32
	lateBeyond = 1.25
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
	// Late says that it was told as late.
	Late bool `json:"late,omitempty"`
}

// habit is at which turbine speed this vehicle lets go.
type habit struct {
	recent[Release]
	// What was last worked out of some of them.
	count                             int
	ratios, speeds, falls, late, list [recentSize]float64
	told                              [recentSize]bool
}

func (h *habit) add(r Release) {
	if r.Fall < slowest {
		return
	}
	h.recent.add(r)
}

// usualStep is the middle of the steps, 0 where there are too few.
func (h *habit) usualStep() float64 {
	all := h.all()
	if len(all) < habitLeast {
		return 0
	}
	for i, r := range all {
		h.list[i] = r.Step
	}
	return median(h.list[:len(all)])
}

// usual works out at which turbine speed in rpm this vehicle lets go on a line, and
// by how much later in s than at that its releases came in the middle; it leaves
// those in h.late. The middle and the deviation are medians, which a few late ones
// do not move. Those of other gears say something of this one where they agree.
func (h *habit) usual(ratio float64) (turbine, middle float64, ok bool) {
	if turbine, middle, ok = h.usualWithin(ratio, sameGear); ok {
		return turbine, middle, ok
	}
	turbine, middle, ok = h.usualWithin(ratio, math.Inf(1))
	return turbine, middle, ok && h.agree(middle)
}

// sameGear is how far two ratios of one gear may be apart, as a share.
const sameGear = 0.03

// usualWithin is usual by the releases whose ratio is within a share of one alone.
func (h *habit) usualWithin(ratio, within float64) (turbine, middle float64, ok bool) {
	n := 0
	for _, r := range h.all() {
		if math.Abs(r.Ratio/ratio-1) < within {
			h.ratios[n], h.speeds[n], h.falls[n], h.told[n] = r.Ratio, r.Turbine, r.Fall, r.Late
			n++
		}
	}
	return h.middle(n)
}

// agree reports whether the releases of each gear come at the usual time of all: many
// a vehicle lets go in each gear at a speed of its own.
func (h *habit) agree(middle float64) bool {
	gears := 0
	for i := range h.count {
		n, first := 0, true
		for j := range h.count {
			if math.Abs(h.ratios[j]/h.ratios[i]-1) < sameGear {
				first = first && j >= i
				h.list[n] = h.late[j]
				n++
			}
		}
		if !first || n < agreeLeast {
			continue
		}
		gears++
		if math.Abs(median(h.list[:n])-middle) > agreeWithin {
			return false
		}
	}
	return gears >= agreeLeast
}

const (
	// agreeLeast is how many gears must agree, each in as many releases at the least,
	// to within agreeWithin s.
	agreeLeast  = 2
	agreeWithin = lateLeast / 2
)

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
	s.limit = max(lateLeast, float64(lateSpread*h.spread(middle)), lateBeyond*(h.latest()-middle))
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

// latest is how late a release was that was not told: all but one in lateFew were less.
func (h *habit) latest() float64 {
	n := 0
	for i, l := range h.late[:h.count] {
		if !h.told[i] {
			h.list[n] = l
			n++
		}
	}
	if n == 0 {
		return 0
	}
	slices.Sort(h.list[:n])
	return h.list[n-1-n/lateFew]
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
