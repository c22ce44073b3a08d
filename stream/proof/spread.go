package proof

import "math"

// finest is how many steps of a spread make a factor of e: 0.1 % each.
const finest = 1000

// spread is a histogram of positive values, in memory that their range bounds.
type spread struct {
	bins map[int]uint64
	n    uint64
}

func (s *spread) add(v float64) {
	if !(v > 1e-6 && v < 1e6) {
		return
	}
	if s.bins == nil {
		s.bins = map[int]uint64{}
	}
	s.bins[int(math.Round(math.Log(v)*finest))]++
	s.n++
}

func (s *spread) bounds() (lo, hi int) {
	lo, hi = math.MaxInt, math.MinInt
	for b := range s.bins {
		lo, hi = min(lo, b), max(hi, b)
	}
	return lo, hi
}

// quantile returns the value below which a share of the values lies.
func (s *spread) quantile(share float64) float64 {
	if s.n == 0 {
		return 0
	}
	lo, hi := s.bounds()
	var sum uint64
	for b := lo; b <= hi; b++ {
		if sum += s.bins[b]; float64(sum) >= share*float64(s.n) {
			return math.Exp(float64(b) / finest)
		}
	}
	return math.Exp(float64(hi) / finest)
}

// densest returns the middle of the window of ±width that holds most values,
// and the share that it holds.
func (s *spread) densest(width float64) (v, share float64) {
	if s.n == 0 {
		return 0, 0
	}
	lo, hi := s.bounds()
	half := int(width * finest)
	var in, best uint64
	at, middle := lo, 0.0
	// sum and weight the best window: its centre is its values' mean.
	for b := lo - half; b <= hi; b++ {
		in += s.bins[b+half]
		if in > best {
			best, at = in, b
		}
		in -= s.bins[b-half]
	}
	for b := at - half; b <= at+half; b++ {
		middle += float64(b) * float64(s.bins[b])
	}
	return math.Exp(middle / float64(best) / finest), float64(best) / float64(s.n)
}

// near returns the share of values within ±width of v.
func (s *spread) near(v, width float64) float64 {
	if s.n == 0 || !(v > 0) {
		return 0
	}
	mid, half := int(math.Round(math.Log(v)*finest)), int(width*finest)
	var in uint64
	for b := mid - half; b <= mid+half; b++ {
		in += s.bins[b]
	}
	return float64(in) / float64(s.n)
}
