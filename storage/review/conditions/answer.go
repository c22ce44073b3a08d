package conditions

import (
	"math"
	"slices"

	"joltwatch/detect"
	"joltwatch/storage/review/stats"
)

// Answer is on what it depends in one stay whether the clutch lets go late.
type Answer struct {
	Releases, Late int
	// Few is true where there are too few to ask.
	Few bool
	// Each are all conditions, in the order of detect.Conditions; the last is
	// the place in the stay.
	Each []Effect
	// Named are those that it depends on: none, one, or two together.
	Named []Named
	// Within is the rate of late releases where all that is named holds, and
	// Otherwise where it does not: of releases that had no part in finding the
	// bounds. Counts are those behind them.
	Within, Otherwise Rate
	// Kept is the share of the releases in time that is on file.
	Kept float64
}

// Rate is late releases out of all, and what that says of the rate.
type Rate struct {
	Late, Of int
	stats.Interval
}

// Effect is one condition.
type Effect struct {
	Of *detect.Condition
	// Known is of how many releases it is known, Low and High between which
	// values nine in ten of them lie.
	Known     int
	Low, High float64
	// Best is where late releases stand out most, K of N of them late; P how
	// likely so much is by chance among all that is looked at. P is 1 where
	// there is nothing to hold.
	Best detect.Bound
	K, N int
	P    float64
	// Lag is how the length of the lag goes with it.
	Lag LagEffect
}

// Named is a condition that matters.
type Named struct {
	detect.Bound
	// Or are those that cannot be told apart from it: they go together in
	// this stay.
	Or []detect.Bound
	P  float64
}

// Fewest late releases are asked what they have in common.
const Fewest = 5

// secondLevel is the probability at which a second condition is named: less than
// level, as it is a second chance to be wrong.
const secondLevel = 0.03

// apart is by how much one condition's log likelihood must be behind another's to
// be told apart from it: 20 times less likely. That misleads at most once in 20
// times (Royall, Statistical Evidence, 1997, section 1.4).
const apart = 3.0

// model is what is named while it is looked for: one region or two.
type model struct {
	regions []detect.Bound
	cols    []int
	p       []float64
	or      [][]detect.Bound
}

// Find asks what the late releases of a stay have in common.
func Find(s *Sample) *Answer {
	a := &Answer{Releases: len(s.Releases), Late: s.late(), Kept: s.Kept}
	if a.Kept <= 0 || a.Kept > 1 {
		a.Kept = 1
	}
	at := make([]int, len(s.Releases))
	for i := range at {
		at[i] = i
	}
	a.Few = a.Late < Fewest || a.Releases-a.Late < Fewest
	t := newTable(s.Releases, at, !a.Few)
	ones := make([]effect, len(t.cols))
	two := together{}
	if !a.Few {
		ones, two = t.test(1)
	}
	a.describe(t, ones)
	a.lags(s)
	if a.Few {
		return a
	}
	m := choose(s.Releases, at, t, ones, two)
	for i := range m.regions {
		a.Named = append(a.Named, Named{Bound: m.regions[i], Or: m.or[i], P: m.p[i]})
	}
	a.rates(s, &m)
	return a
}

func (a *Answer) describe(t *table, ones []effect) {
	for j, c := range t.cols {
		e := Effect{Of: c.of, P: 1}
		var v []float64
		for _, x := range c.v {
			if !math.IsNaN(x) {
				v = append(v, x)
			}
		}
		slices.Sort(v)
		e.Known = len(v)
		if len(v) > 0 {
			e.Low, e.High = stats.Quantile(v, 0.05), stats.Quantile(v, 0.95)
		}
		if x := ones[j]; x.ok {
			e.Best, e.K, e.N, e.P = c.bound(x.region), x.k, x.n, x.p
		}
		a.Each = append(a.Each, e)
	}
}

// within are the releases for which a bound holds, and their places.
func within(list []Release, at []int, col int, b detect.Bound) (in []Release, places []int) {
	for i := range list {
		if holds(&list[i], at[i], col, b) {
			in = append(in, list[i])
			places = append(places, at[i])
		}
	}
	return in, places
}

func holds(r *Release, at, col int, b detect.Bound) bool {
	v := float64(at + 1)
	if b.Of != when {
		if col >= len(r.Values) {
			return false
		}
		v = r.Values[col]
	}
	return b.Holds(v)
}

