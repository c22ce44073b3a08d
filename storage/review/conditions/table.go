// Package conditions asks of all releases of a stay, most of them in time, on what
// it depends whether the clutch lets go late: which condition, or which two
// together, and where its bounds lie; how often it comes then and otherwise; and
// whether that is more than chance makes of so many looks.
package conditions

import (
	"math"
	"slices"

	"joltwatch/detect"
	"joltwatch/storage/review/stats"
)

// Release is one release that was judged.
type Release struct {
	Late bool
	// LagS is its lag in s, NaN where only bounds of it are known.
	LagS float64
	// Values are its conditions, in the order of detect.Conditions; NaN where
	// one was not known.
	Values []float64
}

// Sample are the releases of a stay, in order of time.
type Sample struct {
	Releases []Release
	LeftOut
}

// LeftOut is what is not among the releases that are asked.
type LeftOut struct {
	// DrivenOn were no stops.
	DrivenOn struct{ Late, Of int }
	// Kept is the share of those in time that is on file: 1, which 0 stands for too,
	// unless the store's room ran out and a fair part of them went.
	Kept float64
}

// late counts the late ones.
func late(list []Release) (n int) {
	for i := range list {
		if list[i].Late {
			n++
		}
	}
	return n
}

// when is a condition of its own beside those of detect: the place of a release in
// the stay. What comes in clumps, for a cause that is not on record, is told by it
// rather than blamed on what happened to be so at the time.
var when = &detect.Condition{Name: "release_number", Title: "place in the stay, counted in releases", Step: 1}

// placed are the releases with when as the last of their values.
func placed(list []Release) []Release {
	out := slices.Clone(list)
	for i := range out {
		out[i].Values = append(slices.Clip(out[i].Values), float64(i+1))
	}
	return out
}

// place is where a condition stands among the values of a release.
func place(c *detect.Condition) int {
	if c == when {
		return len(detect.Conditions)
	}
	return slices.Index(detect.Conditions, c)
}

// column is one condition over all releases that are looked at.
type column struct {
	of *detect.Condition
	// known are the values that are known, ascending.
	known []float64
	// cuts are the bounds that a region may have, ascending.
	cuts []float64
	// bin is 2i+1 for a value at cut i and 2i for one below it and above the
	// cut before; -1 where it is not known.
	bin []int16
	// discrete: every value is a cut.
	discrete bool
}

const (
	// fewCuts of a condition are looked at, at even shares of the releases, to test
	// whether anything matters, which is done many times; manyCuts to tell what.
	fewCuts, manyCuts = 11, 31
	// mostValues of a condition are cuts each.
	mostValues = 9
)

// newColumn has at most so many cuts.
func newColumn(of *detect.Condition, v []float64, most int) *column {
	c := &column{of: of}
	for _, x := range v {
		if !math.IsNaN(x) {
			c.known = append(c.known, x)
		}
	}
	slices.Sort(c.known)
	distinct := slices.Compact(slices.Clone(c.known))
	switch {
	case len(distinct) < 2:
	case len(distinct) <= mostValues:
		c.cuts, c.discrete = distinct, true
	default:
		for i := 1; i <= most; i++ {
			c.cuts = append(c.cuts, c.known[i*len(c.known)/(most+1)])
		}
		c.cuts = slices.Compact(c.cuts)
	}
	c.bin = make([]int16, len(v))
	for i, x := range v {
		c.bin[i] = c.binOf(x)
	}
	return c
}

func (c *column) binOf(x float64) int16 {
	if math.IsNaN(x) {
		return -1
	}
	i, at := slices.BinarySearch(c.cuts, x)
	if at {
		return int16(2*i + 1)
	}
	return int16(2 * i)
}

// region is a stretch of one condition: from cut lo to cut hi, both included; -1
// where it has no such bound.
type region struct {
	col, lo, hi int
}

// bins are the first and the last bin of the region.
func (c *column) bins(r region) (from, to int) {
	from, to = 0, 2*len(c.cuts)
	if r.lo >= 0 {
		from = 2*r.lo + 1
	}
	if r.hi >= 0 {
		to = 2*r.hi + 1
	}
	return from, to
}

