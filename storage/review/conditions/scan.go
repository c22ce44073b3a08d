package conditions

import "math/rand/v2"

// leastLate is how many late releases a region must have: of fewer nobody would say
// that they have something in common.
const leastLate = 3

// effect is what the late releases say of one condition, or of two together.
type effect struct {
	// weight is how much likelier the outcomes are if it matters than if nothing
	// does, over all bounds that it may have.
	weight float64
	// region, and with where there are two, has the greatest part of it: top.
	region, with region
	top          float64
	// p is the probability of such a weight by chance in any that is looked at.
	p float64
}

// ok reports whether there is anything to it.
func (e *effect) ok() bool { return e.top > 0 }

// looked is what one look at all conditions gives.
type looked struct {
	ones, twos []effect
	// total is the weight of all single conditions and of all pairs, each by what is
	// thought of it before anything is seen; greatest is the greatest of a single one,
	// as it is. p is the probability of such a total by chance.
	total, greatest, p float64
}

// pairShare of what is thought before anything is seen goes to two conditions
// together, shared alike among all pairs; the rest to one alone: most causes need
// only one (common practice, no source).
const pairShare = 0.25

// amongOnes is the weight of a single condition by what is thought of it before
// anything is seen, amongTwos that of a pair.
func (t *table) amongOnes(e *effect) float64 {
	return e.weight * (1 - pairShare) / float64(max(1, t.single))
}

func (t *table) amongTwos(e *effect) float64 {
	return e.weight * pairShare / float64(len(t.twos))
}

// lookFinely looks at releases with all bounds that a condition is told by.
func lookFinely(list []Release, leave ...int) (*table, *looked) {
	t := newTable(list, manyCuts, leave...)
	x := t.newLooked()
	t.look(t.lateOnes(), x)
	return t, x
}

// look scans for late releases. See betaBinomial.down for the unit of weights.
func (t *table) look(late []int, x *looked) {
	var sums [2*manyCuts + 2]int
	x.greatest, x.total = 0, 0
	for j := range t.cols {
		t.alone(j, late, sums[:], &x.ones[j])
		x.greatest = max(x.greatest, x.ones[j].weight)
		x.total += t.amongOnes(&x.ones[j])
	}
	for i := range t.twos {
		t.together(&t.twos[i], late, &x.twos[i])
		x.total += t.amongTwos(&x.twos[i])
	}
}

// alone weighs one condition.
func (t *table) alone(j int, late []int, sums []int, e *effect) {
	*e = effect{}
	c := t.cols[j]
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
		if t.weigh(e, k, x.n, sums[bins], len(c.known), x.prior) {
			e.region = x.region
		}
	}
}

// together weighs two.
func (t *table) together(p *pair, late []int, e *effect) {
	*e = effect{}
	g := p.grid
	clear(g.n)
	for _, r := range late {
		g.add(r)
	}
	g.sum()
	all := int(g.total())
	for q := range p.quads {
		x := &p.quads[q]
		k := int(g.within(x.a.from, x.a.to, x.b.from, x.b.to))
		if t.weigh(e, k, x.n, all, p.known, x.prior) {
			e.region, e.with = x.a.region, x.b.region
		}
	}
}

// weigh adds the weight of a region, and reports whether it is the greatest yet.
func (t *table) weigh(e *effect, k, n, late, all int, prior float64) bool {
	if k < leastLate || k*all <= late*n {
		return false
	}
	w := prior * t.rates.times(k, n, late, all)
	e.weight += w
	if w <= e.top {
		return false
	}
	e.top = w
	return true
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
	shuffles = 499
	// level is the probability at which a condition is named.
	level = 0.05
)

// test looks, and holds what it finds against the same look at outcomes that are
// dealt out by chance: so the look at many conditions and bounds is paid for, and
// that the conditions go together is taken into account (single-step maximum
// statistics: Westfall and Young, Resampling-Based Multiple Testing, 1993). It ends
// early once nothing can come out any more (Besag and Clifford, Biometrika 78,
// 1991).
func (t *table) test(seed uint64) *looked {
	late := t.lateOnes()
	x, y := t.newLooked(), t.newLooked()
	t.look(late, x)
	r := rand.New(rand.NewPCG(seed, 17))
	deck := make([]int, len(t.late))
	for i := range deck {
		deck[i] = i
	}
	any := make([]int, len(x.ones))
	top, done := 0, 0
	for done < shuffles && top <= level*(shuffles+1) {
		done++
		for i := range late {
			k := i + r.IntN(len(deck)-i)
			deck[i], deck[k] = deck[k], deck[i]
		}
		t.look(deck[:len(late)], y)
		for i := range x.ones {
			any[i] += atLeast(y.greatest, x.ones[i].weight)
		}
		top += atLeast(y.total, x.total)
	}
	share := func(n int) float64 { return float64(n+1) / float64(done+1) }
	for i := range x.ones {
		x.ones[i].p = share(any[i])
	}
	x.p = share(top)
	return x
}

func (t *table) newLooked() *looked {
	return &looked{ones: make([]effect, len(t.cols)), twos: make([]effect, len(t.twos))}
}

func atLeast(a, b float64) int {
	if a >= b*(1-1e-9) {
		return 1
	}
	return 0
}
