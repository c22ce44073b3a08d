package rank

import (
	"math"
	"slices"
)

// core is the centre of values and their standard deviation, of which up to nearly
// half may be far off on one side: from the shortest half (Rousseeuw and Leroy, Robust
// Regression and Outlier Detection, 1987, chapter 4), then again and again of what is
// within three deviations.
func core(values []float64) (centre, scale float64) {
	v := slices.Sorted(slices.Values(values))
	half := len(v)/2 + 1
	best := 0
	for i := 0; i+half <= len(v); i++ {
		if v[i+half-1]-v[i] < v[best+half-1]-v[best] {
			best = i
		}
	}
	centre = mean(v[best : best+half])
	scale = deviation(v, centre)
	for range 20 {
		var inside []float64
		for _, x := range v {
			if math.Abs(x-centre) <= 3*scale {
				inside = append(inside, x-centre)
			}
		}
		if len(inside) < half {
			break
		}
		off := mean(inside)
		sum := 0.0
		for _, x := range inside {
			sum += (x - off) * (x - off)
		}
		// Cut at three, a normal distribution keeps 0.9866 of its deviation.
		next := math.Sqrt(sum/float64(max(len(inside)-1, 1))) / 0.9866
		if math.Abs(off) < 1e-12 && math.Abs(next-scale) < 1e-12 {
			break
		}
		centre, scale = centre+off, next
	}
	return centre, scale
}

// deviation is the median distance from a centre, in the units of a standard
// deviation of normal values.
func deviation(values []float64, centre float64) float64 {
	far := make([]float64, len(values))
	for i, v := range values {
		far[i] = math.Abs(v - centre)
	}
	return median(far) / 0.6744897501960817 // the normal distribution's upper quartile
}

// median is NaN of nothing.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	v := slices.Sorted(slices.Values(values))
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}
