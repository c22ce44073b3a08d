package rank

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"joltwatch/cmd/develop/lot"
	"joltwatch/cmd/joltshop/questions"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// The worked example of Benjamini and Hochberg's paper: fifteen comparisons of
// two treatments after a heart attack. At 5 % it rejects the four smallest, where
// Bonferroni's method rejects three. p-values and the four are those in the tests of
// statsmodels 0.13.5 (test_multi.py, test_fdr_bky: "single step-up:4").
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
	if n := count(adjust(p)); n != 4 {
		t.Errorf("%d rejected, want 4", n)
	}
	// The paper: the first four satisfy p <= (i/15) 0.05, 0.0095 <= 0.013, and
	// the fifth does not, 0.0201 > 0.017.
	near(t, "fourth", adjust(p)[3], 0.0095*15/4, 1e-12)
	if q := adjust(p)[4]; q <= 0.05 || q > 0.0201*15/5 {
		t.Errorf("fifth: %v", q)
	}
}

// The step-up procedure as the paper states it, on many lists in any order.
func TestAdjustIsStepUp(t *testing.T) {
	r := lot.Draw(t, 1, 2)
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
		for _, q := range adjust(p) {
			if q <= 0.1 {
				got++
			}
		}
		if got != k {
			t.Fatalf("%v: %d rejected, want %d", p, got, k)
		}
	}
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
	r := lot.Draw(t, 5, 6)
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

// The prediction against its definition, a Poisson count whose mean is spread as a
// lognormal distribution says, added up by a reference library's distributions.
func TestPrediction(t *testing.T) {
	for _, c := range []struct{ x, mean, variation float64 }{{3, 1.2, 0.5}, {10, 1.5, 0.3}, {1, 0.3, 0.03}, {12, 6, 0.7}, {0, 2, 0.5}} {
		const steps = 20_000
		s := math.Log1p(c.variation)
		g := distuv.LogNormal{Mu: math.Log(c.mean) - s/2, Sigma: math.Sqrt(s)}
		want := 0.0
		for i := range steps {
			want += distuv.Poisson{Lambda: g.Quantile((float64(i) + 0.5) / steps)}.Survival(c.x-1) / steps
		}
		near(t, "at least", atLeast(c.x, c.mean, c.variation), want, 3e-3*want)
		near(t, "at most", atMost(c.x-1, c.mean, c.variation), 1-want, 1e-3)
	}
}

// A third of the values far off leave centre and scale to the others, and of normal
// values both are the distribution's own.
func TestCore(t *testing.T) {
	r := lot.Draw(t, 3, 4)
	for _, far := range []int{0, 20} {
		var values []float64
		for i := range 60 {
			v := 5 + 0.05*r.NormFloat64()
			if i < far {
				v += 0.4
			}
			values = append(values, v)
		}
		centre, scale := core(values)
		near(t, "centre", centre, 5, 0.02)
		near(t, "scale", scale, 0.05, 0.015)
	}
	if centre, scale := core([]float64{2, 2, 2}); centre != 2 || scale != 0 {
		t.Errorf("%v %v", centre, scale)
	}
}

// What moved all of a kind is common and nobody's change; what moved a third of them
// is theirs; one that changed is found beside both.
func TestSharedIsCommon(t *testing.T) {
	r := lot.Draw(t, 5, 6)
	for _, c := range []struct {
		all, third float64
		common     int
		changed    int
	}{{0.08, 0, 1, 1}, {0, 0.3, 1, 20}, {-0.1, 0.3, 2, 20}} {
		a := &questions.Answers{}
		for i := range 60 {
			v := fmt.Sprintf("van-%03d", i)
			a.Coverage = append(a.Coverage, questions.Coverage{Vehicle: v, Group: "all"})
			for ago := range 63 {
				if ago%7 > 4 {
					continue
				}
				y := math.Log(0.15) + 0.04*r.NormFloat64()
				if ago < 7 {
					y += c.all
					if i%3 == 0 && c.third > 0 || i == 0 {
						y += 0.3
					}
				}
				a.Days = append(a.Days, questions.Day{Vehicle: v, Group: "all", Ago: int64(ago), LagS: math.Exp(y), Stops: 40})
			}
		}
		s := New(a, usual)
		if len(s.Common) != c.common || len(s.Changed) < c.changed*9/10 || len(s.Changed) > c.changed+1 {
			t.Errorf("all %+.2f, a third %+.2f: %d changed, %q", c.all, c.third, len(s.Changed), s.Common)
		}
	}
}
