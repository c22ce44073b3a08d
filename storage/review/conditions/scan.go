package conditions

import (
	"math"
	"math/rand/v2"
)

// effect is the region of a condition in which late releases stand out most.
type effect struct {
	region
	ok   bool
	k, n int
	// score is the logarithm of how much likelier the outcomes are with a rate
	// of its own in the region, less one for each bound after the first.
	score float64
	// own is the probability of such a score by chance for this condition
	// alone, p that of one in any of those looked at.
	own, p float64
}

// together is the same for two conditions.
type together struct {
	a, b  region
	ok    bool
	k, n  int
	score float64
	p     float64
}

// support is the gain in log likelihood of a rate of its own for n releases with k
// late ones over one rate for all; 0 where the rate within is not the greater. It
// is the scan statistic of Kulldorff for yes and no (Communications in Statistics,
// Theory and Methods 26(6), 1997).
func (t *table) support(k, n, late, all int) float64 {
	if k < leastLate || k*all <= late*n {
		return 0
	}
	x := t.xlogx
	return x[k] + x[n-k] - x[n] + x[late-k] + x[all-n-late+k] - x[all-n] - x[late] - x[all-late] + x[all]
}

// leastLate is how many late releases a region must have: of fewer nobody would say
// that they have something in common.
const leastLate = 3

// boundCost is what each bound after the first must gain: one unit of log
// likelihood, as by Akaike (IEEE TAC 19(6), 1974).
const boundCost = 1.0

// scan finds each condition's best region for these late releases.
func (t *table) scan(late []int, out []effect) {
	var sums [2*mostCuts + 2]int
	for j, c := range t.cols {
		out[j] = effect{}
		if len(t.ones[j]) == 0 {
			continue
		}
		bins := 2*len(c.cuts) + 1
		clear(sums[:bins+1])
		for _, i := range late {
			if b := c.bin[i]; b >= 0 {
				sums[b+1]++
			}
		}
		for b := range bins {
			sums[b+1] += sums[b]
		}
		for i := range t.ones[j] {
			x := &t.ones[j][i]
			k := sums[x.to+1] - sums[x.from]
			s := t.support(k, x.n, sums[bins], c.known) - boundCost*float64(x.limits()-1)
			if s > out[j].score {
				out[j] = effect{region: x.region, ok: true, k: k, n: x.n, score: s}
			}
		}
	}
}

// scanPairs finds the best two conditions together.
func (t *table) scanPairs(late []int, grids []*grid) (best together) {
	for i := range t.twos {
		p, g := &t.twos[i], grids[i]
		clear(g.n)
		for _, r := range late {
			g.add(r)
		}
		g.sum()
		all := int(g.total())
		for q := range p.quads {
			x := &p.quads[q]
			k := int(g.within(x.a.from, x.a.to, x.b.from, x.b.to))
			if s := t.support(k, x.n, all, p.known) - boundCost; s > best.score {
				best = together{a: x.a.region, b: x.b.region, ok: true, k: k, n: x.n, score: s}
			}
		}
	}
	return best
}

func (t *table) lateOnes() (list []int) {
	for i, l := range t.late {
		if l {
			list = append(list, i)
		}
	}
	return list
}

const (
	// shuffles is how often the outcomes are dealt out anew.
	shuffles = 999
	// level is the probability at which a condition is named.
	level = 0.05
)

// test scans, and holds what it finds against the same scan of outcomes that are
// dealt out by chance: so the look at many conditions and bounds is paid for, and
// that the conditions go together is taken into account (single-step maximum
// statistics: Westfall and Young, Resampling-Based Multiple Testing, 1993). It ends
// early once nothing can come out any more (Besag and Clifford, Biometrika 78,
// 1991).
func (t *table) test(seed uint64) (ones []effect, two together) {
	late := t.lateOnes()
	ones = make([]effect, len(t.cols))
	grids := make([]*grid, len(t.twos))
	for i := range t.twos {
		grids[i] = newGrid(t.cols[t.twos[i].a], t.cols[t.twos[i].b])
	}
	t.scan(late, ones)
	two = t.scanPairs(late, grids)
	best := two.score
	for i := range ones {
		best = math.Max(best, ones[i].score)
	}
	r := rand.New(rand.NewPCG(seed, 17))
	deck := make([]int, len(t.late))
	for i := range deck {
		deck[i] = i
	}
	by := make([]effect, len(t.cols))
	own, any := make([]int, len(ones)), make([]int, len(ones))
	pairs, top, done := 0, 0, 0
	for done < shuffles && top <= level*(shuffles+1) {
		done++
		for i := range late {
			k := i + r.IntN(len(deck)-i)
			deck[i], deck[k] = deck[k], deck[i]
		}
		t.scan(deck[:len(late)], by)
		greatest := t.scanPairs(deck[:len(late)], grids).score
		for i := range by {
			greatest = math.Max(greatest, by[i].score)
			own[i] += atLeast(by[i].score, ones[i].score)
		}
		for i := range ones {
			any[i] += atLeast(greatest, ones[i].score)
		}
		pairs += atLeast(greatest, two.score)
		top += atLeast(greatest, best)
	}
	share := func(n int) float64 { return float64(n+1) / float64(done+1) }
	for i := range ones {
		ones[i].own, ones[i].p = share(own[i]), share(any[i])
	}
	two.p = share(pairs)
	return ones, two
}

func atLeast(a, b float64) int {
	if a >= b-1e-9 {
		return 1
	}
	return 0
}
