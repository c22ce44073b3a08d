package stats

import (
	"math"
	"math/rand/v2"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// Published 95 % Clopper–Pearson limits for 10 trials, and the limits of a
// Poisson count (Garwood's table), as printed in handbook tables; the digits
// are from memory.
func TestTables(t *testing.T) {
	for _, c := range []struct {
		k, n      uint64
		low, high float64
	}{
		{0, 10, 0, 0.3085}, {1, 10, 0.0025, 0.4450}, {5, 10, 0.1871, 0.8129}, {10, 10, 0.6915, 1},
	} {
		i := Proportion(c.k, c.n)
		near(t, "low", i.Low, c.low, 6e-5)
		near(t, "high", i.High, c.high, 6e-5)
	}
	for _, c := range []struct {
		k         uint64
		low, high float64
	}{
		{0, 0, 3.689}, {1, 0.0253, 5.572}, {5, 1.623, 11.668}, {10, 4.795, 18.390},
	} {
		i := Rate(c.k, 1)
		near(t, "low", i.Low, c.low, 6e-4)
		near(t, "high", i.High, c.high, 6e-4)
	}
	// The lady tasting tea (Fisher, The Design of Experiments, 1935): 3 of 4
	// right has p = 17/70 on one side, so 34/70 on two.
	near(t, "Fisher", Fisher(3, 4, 1, 4), 34.0/70, 1e-9)
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
	r := rand.New(rand.NewPCG(1, 2))
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
	r := rand.New(rand.NewPCG(3, 4))
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