// bound is a region with its cuts as they are.
func (t *table) bound(r region) detect.Bound {
	c := t.cols[r.col]
	b := detect.Bound{Of: c.of, From: math.Inf(-1), To: math.Inf(1)}
	if r.lo >= 0 {
		b.From = c.cuts[r.lo]
	}
	if r.hi >= 0 {
		b.To = c.cuts[r.hi]
	}
	return b
}

// step is what bounds of the condition are rounded to: as fine as anyone can drive;
// finer, in steps of 1, 2 or 5, where nine tenths of the values lie within a few of
// those, for a bound that holds for nearly all of them says nothing.
func (c *column) step() float64 {
	const within = 5
	step := c.of.Step
	spread := stats.Quantile(c.known, 0.95) - stats.Quantile(c.known, 0.05)
	if step <= 1 || spread >= within*step {
		return step
	}
	most := max(1, spread/within)
	ten := math.Pow(10, math.Floor(math.Log10(most)))
	for _, n := range []float64{5, 2, 1} {
		if n*ten <= most {
			return min(step, n*ten)
		}
	}
	return 1
}

// rounded are bounds that hold together, each end put to the step below or above it,
// whichever the outcomes are likelier by. Values that are cuts each stay as they are.
func (t *table) rounded(list []Release, exact ...detect.Bound) []detect.Bound {
	bounds := slices.Clone(exact)
	for i := range bounds {
		b := &bounds[i]
		c := t.cols[place(b.Of)]
		if c.discrete {
			continue
		}
		step := c.step()
		for _, end := range []*float64{&b.From, &b.To} {
			if math.IsInf(*end, 0) {
				continue
			}
			at := *end
			*end = inSteps(math.Ceil, at, step)
			above := t.likely(list, bounds)
			*end = inSteps(math.Floor, at, step)
			if t.likely(list, bounds) < above {
				*end = inSteps(math.Ceil, at, step)
			}
		}
	}
	return bounds
}

// inSteps rounds to a step that is whole, or one of a whole number to one.
func inSteps(to func(float64) float64, x, step float64) float64 {
	if step < 1 {
		n := math.Round(1 / step)
		return to(x*n) / n
	}
	return to(x/step) * step
}

// likely is the logarithm of how much likelier the outcomes are where bounds hold
// with a rate of their own; bounds within which there is none are no bounds.
func (t *table) likely(list []Release, bounds []detect.Bound) float64 {
	in := within(list, bounds...)
	if len(in) == 0 {
		return math.Inf(-1)
	}
	return t.rates.gain(late(in), len(in), t.rates.late, t.rates.all)
}

// table are the conditions of releases with all regions that are looked at.
type table struct {
	late   []bool
	cols   []*column
	ones   [][]scanned // by column
	twos   []pair
	rates  *betaBinomial
	least  int // releases of a region at least
	single int // conditions that have regions
}

// scanned is a region with how many of the releases are in it and known, and its
// share of what is thought of its condition before anything is seen.
type scanned struct {
	region
	from, to int // bins
	n        int
	prior    float64
}

// pair are two conditions together.
type pair struct {
	a, b  int
	known int
	quads []quad
	grid  *grid
}

// quad is where both have their bound, with its share of what is thought of the pair
// before anything is seen: the more, the more each leaves out, for what holds nearly
// always says nothing beside the other (common practice, no source).
type quad struct {
	a, b  *scanned
	n     int
	prior float64
}

// newTable takes releases with their place and, beside those left out, all their
// conditions.
func newTable(list []Release, cuts int, leave ...int) *table {
	t := &table{late: make([]bool, len(list)), least: max(5, len(list)/50)}
	for i := range list {
		t.late[i] = list[i].Late
	}
	for j, of := range append(slices.Clip(detect.Conditions), when) {
		v := make([]float64, len(list))
		for i := range list {
			v[i] = list[i].Values[j]
			if slices.Contains(leave, j) {
				v[i] = math.NaN()
			}
		}
		t.cols = append(t.cols, newColumn(of, v, cuts))
	}
	t.rates = newBetaBinomial(late(list), len(list))
	for j := range t.cols {
		t.ones = append(t.ones, t.regions(j))
		if len(t.ones[j]) > 0 {
			t.single++
		}
	}
	t.pairs()
	return t
}

