package stats

import (
	"fmt"
	"math"
	"testing"

	reference "github.com/aclements/go-moremath/stats"

	"joltwatch/cmd/develop/lot"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// The limits of Clopper and Pearson are where the tails of the binomial law
// hold 2.5 % each; the law is that of a reference library, go-moremath.
func TestProportionAgainstTheBinomialLaw(t *testing.T) {
	for _, n := range []uint64{1, 2, 10, 37, 250} {
		for k := uint64(0); k <= n; k += 1 + n/7 {
			i := Proportion(k, n)
			if k > 0 {
				law := reference.BinomialDist{N: int(n), P: i.Low}
				near(t, "at least k at the low end", 1-law.CDF(float64(k-1)), 0.025, 1e-9)
			}
			if k < n {
				law := reference.BinomialDist{N: int(n), P: i.High}
				near(t, "at most k at the high end", law.CDF(float64(k)), 0.025, 1e-9)
			}
		}
	}
}

// Garwood's limits are where the tails of the Poisson law hold 2.5 % each,
// summed here term by term.
func TestRateAgainstThePoissonLaw(t *testing.T) {
	atMost := func(k uint64, mean float64) (p float64) {
		term := math.Exp(-mean)
		for i := uint64(0); i <= k; i++ {
			p += term
			term *= mean / float64(i+1)
		}
		return p
	}
	for _, k := range []uint64{0, 1, 5, 10, 60} {
		i := Rate(k, 1)
		near(t, "at most k at the high end", atMost(k, i.High), 0.025, 1e-9)
		if k > 0 {
			near(t, "at least k at the low end", 1-atMost(k-1, i.Low), 0.025, 1e-9)
		}
	}
}

// Fisher's two-sided p by the definition: the sum over all tables as likely as
// the one seen or less. The likelihoods are a reference library's,
// go-moremath. 3 of 4 against 1 of 4 is the lady tasting tea (Fisher, The
// Design of Experiments, 1935): 34/70.
func TestFisherAgainstTheHypergeometricLaw(t *testing.T) {
	near(t, "the lady", Fisher(3, 4, 1, 4), 34.0/70, 1e-9)
	for _, c := range [][4]uint64{{1, 7, 0, 134}, {2, 60, 0, 80}, {5, 20, 9, 12}, {10, 40, 10, 41}} {
		law := reference.HypergeometicDist{N: int(c[1] + c[3]), K: int(c[0] + c[2]), Draws: int(c[1])}
		seen, p := law.PMF(float64(c[0])), 0.0
		for k := 0; k <= int(c[1]); k++ {
			if q := law.PMF(float64(k)); q <= seen*(1+1e-7) {
				p += q
			}
		}
		near(t, fmt.Sprint(c), Fisher(c[0], c[1], c[2], c[3]), p, 1e-9)
	}
}

// The rule of three: 3/n is a little above the exact bound.
func TestUpperIfNone(t *testing.T) {
	for _, n := range []uint64{30, 100, 1000} {
		u := UpperIfNone(n)
		if 3/float64(n) < u || u < 2.85/float64(n) {
			t.Errorf("n=%d: %v", n, u)
		}
		// It is the rate at which n chances show nothing 5 % of the time.
		near(t, "coverage", math.Pow(1-u, float64(n)), 0.05, 1e-9)
	}
	if UpperIfNone(0) != 1 {
		t.Error("no chances tell nothing")
	}
}

func TestRateRatio(t *testing.T) {
	r, ok := RateRatio(10, 100, 10, 50)
	if !ok || r.Estimate != 2 || r.Low > 0.9 || r.High < 4 {
		t.Errorf("%v %v", r, ok)
	}
	if _, ok := RateRatio(0, 1, 0, 1); ok {
		t.Error("nothing on either side tells no ratio")
	}
}

// Delta against its definition, pair by pair, with ties.
func TestDelta(t *testing.T) {
	r := lot.Draw(t, 1, 2)
	for range 50 {
		x, y := make([]float64, 2+r.IntN(30)), make([]float64, 2+r.IntN(30))
		for i := range x {
			x[i] = float64(r.IntN(10))
		}
		for i := range y {
			y[i] = float64(r.IntN(10)) + 2
		}
		sum := 0.0
		for _, a := range x {
			for _, b := range y {
				switch {
				case b > a:
					sum++
				case b < a:
					sum--
				}
			}
		}
		s := Compare(x, y)
		near(t, "delta", s.Delta.Estimate, sum/float64(len(x)*len(y)), 1e-12)
		if s.Delta.Low > s.Delta.Estimate || s.Delta.High < s.Delta.Estimate {
			t.Errorf("interval %v does not hold the estimate", s.Delta)
		}
		back := Compare(y, x)
		near(t, "turned round", back.Delta.Low, -s.Delta.High, 1e-12)
		near(t, "difference turned round", back.Difference, -s.Difference, 1e-12)
	}
}

// The stated 95 % must hold roughly: samples of 20 from the same distribution
// have delta 0 in the interval in about 95 of 100 cases.
func TestDeltaCoverage(t *testing.T) {
	r := lot.Draw(t, 1, 4)
	held := 0
	const runs = 2000
	for range runs {
		x, y := make([]float64, 20), make([]float64, 20)
		for i := range x {
			x[i], y[i] = r.NormFloat64(), r.NormFloat64()
		}
		if d := Compare(x, y).Delta; d.Low <= 0 && d.High >= 0 {
			held++
		}
	}
	if share := float64(held) / runs; share < 0.92 || share > 0.98 {
		t.Errorf("the interval held the truth in %.3f of cases", share)
	}
}

func TestTooFew(t *testing.T) {
	s := Compare([]float64{1, 2, 3}, []float64{7, 8, 9})
	if s.Enough || s.Delta.Estimate != 1 || s.Delta.Low > 0 {
		t.Errorf("%+v", s)
	}
}
