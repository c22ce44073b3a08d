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
		if n < 500 {
			mid += q
			n++
		}
	}
	if n < 50 {
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
	for len(peaks) < 14 {
		best, at := 0, 0
		for k := 1; k < binCount-1; k++ {
			if m := bin[k-1] + bin[k] + bin[k+1]; m > best {
				best, at = m, k
			}
		}
		if float64(best) < leastPeak*float64(points) || best < 8 {
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
	for range 2 {
		clear(sum[:])
		clear(dev[:])
		clear(count[:])
		for i, x := range a.log {
			q := b.log[i] - x
			if math.IsNaN(q) || use != nil && !use[i] {
				continue
			}
			tol := tolerance(a, b, i)
			best, bestD := -1, tol
			for k := range peaks {
				if d := math.Abs(q - peaks[k].log); d <= bestD {
					best, bestD = k, d
				}
			}
			if best >= 0 {
				sum[best] += q
				dev[best] += bestD
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

// tolerance is how far a logarithm of a ratio may lie from its peak: 0.7 % and
// what the steps of the raw values make.
func tolerance(a, b *series, i int) float64 {
	if step := 0.6/a.grid[i] + 0.6/b.grid[i]; step < 0.03 {
		return 0.007 + step
	}
	return 0.037
}

// mayHaveLadder says, from every fifth point, whether few ratios can hold much
// of the time: a quick look before the careful one.
func mayHaveLadder(a, b *series) bool {
	const wide, count = 0.012, 1024
	var bin [count]uint16
	n, mid := 0, 0.0
	for i := 0; i < len(a.log); i += 5 {
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
	held := 0
	for range 10 {
		best, at := 0, 0
		for k := 0; k+1 < count; k++ {
			if m := int(bin[k]) + int(bin[k+1]); m > best {
				best, at = m, k
			}
		}
		if float64(best) < leastPeak*float64(n) {
			break
		}
		held += best
		bin[at], bin[at+1] = 0, 0
	}
	return float64(held) > leastLadder*float64(n)
}

// nearest returns the peak in which point i lies, or -1.
func nearest(a, b *series, i int, peaks []peak) int {
	q := b.log[i] - a.log[i]
	best, bestD := -1, tolerance(a, b, i)
	for k := range peaks {
		if d := math.Abs(q - peaks[k].log); d <= bestD {
			best, bestD = k, d
		}
	}
	return best
}
