// Package stats holds the little statistics that the review rests on: exact
// intervals for rates, and the shift between two distributions. Each says its
// method and source.
package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is an estimate with its two-sided 95 % interval.
type Interval struct {
	Estimate, Low, High float64
}

const tail = 0.025

// Proportion returns hits out of n with the exact interval of Clopper and
// Pearson (Biometrika 26, 1934): bounds that the truth lies outside of in at
// most 5 % of cases whatever it is. With n = 0 nothing is known: 0…1.
func Proportion(hits, n uint64) Interval { return ProportionAt(hits, n, tail) }

// ProportionAt is the same with another share of cases outside at each end.
func ProportionAt(hits, n uint64, tail float64) Interval {
	if n == 0 {
		return Interval{math.NaN(), 0, 1}
	}
	x, m := float64(hits), float64(n)
	i := Interval{Estimate: x / m, Low: 0, High: 1}
	if hits > 0 {
		i.Low = distuv.Beta{Alpha: x, Beta: m - x + 1}.Quantile(tail)
	}
	if hits < n {
		i.High = distuv.Beta{Alpha: x + 1, Beta: m - x}.Quantile(1 - tail)
	}
	return i
}

// UpperIfNone returns the one-sided 95 % upper bound on the rate when nothing
// was seen in n opportunities: 1 - 0.05^(1/n), which is about 3/n (the "rule of
// three", Hanley and Lippman-Hand, JAMA 249, 1983). With n = 0 it is 1.
func UpperIfNone(n uint64) float64 {
	if n == 0 {
		return 1
	}
	return -math.Expm1(math.Log(0.05) / float64(n))
}

// Rate returns count per unit of exposure with the exact interval for a
// Poisson count (Garwood, Biometrika 28, 1936). The exposure must be positive.
func Rate(count uint64, exposure float64) Interval {
	x := float64(count)
	i := Interval{Estimate: x / exposure}
	if count > 0 {
		i.Low = distuv.ChiSquared{K: 2 * x}.Quantile(tail) / 2 / exposure
	}
	i.High = distuv.ChiSquared{K: 2*x + 2}.Quantile(1-tail) / 2 / exposure
	return i
}

// RateRatio returns the second rate over the first, with the exact interval
// that follows from the share of the second count in the sum of both, which is
// binomial when both are Poisson (Przyborowski and Wilenski, Biometrika 31,
// 1940). ok is false where it cannot be told: no count on either side.
func RateRatio(count1 uint64, exposure1 float64, count2 uint64, exposure2 float64) (r Interval, ok bool) {
	if count1+count2 == 0 || !(exposure1 > 0) || !(exposure2 > 0) {
		return Interval{math.NaN(), 0, math.Inf(1)}, false
	}
	p := Proportion(count2, count1+count2)
	f := exposure1 / exposure2
	odds := func(x float64) float64 {
		if x >= 1 {
			return math.Inf(1)
		}
		return x / (1 - x) * f
	}
	return Interval{odds(p.Estimate), odds(p.Low), odds(p.High)}, true
}

// Fisher returns the two-sided p-value of Fisher's exact test that two
// proportions are the same: the sum of the probabilities of all tables with
// the same margins that are no likelier than this one.
func Fisher(hits1, n1, hits2, n2 uint64) float64 {
	hits, n := float64(hits1+hits2), float64(n1+n2)
	prob := func(x float64) float64 {
		return lchoose(float64(n1), x) + lchoose(float64(n2), hits-x) - lchoose(n, hits)
	}
	here := prob(float64(hits1)) + 1e-7
	sum := 0.0
	for x := math.Max(0, hits-float64(n2)); x <= math.Min(float64(n1), hits); x++ {
		if q := prob(x); q <= here {
			sum += math.Exp(q)
		}
	}
	return math.Min(sum, 1)
}

func lchoose(n, k float64) float64 {
	if k < 0 || k > n {
		return math.Inf(-1)
	}
	a, _ := math.Lgamma(n + 1)
	b, _ := math.Lgamma(k + 1)
	c, _ := math.Lgamma(n - k + 1)
	return a - b - c
}
