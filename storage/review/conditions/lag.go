package conditions

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// LagEffect is how the length of the lag, of releases in time and late, goes with a
// condition.
type LagEffect struct {
	N int
	// Rank is Spearman's rank correlation (American Journal of Psychology 15,
	// 1904), P how likely so strong a one is by chance in any condition.
	Rank, P float64
}

// fewestLags are needed to speak of a correlation.
const fewestLags = 10

// lags fills in how the lag goes with each condition.
func (a *Answer) lags(list []Release) {
	type sides struct{ x, y []float64 }
	all := make([]sides, len(a.Each))
	for j := range a.Each {
		var x, y []float64
		for _, r := range list {
			if v := r.Values[j]; !math.IsNaN(v) && !math.IsNaN(r.LagS) {
				x, y = append(x, v), append(y, r.LagS)
			}
		}
		e := &a.Each[j].Lag
		e.N, e.P = len(x), 1
		if len(x) >= fewestLags {
			all[j] = sides{centredRanks(x), centredRanks(y)}
			e.Rank = correlation(all[j].x, all[j].y)
		}
	}
	r := rand.New(rand.NewPCG(4, 17))
	above := make([]int, len(a.Each))
	const deals = 199
	for range deals {
		greatest := 0.0
		seed := r.Uint64()
		for j := range all {
			y := all[j].y
			q := rand.New(rand.NewPCG(seed, 1)) // alike for conditions known alike
			q.Shuffle(len(y), func(i, k int) { y[i], y[k] = y[k], y[i] })
			greatest = max(greatest, strength(correlation(all[j].x, y), len(y)))
		}
		for j := range a.Each {
			above[j] += atLeast(greatest, strength(a.Each[j].Lag.Rank, a.Each[j].Lag.N))
		}
	}
	for j := range a.Each {
		if a.Each[j].Lag.N >= fewestLags {
			a.Each[j].Lag.P = float64(above[j]+1) / (deals + 1)
		}
	}
}

// strength makes correlations of different numbers of releases comparable.
func strength(r float64, n int) float64 {
	if n < 2 {
		return 0
	}
	return math.Abs(r) * math.Sqrt(float64(n-1))
}

// centredRanks are the ranks less their mean; equals share theirs.
func centredRanks(v []float64) []float64 {
	at := make([]int, len(v))
	for i := range at {
		at[i] = i
	}
	slices.SortFunc(at, func(i, k int) int { return cmp.Compare(v[i], v[k]) })
	out := make([]float64, len(v))
	for i := 0; i < len(at); {
		k := i
		for k < len(at) && v[at[k]] == v[at[i]] {
			k++
		}
		for _, x := range at[i:k] {
			out[x] = float64(i+k-1)/2 - float64(len(v)-1)/2
		}
		i = k
	}
	return out
}

// correlation is that of two centred lists; 0 where one does not vary.
func correlation(x, y []float64) float64 {
	var xy, xx, yy float64
	for i := range x {
		xy += x[i] * y[i]
		xx += x[i] * x[i]
		yy += y[i] * y[i]
	}
	if xx == 0 || yy == 0 {
		return 0
	}
	return xy / math.Sqrt(xx*yy)
}
