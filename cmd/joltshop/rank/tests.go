package rank

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// adjust returns the p-values adjusted for the false-discovery rate (Benjamini
// and Hochberg, Journal of the Royal Statistical Society B 57, 1995, in the form
// of adjusted values of Yekutieli and Benjamini 1999): those whose adjusted value
// is at most q make a list of which, on average, at most the share q is false.
func adjust(p []float64) []float64 {
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

// spread is a beta-binomial distribution: opportunities whose rate differs from
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
// opportunities (Kleinman, Journal of the American Statistical Association 68, 1973).
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
