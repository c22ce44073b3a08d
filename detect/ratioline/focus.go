package ratioline

import "math"

// Engine over road speed is counted in bins of a fixed share, once for each delay
// that the road speed may have against the engine speed. With the right delay the
// lines are sharpest: the entropy of the counts is least there (minimum entropy as
// a measure of focus: Wiggins, Geoexploration 16, 1978).
type focus struct {
	bins [delays][ratioBins]float32
	n    [delays]float64
}

const (
	// delays and delayStep are the delays tried: from delayFirst on, in s.
	delays     = 16
	delayStep  = 0.1
	delayFirst = -0.3
	// Ratios from ratioLow rpm per km/h on, by binShare each: an articulated
	// lorry in top gear has 14, a small car in first 180 (cp).
	ratioLow  = 8.0
	binShare  = 0.0025
	ratioBins = 1400
)

func delayAt(i int) float64 { return delayFirst + float64(delayStep*float64(i)) }

// scale are the edges of the bins. They are multiplied up and not computed by a
// logarithm, so that all machines count alike.
type scale [ratioBins + 1]float64

func newScale() *scale {
	s := &scale{ratioLow}
	for i := 1; i < len(s); i++ {
		s[i] = s[i-1] * (1 + binShare)
	}
	return s
}

// bin returns where a ratio is counted.
func (s *scale) bin(ratio float64) (int, bool) {
	if !(ratio >= s[0] && ratio < s[ratioBins]) {
		return 0, false
	}
	lo, hi := 0, ratioBins
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; ratio < s[mid] {
			hi = mid
		} else {
			lo = mid
		}
	}
	return lo, true
}

// ratio is the ratio at a place between bins.
func (s *scale) ratio(place float64) float64 {
	i := min(max(int(place), 0), ratioBins-1)
	return s[i] + float64((place-float64(i))*(s[i+1]-s[i]))
}

// count adds one pair of speeds taken with the delay of that number.
func (f *focus) count(delay, bin int, weight float64) {
	f.bins[delay][bin] += float32(weight)
	f.n[delay] += weight
}

// coarse is how many bins the entropy takes together: 2 %.
const coarse = 8

// entropy is that of the counts at a delay, in nats.
func (f *focus) entropy(delay int) float64 {
	n := f.n[delay]
	if n == 0 {
		return 0
	}
	h := 0.0
	for i := 0; i < ratioBins; i += coarse {
		sum := 0.0
		for _, c := range f.bins[delay][i:min(i+coarse, ratioBins)] {
			sum += float64(c)
		}
		if p := sum / n; p > 0 {
			h -= float64(p * math.Log(p))
		}
	}
	return h
}

const (
	// delayCount is how many seconds of driving a delay must rest on.
	delayCount = 90.0
	// delayClear is how far, in nats, the entropy must rise towards both ends
	// for the least to be one.
	delayClear = 0.05
)

// sharpest returns the delay in s at which the lines are sharpest, and the number
// of the nearest one tried; not ok where no delay stands out.
func (f *focus) sharpest() (delay float64, index int, ok bool) {
	var h [delays]float64
	for i := range h {
		if f.n[i] < delayCount {
			return 0, 0, false
		}
		if h[i] = f.entropy(i); h[i] < h[index] {
			index = i
		}
	}
	left, right := h[0], h[delays-1]
	if index == 0 || index == delays-1 || min(left, right)-h[index] < delayClear {
		return 0, index, false
	}
	// The bottom of the parabola through three.
	a, b, c := h[index-1], h[index], h[index+1]
	off := 0.0
	if curve := a - 2*b + c; curve > 0 {
		off = min(max((a-c)/(2*curve), -0.5), 0.5)
	}
	return round(delayAt(index)+float64(delayStep*off), 0.001), index, true
}

// round rounds to a multiple of a step (0.1, 0.001 …), so that all machines go on
// with the same digits.
func round(v, step float64) float64 {
	n := math.Round(1 / step)
	return math.Round(float64(v*n)) / n
}