// stretchShare of what is thought of a condition before anything is seen goes to
// stretches with a bound at each end, the rest to those with one: most causes only
// grow or shrink along a condition (common practice, no source).
const stretchShare = 0.25

// regions lists those of a condition. Of one with few values each set of
// neighbours counts alike.
func (t *table) regions(j int) (list []scanned) {
	c := t.cols[j]
	m := len(c.cuts)
	add := func(lo, hi int) {
		x := scanned{region: region{j, lo, hi}}
		x.from, x.to = c.bins(x.region)
		for _, b := range c.bin {
			if int(b) >= x.from && int(b) <= x.to {
				x.n++
			}
		}
		if x.n >= t.least && len(c.known)-x.n >= t.least {
			list = append(list, x)
		}
	}
	for i := range m {
		add(i, -1)
		add(-1, i)
	}
	half := len(list)
	for i := range m {
		for k := i; k < m; k++ {
			if k > i && !c.discrete || c.discrete && i > 0 && k < m-1 {
				add(i, k)
			}
		}
	}
	for i := range list {
		switch {
		case c.discrete || half == 0 || half == len(list):
			list[i].prior = 1 / float64(len(list))
		case i < half:
			list[i].prior = (1 - stretchShare) / float64(half)
		default:
			list[i].prior = stretchShare / float64(len(list)-half)
		}
	}
	return list
}

// sides are the regions of a condition that are looked at together with another's.
func (t *table) sides(j int) (list []*scanned) {
	for i := range t.ones[j] {
		if x := &t.ones[j][i]; x.lo < 0 || x.hi < 0 || t.cols[j].discrete {
			list = append(list, x)
		}
	}
	return list
}

// pairs lists those of two conditions.
func (t *table) pairs() {
	side := make([][]*scanned, len(t.cols))
	for j := range t.cols[:len(t.cols)-1] { // what clumps does so by itself
		side[j] = t.sides(j)
	}
	for a := range side {
		for b := a + 1; b < len(side); b++ {
			if len(side[a]) > 0 && len(side[b]) > 0 {
				t.pair(a, b, side[a], side[b])
			}
		}
	}
}

func (t *table) pair(a, b int, sa, sb []*scanned) {
	p := pair{a: a, b: b}
	g := newGrid(t.cols[a], t.cols[b])
	for i := range g.a.bin {
		g.add(i)
	}
	g.sum()
	p.known = int(g.total())
	sum := 0.0
	for _, x := range sa {
		for _, y := range sb {
			n := int(g.within(x.from, x.to, y.from, y.to))
			if n >= t.least && p.known-n >= t.least {
				w := t.leftOut(x) * t.leftOut(y)
				p.quads = append(p.quads, quad{x, y, n, w})
				sum += w
			}
		}
	}
	if len(p.quads) == 0 {
		return
	}
	for i := range p.quads {
		p.quads[i].prior /= sum
	}
	p.grid = g
	t.twos = append(t.twos, p)
}

// leftOut is the share of the releases that a region leaves out.
func (t *table) leftOut(x *scanned) float64 {
	return 1 - float64(x.n)/float64(len(t.cols[x.col].known))
}

// grid counts releases by the bins of two conditions.
type grid struct {
	a, b *column
	w    int
	n    []int32
}

func newGrid(a, b *column) *grid {
	w := 2*len(b.cuts) + 2
	return &grid{a: a, b: b, w: w, n: make([]int32, (2*len(a.cuts)+2)*w)}
}

func (g *grid) add(i int) {
	if x, y := g.a.bin[i], g.b.bin[i]; x >= 0 && y >= 0 {
		g.n[(int(x)+1)*g.w+int(y)+1]++
	}
}

// sum turns the counts into those of all bins up to each.
func (g *grid) sum() {
	for i := g.w; i < len(g.n); i += g.w {
		row := int32(0)
		for j := 1; j < g.w; j++ {
			row += g.n[i+j]
			g.n[i+j] = row + g.n[i+j-g.w]
		}
	}
}

func (g *grid) total() int32 { return g.n[len(g.n)-1] }

func (g *grid) within(a0, a1, b0, b1 int) int32 {
	return g.n[(a1+1)*g.w+b1+1] - g.n[a0*g.w+b1+1] - g.n[(a1+1)*g.w+b0] + g.n[a0*g.w+b0]
}
