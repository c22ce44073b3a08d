package rank

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	reference "github.com/aclements/go-moremath/stats"

	"joltwatch/storage/review/stats"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// The worked example of Benjamini and Hochberg's paper: fifteen comparisons of
// two treatments after a heart attack. At 5 % it rejects the four smallest, where
// Bonferroni's method rejects three. The p-values are from memory.
func TestPapersExample(t *testing.T) {
	p := []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000}
	count := func(q []float64) (n int) {
		for _, x := range q {
			if x <= 0.05 {
				n++
			}
		}
		return n
	}
	if n := count(Adjust(p)); n != 4 {
		t.Errorf("%d rejected, want 4", n)
	}
	// The paper: the first four satisfy p <= (i/15) 0.05, 0.0095 <= 0.013, and
	// the fifth does not, 0.0201 > 0.017.
	near(t, "fourth", Adjust(p)[3], 0.0095*15/4, 1e-12)
	if q := Adjust(p)[4]; q <= 0.05 || q > 0.0201*15/5 {
		t.Errorf("fifth: %v", q)
	}
}

// The step-up procedure as the paper states it, on many lists in any order.
func TestAdjustIsStepUp(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		p := make([]float64, r.IntN(40))
		for i := range p {
			p[i] = math.Pow(r.Float64(), 3)
			if i > 0 && r.IntN(5) == 0 {
				p[i] = p[i-1]
			}
		}
		sorted := slices.Clone(p)
		slices.Sort(sorted)
		k := 0
		for i, x := range sorted {
			if x <= float64(i+1)/float64(len(p))*0.1 {
				k = i + 1
			}
		}
		got := 0
		for _, q := range Adjust(p) {
			if q <= 0.1 {
				got++
			}
		}
		if got != k {
			t.Fatalf("%v: %d rejected, want %d", p, got, k)
		}
	}
}

// Against the binomial tails added up term by term, and against the exact
// interval of the ratio: its 95 % interval leaves out 1 just where p < 0.05.
func TestRateChange(t *testing.T) {
	for _, c := range []struct{ x1, n1, x2, n2 uint64 }{{3, 800, 9, 200}, {0, 500, 4, 100}, {12, 300, 1, 300}, {5, 50, 5, 50}, {7, 1000, 0, 150}, {1, 1, 0, 1}} {
		n, share := float64(c.x1+c.x2), float64(c.n2)/float64(c.n1+c.n2)
		upper, lower := 0.0, 0.0
		for k := 0.0; k <= n; k++ {
			p := math.Exp(lchoose(n, k)) * math.Pow(share, k) * math.Pow(1-share, n-k)
			if k >= float64(c.x2) {
				upper += p
			}
			if k <= float64(c.x2) {
				lower += p
			}
		}
		got := RateChange(float64(c.x1), float64(c.n1), float64(c.x2), float64(c.n2), 1)
		near(t, "p", got, min(1, 2*min(upper, lower)), 1e-10)
		i, _ := stats.RateRatio(c.x1, float64(c.n1), c.x2, float64(c.n2))
		if outside := i.Low > 1 || i.High < 1; outside != (got < 0.05) {
			t.Errorf("%+v: p %v, but the ratio is in %v", c, got, i)
		}
	}
	if RateChange(0, 10, 0, 10, 1) != 1 || RateChange(1, 0, 1, 5, 1) != 1 {
		t.Error("what cannot be told has p 1")
	}
	// Hits that bunch in pairs tell half as much.
	near(t, "design", RateChange(4, 400, 12, 400, 2), RateChange(2, 200, 6, 200, 1), 1e-12)
}

// Against the exact law of the rank sum statistic U of a reference library,
// go-moremath (Mann and Whitney, Ann. Math. Stat. 18, 1947).
func TestRankSumAgainstTheLawOfU(t *testing.T) {
	for _, n := range [][2]int{{4, 4}, {5, 10}, {8, 8}, {7, 20}} {
		law := reference.UDist{N1: n[0], N2: n[1]}
		for u := 0; u <= n[0]*n[1]; u += 1 + n[0]*n[1]/9 {
			want := min(1, 2*min(law.CDF(float64(u)), 1-law.CDF(float64(u-1))))
			near(t, fmt.Sprint(n, u), RankSum(n[0], n[1], float64(u+n[1]*(n[1]+1)/2), 0, 0), want, 1e-9)
		}
	}
}

// Against every order of 5 and 4 values, counted; and the normal approximation
// near the exact value.
func TestRankSumCounted(t *testing.T) {
	counts := map[int]float64{}
	total := 0.0
	for set := range 1 << 9 {
		u, n2, first := 0, 0, 0
		for i := range 9 {
			if set>>i&1 == 1 {
				n2++
				u += first
			} else {
				first++
			}
		}
		if n2 == 4 {
			counts[u]++
			total++
		}
	}
	for u := range 10 {
		below := 0.0
		for k := range u + 1 {
			below += counts[k]
		}
		near(t, "exact", belowU(5, 4, u), below/total, 1e-12)
	}
	// Above 5,000 pairs it is the normal approximation, which is close to the
	// exact value of one value fewer.
	exact, approximate := RankSum(100, 50, 3300, 0, 0), RankSum(101, 50, 3300, 0, 0)
	if exact < 0.001 || exact > 0.5 || math.Abs(exact-approximate) > 0.05 {
		t.Errorf("exact %v, approximate %v", exact, approximate)
	}
	// A tied pair counts as if it spoke against the difference.
	near(t, "tied", RankSum(9, 5, 15+2.5, 6, 1), RankSum(9, 5, 15+3, 0, 0), 1e-12)
}

// With a = b = 1 the beta-binomial is uniform on 0…n (Johnson, Kemp and Kotz,
// Univariate Discrete Distributions): rate 1/2, intraclass correlation 1/3.
func TestSpreadUniform(t *testing.T) {
	s := spread{0.5, 1.0 / 3}
	for x := range 21 {
		near(t, "tail", s.atLeast(float64(x), 20), float64(21-x)/21, 1e-12)
	}
	// Nearly alike is nearly binomial.
	near(t, "binomial", spread{0.02, 1e-7}.atLeast(12, 300), spread{0.02, 0}.atLeast(12, 300), 1e-5)
	if s.atLeast(21, 20) != 0 || (spread{}).atLeast(1, 20) != 0 || (spread{}).atLeast(0, 20) != 1 {
		t.Error("bounds")
	}
}

// The fit finds what it was drawn from.
func TestFit(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	var all sums
	want := spread{0.05, 0.02}
	size := 1/want.alike - 1
	for range 4000 {
		// A beta with whole parameters would do by order statistics; here by
		// two gammas.
		a, b := gamma(r, want.rate*size), gamma(r, (1-want.rate)*size)
		p, m, x := a/(a+b), 200+r.IntN(400), 0.0
		for range m {
			if r.Float64() < p {
				x++
			}
		}
		all.add(x, float64(m), 1)
	}
	got := all.fit()
	near(t, "rate", got.rate, want.rate, 0.002)
	near(t, "alike", got.alike, want.alike, 0.003)
}

// gamma draws by Marsaglia and Tsang's method.
func gamma(r *rand.Rand, shape float64) float64 {
	if shape < 1 {
		return gamma(r, shape+1) * math.Pow(r.Float64(), 1/shape)
	}
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := r.NormFloat64()
		v := math.Pow(1+c*x, 3)
		if v > 0 && math.Log(r.Float64()) < 0.5*x*x+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}