// choose names the condition whose region stands out most, and a second one where
// the rate still depends on it within that region: recursive partitioning by
// permutation tests (Hothorn, Hornik and Zeileis, Journal of Computational and
// Graphical Statistics 15(3), 2006), two levels deep. The first is dropped again
// where it is no longer needed within the second's.
func choose(list []Release, at []int, t *table, ones []effect, two together) (m model) {
	first := best(ones)
	switch {
	case first >= 0 && ones[first].p <= level:
		m.add(t, first, ones)
	case two.ok && two.p <= level:
		for _, r := range []region{two.a, two.b} {
			m.regions = append(m.regions, t.cols[r.col].bound(r))
			m.cols, m.p, m.or = append(m.cols, r.col), append(m.p, two.p), append(m.or, nil)
		}
		return m
	default:
		return m
	}
	inA, placesA := within(list, at, first, m.regions[0])
	ta := newTable(inA, placesA, false, first)
	seconds, _ := ta.test(2)
	second := best(seconds)
	if second < 0 || seconds[second].p > secondLevel {
		return m
	}
	b := ta.cols[second].bound(seconds[second].region)
	inB, placesB := within(list, at, second, b)
	tb := newTable(inB, placesB, false, second)
	firsts, _ := tb.test(3)
	if firsts[first].own > level {
		// What the first told was told by the second.
		m = model{}
		m.add(t, second, ones)
		return m
	}
	m.or[0] = rivals(tb, first, firsts)
	m.regions, m.cols, m.p = append(m.regions, b), append(m.cols, second), append(m.p, seconds[second].p)
	m.or = append(m.or, rivals(ta, second, seconds))
	return m
}

func (m *model) add(t *table, j int, ones []effect) {
	m.regions = append(m.regions, t.cols[j].bound(ones[j].region))
	m.cols, m.p = append(m.cols, j), append(m.p, ones[j].p)
	m.or = append(m.or, rivals(t, j, ones))
}

// best is the condition that stands out most; -1 where none does.
func best(ones []effect) int {
	j := -1
	for i := range ones {
		if ones[i].ok && (j < 0 || ones[i].score > ones[j].score) {
			j = i
		}
	}
	return j
}

// rivals are the conditions that explain the late releases nearly as well.
func rivals(t *table, chosen int, ones []effect) (list []detect.Bound) {
	for i := range ones {
		if x := &ones[i]; i != chosen && x.ok && x.p <= level && x.score >= ones[chosen].score-apart {
			list = append(list, t.cols[i].bound(x.region))
		}
	}
	return list
}

// folds is into how many parts the releases are shared out for the rates.
const folds = 10

// rates counts late releases within and without the conditions named, each release
// by bounds that were found without it and its like: a bound put where it shows
// most, counted on the same releases, shows too much (Stone, JRSS B 36, 1974).
func (a *Answer) rates(s *Sample, m *model) {
	if len(m.cols) == 0 {
		a.Within, a.Otherwise = a.rate(0, 0), a.rate(a.Late, a.Releases)
		return
	}
	var in, out [2]int // late, of
	for f := range folds {
		var rest []Release
		var at []int
		for i := range s.Releases {
			if i*7919%len(s.Releases)%folds != f {
				rest = append(rest, s.Releases[i])
				at = append(at, i)
			}
		}
		bounds := refit(rest, at, m)
		for i := range s.Releases {
			if i*7919%len(s.Releases)%folds != f {
				continue
			}
			r, to := &s.Releases[i], &in
			for k, b := range bounds {
				if !holds(r, i, m.cols[k], b) {
					to = &out
				}
			}
			to[1]++
			if r.Late {
				to[0]++
			}
		}
	}
	a.Within, a.Otherwise = a.rate(in[0], in[1]), a.rate(out[0], out[1])
	a.widen(s, m)
}

// widen lets the interval reach what the releases say that the bounds were found
// with: the true rate lies between these, who show too much, and the others, whose
// bounds were found with fewer.
func (a *Answer) widen(s *Sample, m *model) {
	late, of := 0, 0
next:
	for i := range s.Releases {
		for k, b := range m.regions {
			if !holds(&s.Releases[i], i, m.cols[k], b) {
				continue next
			}
		}
		of++
		if s.Releases[i].Late {
			late++
		}
	}
	x := a.rate(late, of)
	a.Within.Low, a.Within.High = min(a.Within.Low, x.Low), max(a.Within.High, x.High)
}

// refit finds the bounds of the conditions named once more, on a part.
func refit(list []Release, at []int, m *model) []detect.Bound {
	bounds := slices.Clone(m.regions)
	for k, col := range m.cols {
		t := newTable(list, at, false, others(col)...)
		ones := make([]effect, len(t.cols))
		t.scan(t.lateOnes(), ones)
		if ones[col].ok {
			bounds[k] = t.cols[col].bound(ones[col].region)
		}
		list, at = within(list, at, col, bounds[k])
	}
	return bounds
}

func others(col int) (list []int) {
	for j := range len(detect.Conditions) + 1 {
		if j != col {
			list = append(list, j)
		}
	}
	return list
}

// rateTail leaves out less at each end than the 0.025 of a rate of releases that
// were not chosen by it: with these, intervals held the true rate in 94 of 100
// simulated weeks, for the bounds were found on the same week.
const rateTail = 0.01

// rate is an exact interval of late releases out of all, put right for those in
// time that are no longer on file: these change the odds, not their ratio.
func (a *Answer) rate(late, of int) Rate {
	r := Rate{late, of, stats.ProportionAt(uint64(late), uint64(of), rateTail)}
	fix := func(p float64) float64 { return p * a.Kept / (p*a.Kept + 1 - p) }
	if a.Kept < 1 {
		r.Interval = stats.Interval{Estimate: fix(r.Estimate), Low: fix(r.Low), High: fix(r.High)}
	}
	return r
}
