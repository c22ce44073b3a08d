package detect

import (
	"math"
	"testing"
)

// Exact one-sided 95 % upper bounds. With no hit the bound is 1-0.05^(1/n)
// (Hanley and Lippman-Hand 1983, "If nothing goes wrong, is everything all
// right?"), of which 3/n is the rule of three. The two-sided 95 % limits of
// Clopper and Pearson (1934) are the one-sided 97.5 % ones: for 1 of 10 the
// published upper limit is 0.4450, for 5 of 10 it is 0.8129.
func TestUpperBound(t *testing.T) {
	for _, c := range []struct {
		hits, n    uint64
		confidence float64
		want       float64
	}{
		{0, 1, 0.95, 0.95}, {0, 10, 0.95, 0.2589}, {0, 20, 0.95, 0.1391}, {0, 100, 0.95, 0.0295},
		{1, 10, 0.975, 0.4450}, {5, 10, 0.975, 0.8129}, {0, 10, 0.975, 0.3085},
		{0, 0, 0.95, 1}, {7, 7, 0.95, 1},
	} {
		if got := UpperBound(c.hits, c.n, c.confidence); math.Abs(got-c.want) > 6e-5 {
			t.Errorf("%d of %d at %v: %.5f, expected %.4f", c.hits, c.n, c.confidence, got, c.want)
		}
	}
	for _, n := range []uint64{30, 100, 1000, 100000} {
		got, three := UpperBound(0, n, 0.95), 3/float64(n)
		if got > three || got < 0.95*three {
			t.Errorf("0 of %d: %.6f, rule of three %.6f", n, got, three)
		}
	}
	// What it means: with that rate, so few hits have probability 5 %.
	p := UpperBound(2, 40, 0.95)
	sum := 0.0
	for k := 0; k <= 2; k++ {
		lg := func(x int) float64 { v, _ := math.Lgamma(float64(x) + 1); return v }
		sum += math.Exp(lg(40) - lg(k) - lg(40-k) + float64(k)*math.Log(p) + float64(40-k)*math.Log(1-p))
	}
	if math.Abs(sum-0.05) > 1e-9 {
		t.Errorf("two hits or fewer of 40 at %.4f have probability %.6f", p, sum)
	}
}
