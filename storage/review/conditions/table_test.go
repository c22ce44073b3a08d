package conditions

import (
	"math"
	"slices"
	"testing"

	"joltwatch/detect"
)

// What is thought of a pair before anything is seen is shared among its bounds by what
// each of the two leaves out, counted here from the values.
func TestBoundsOfAPairCountByWhatTheyLeaveOut(t *testing.T) {
	list := make([]Release, 120)
	for i := range list {
		v := slices.Repeat([]float64{math.NaN()}, len(detect.Conditions)+1)
		v[0], v[1] = float64(40+i%60), float64(60*((i*37)%120))
		list[i] = Release{Late: i%4 == 0, Values: v}
	}
	table := newTable(list, fewCuts)
	if len(table.twos) != 1 {
		t.Fatalf("%d pairs, want one", len(table.twos))
	}
	out := func(x *scanned) float64 {
		n := 0
		for _, b := range table.cols[x.col].bin {
			if int(b) < x.from || int(b) > x.to {
				n++
			}
		}
		return float64(n)
	}
	sum, all := 0.0, 0.0
	quads := table.twos[0].quads
	for _, q := range quads {
		sum += q.prior
		all += out(q.a) * out(q.b)
	}
	if len(quads) < 10 || math.Abs(sum-1) > 1e-9 {
		t.Fatalf("%d bounds have %g of what is thought of them, want all of it", len(quads), sum)
	}
	for _, q := range quads {
		if want := out(q.a) * out(q.b) / all; math.Abs(q.prior-want) > 1e-9 {
			t.Errorf("bounds that leave out %g and %g of %d: %g, want %g", out(q.a), out(q.b), len(list), q.prior, want)
		}
	}
}
