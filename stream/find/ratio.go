package find

import "math"

// Ratios of two speeds are looked at as differences of logarithms, in bins of
// binWidth (0.4 %).
const (
	binWidth  = 0.004
	binCount  = 2000
	leastPeak = 0.015 // of the points
)

// peak is a ratio at which two speeds stay.
type peak struct {
	log   float64 // of the ratio
	share float64 // of the points
	width float64 // mean deviation from it
}

// ratios are the peaks of b over a, the largest first, from the points that
// use allows (nil for all) and at which both are well above 0.
func ratios(a, b *series, use []bool) (peaks []peak, points int) {
	var bin [binCount]int
	var mid float64
	n := 0
	for i, x := range a.log {
		q := b.log[i] - x
		if math.IsNaN(q) || use != nil && !use[i] {
			continue
		}
		mid += q
		if n++; n == 500 {
			break
		}
	}
	if n < a.points(50) {
		return nil, n
	}
	mid /= float64(n)
	low := mid - binWidth*binCount/2
	for i, x := range a.log {
		q := b.log[i] - x
		if math.IsNaN(q) || use != nil && !use[i] {
			continue
		}
		points++
		if k := int(math.Floor((q - low) / binWidth)); k >= 0 && k < binCount {
			bin[k]++
		}
	}
	least := max(int(math.Ceil(leastPeak*float64(points))), a.points(8))
	var full []int // bins full enough, with their neighbours
	for k := 1; k < binCount-1; k++ {
		if bin[k-1]+bin[k]+bin[k+1] >= least {
			full = append(full, k)
		}
	}
	for len(peaks) < 14 {
		best, at := 0, 0
		for _, k := range full {
			if m := bin[k-1] + bin[k] + bin[k+1]; m > best {
				best, at = m, k
			}
		}
		if best < least {
			break
		}
		// The mean of what is in the window, then what is within tolerance
		// of it.
		centre := float64(0)
		for k := at - 1; k <= at+1; k++ {
			centre += float64(bin[k]) * (low + (float64(k)+0.5)*binWidth)
		}
		peaks = append(peaks, peak{log: centre / float64(best), share: float64(best) / float64(points)})
		for k := max(0, at-5); k <= min(binCount-1, at+5); k++ {
			bin[k] = 0
		}
	}
	refine(a, b, use, peaks, points)
	return peaks, points
}

// refine works out each peak's centre and share from the points themselves.
func refine(a, b *series, use []bool, peaks []peak, points int) {
	var sum, dev, count [14]float64
	var of nearby
	for range 2 {
		of.set(peaks)
		clear(sum[:])
		clear(dev[:])
		clear(count[:])
		for i, x := range a.log {
			q := b.log[i] - x
			if math.IsNaN(q) || use != nil && !use[i] {
				continue
			}
			if best, d := of.peak(q); d <= tolerance(a, b, i) {
				sum[best] += q
				dev[best] += d
				count[best]++
			}
		}
		for k := range peaks {
			if count[k] > 0 {
				peaks[k].log = sum[k] / count[k]
				peaks[k].width = dev[k] / count[k]
				peaks[k].share = count[k] / float64(points)
			}
		}
	}
}

// nearby finds the peak nearest to a point without a look at each: for each bin,
// the peaks that may be nearest to a point in it, the last below it and the one
// after that.
type nearby struct {
	peaks []peak
	order [16]uint8 // the peaks from the lowest
	low   float64
	below [binCount]int8 // place in order, -1 for none
	last  int8
}

func (n *nearby) set(peaks []peak) {
	n.peaks, n.last = peaks, int8(len(peaks)-1)
	for k := range peaks {
		j := k
		for j > 0 && peaks[n.order[j-1]].log > peaks[k].log {
			n.order[j] = n.order[j-1]
			j--
		}
		n.order[j] = uint8(k)
	}
	if len(peaks) == 0 {
		return
	}
	n.low = peaks[n.order[0]].log - 0.1
	at := int8(-1)
	for bin := range n.below {
		for at < n.last && peaks[n.order[at+1]].log <= n.low+binWidth*float64(bin) {
			at++
		}
		n.below[bin] = at
	}
}

// peak returns the peak nearest to a logarithm and how far off that is; where it
// is far off, so is what is returned.
func (n *nearby) peak(q float64) (best int, d float64) {
	bin := int((q - n.low) / binWidth)
	if n.last < 0 || q < n.low || bin >= binCount {
		return 0, math.Inf(1)
	}
	k, d := n.below[bin], math.Inf(1)
	if k >= 0 {
		best, d = int(n.order[k]), math.Abs(q-n.peaks[n.order[k]].log)
	}
	for k++; k <= n.last; k++ { // more than one only where two lie in one bin
		e := n.peaks[n.order[k]].log - q
		if math.Abs(e) < d {
			best, d = int(n.order[k]), math.Abs(e)
		}
		if e > 0 {
			break
		}
	}
	return best, d
}

// in returns the peak in which point i of b over a lies, or -1.
func (n *nearby) in(a, b *series, i int) int {
	if k, d := n.peak(b.log[i] - a.log[i]); d <= tolerance(a, b, i) {
		return k
	}
	return -1
}

// tolerance is how far a logarithm of a ratio may lie from its peak: 0.7 % and
// what the steps of the raw values make.
func tolerance(a, b *series, i int) float64 {
	return 0.007 + min(a.step[i]+b.step[i], 0.03)
}

// mayHaveLadder says, from some of the points, whether few ratios can hold much
// of the time: a quick look before the careful one.
func mayHaveLadder(a, b *series) bool {
	const wide, count = 0.012, 1024
	var bin [count]uint16
	n, mid := 0, 0.0
	for i := 0; i < len(a.log); i += a.points(5) {
		q := b.log[i] - a.log[i]
		if math.IsNaN(q) {
			continue
		}
		if n == 0 {
			mid = q - wide*count/2
		}
		n++
		if k := int((q - mid) / wide); k >= 0 && k < count {
			bin[k]++
		}
	}
	if n < 40 {
		return false
	}
	least := uint16(math.Ceil(leastPeak * float64(n)))
	full := make([]int, 0, 140) // bins full enough, with the next: at most two for each leastPeak
	for k := 0; k+1 < count; k++ {
		if bin[k]+bin[k+1] >= least {
			full = append(full, k)
		}
	}
	held := 0
	for range 10 {
		best, at := uint16(0), 0
		for _, k := range full {
			if m := bin[k] + bin[k+1]; m > best {
				best, at = m, k
			}
		}
		if best < least {
			break
		}
		held += int(best)
		bin[at], bin[at+1] = 0, 0
	}
	return float64(held) > leastLadder*float64(n)
}
