package rank

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Adjust returns the p-values adjusted for the false-discovery rate (Benjamini
// and Hochberg, Journal of the Royal Statistical Society B 57, 1995, in the form
// of adjusted values of Yekutieli and Benjamini 1999): those whose adjusted value
// is at most q make a list of which, on average, at most the share q is false.
func Adjust(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	out := make([]float64, len(p))
	least := 1.0
	for rank := len(order); rank > 0; rank-- {
		i := order[rank-1]
		least = min(least, p[i]*float64(len(p))/float64(rank))
		out[i] = least
	}
	return out
}

// RateChange returns the two-sided p-value that hits2 of n2 and hits1 of n1 have
// the same rate: exact for two Poisson counts given their sum (Przyborowski and
// Wilenski, Biometrika 31, 1940), twice the smaller tail. Counts and chances are
// divided by the design effect first (Rao and Scott, Biometrics 48, 1992), so they
// need not be whole; the binomial tail is the incomplete beta function then. It
// is 1 where there was no hit at all.
func RateChange(hits1, n1, hits2, n2, design float64) float64 {
	x1, x2 := hits1/design, hits2/design
	if !(x1+x2 > 0) || !(n1 > 0) || !(n2 > 0) {
		return 1
	}
	share := n2 / (n1 + n2)
	// P(X >= x2) and P(X <= x2) of a binomial of x1+x2 trials.
	upper, lower := 1.0, 1.0
	if x2 > 0 {
		upper = mathext.RegIncBeta(x2, x1+1, share)
	}
	if x1 > 0 {
		lower = 1 - mathext.RegIncBeta(x2+1, x1, share)
	}
	return min(1, 2*min(upper, lower))
}

// RankSum returns the two-sided p-value of the rank sum test (Mann and Whitney,
// Annals of Mathematical Statistics 18, 1947) that n2 values, of which the ranks
// among all n1+n2 add up to sum, come from the same distribution as the others.
// With at most 5,000 pairs it is exact, and each of the tied pairs counts against
// a difference; else the normal approximation with the corrections for ties (the
// sum of t³-t over the groups of t equal values) and continuity.
func RankSum(n1, n2 int, sum, ties, tiedPairs float64) float64 {
	if n1 <= 0 || n2 <= 0 {
		return 1
	}
	u := sum - float64(n2)*float64(n2+1)/2
	pairs := float64(n1) * float64(n2)
	u = min(u, pairs-u) // symmetric under the hypothesis
	if pairs <= 5000 {
		u = min(u+tiedPairs/2, pairs/2)
		return min(1, 2*belowU(n1, n2, int(math.Floor(u+0.5))))
	}
	n := float64(n1 + n2)
	v := pairs / 12 * (n + 1 - ties/(n*(n-1)))
	if !(v > 0) {
		return 1
	}
	return min(1, 2*distuv.UnitNormal.CDF(min(0, (u-pairs/2+0.5)/math.Sqrt(v))))
}

// belowU returns P(U <= u) by the recurrence of Mann and Whitney: the number of
// orders of n1 and n2 values with U = u is that with the largest value taken
// from the one sample and from the other.
func belowU(n1, n2, u int) float64 {
	// w[j][k] is the share of orders of i and j values with U = k, for the
	// current i.
	w := make([][]float64, n2+1)
	for j := range w {
		w[j] = make([]float64, u+1)
		w[j][0] = 1 // i = 0
	}
	for i := 1; i <= n1; i++ {
		for j := 1; j <= n2; j++ {
			// In place: w[j] is still that of i-1, w[j-1] already of i. The
			// largest is of the first sample: it beats all j of the second.
			a, b := float64(i)/float64(i+j), float64(j)/float64(i+j)
			for k := u; k >= 0; k-- {
				v := b * w[j-1][k]
				if k >= j {
					v += a * w[j][k-j]
				}
				w[j][k] = v
			}
		}
	}
	p := 0.0
	for _, v := range w[n2] {
		p += v
	}
	return min(p, 1)
}

// spread is a beta-binomial distribution: chances whose rate differs from
// vehicle to vehicle (Skellam, Journal of the Royal Statistical Society B 10,
// 1948). Alike is the intraclass correlation: 0 is a plain binomial.
type spread struct{ rate, alike float64 }

// sums are what the moments of a group need, from which one vehicle can be
// taken away again.
type sums struct{ vehicles, hits, n, squares, rates float64 }

func (s *sums) add(hits, n, sign float64) {
	s.vehicles += sign
	s.hits += sign * hits
	s.n += sign * n
	s.squares += sign * n * n
	s.rates += sign * hits * hits / n
}

// fit estimates the distribution by moments, weighting each vehicle by its
// chances (Kleinman, Journal of the American Statistical Association 68, 1973).
func (s *sums) fit() spread {
	if s.hits < 0.5 || s.vehicles < 2 {
		return spread{}
	}
	d := spread{rate: min(1, s.hits/s.n)}
	about := s.rates - s.hits*d.rate // of n (rate of one - rate of all)²
	k := s.vehicles - 1
	d.alike = (about/(d.rate*(1-d.rate)) - k) / (s.n - s.squares/s.n - k)
	if !(d.alike > 0) { // also where there is no telling
		d.alike = 0
	}
	d.alike = min(d.alike, 0.999)
	return d
}

// varied is the distribution with rates that differ at least by so much of the
// mean (a coefficient of variation).
func (s spread) varied(least float64) spread {
	if s.rate > 0 && s.rate < 1 {
		s.alike = min(max(s.alike, least*least*s.rate/(1-s.rate)), 0.999)
	}
	return s
}

// atLeast returns the probability of hits or more of n.
func (s spread) atLeast(hits, n float64) float64 {
	switch {
	case hits <= 0:
		return 1
	case hits > n || s.rate <= 0:
		return 0
	case s.rate >= 1:
		return 1
	case s.alike < 1e-9:
		return mathext.RegIncBeta(hits, n-hits+1, s.rate)
	}
	size := 1/s.alike - 1
	a, b := s.rate*size, (1-s.rate)*size
	// The tail is summed term by term from the first, each from the one before.
	term := math.Exp(lchoose(n, hits) + lbeta(hits+a, n-hits+b) - lbeta(a, b))
	sum := 0.0
	for x := hits; x <= n; x++ {
		sum += term
		if x > s.rate*n && term < 1e-12*sum {
			break
		}
		term *= (n - x) / (x + 1) * (x + a) / (n - x - 1 + b)
	}
	return min(sum, 1)
}

func lchoose(n, k float64) float64 { return -math.Log(n+1) - lbeta(k+1, n-k+1) }

func lbeta(a, b float64) float64 { return mathext.Lbeta(a, b) }
