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

// Find asks what the late releases of a stay have in common.
func Find(s *Sample) *Answer {
	a := &Answer{Releases: len(s.Releases), Late: late(s.Releases), Kept: s.Kept}
	if a.Kept <= 0 || a.Kept > 1 {
		a.Kept = 1
	}
	a.Few = a.Late < Fewest || a.Releases-a.Late < Fewest
	list := placed(s.Releases)
	t := newTable(list, !a.Few)
	ones := make([]effect, len(t.cols))
	two := together{}
	if !a.Few {
		ones, two = t.test(1)
	}
	a.describe(t, ones)
	a.lags(list)
	if a.Few {
		return a
	}
	a.Named = choose(list, t, ones, two)
	a.rates(list)
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
			e.Best, e.K, e.N, e.P = t.bound(x.region), x.k, x.n, x.p
		}
		a.Each = append(a.Each, e)
	}
}

// within are the releases for which all bounds hold.
func within(list []Release, bounds ...detect.Bound) []Release {
	for _, b := range bounds {
		j := place(b.Of)
		var in []Release
		for i := range list {
			if b.Holds(list[i].Values[j]) {
				in = append(in, list[i])
			}
		}
		list = in
	}
	return list
}

// choose names the condition whose region stands out most, and a second one where
// the rate still depends on it within that region: recursive partitioning by
// permutation tests (Hothorn, Hornik and Zeileis, Journal of Computational and
// Graphical Statistics 15(3), 2006), two levels deep. The first is dropped again
// where it is no longer needed within the second's.
func choose(list []Release, t *table, ones []effect, two together) []Named {
	first := best(ones)
	if first < 0 || ones[first].p > level {
		if two.ok && two.p <= level {
			return []Named{{Bound: t.bound(two.a), P: two.p}, {Bound: t.bound(two.b), P: two.p}}
		}
		return nil
	}
	one := t.name(first, ones)
	ta := newTable(within(list, one.Bound), false, first)
	seconds, _ := ta.test(2)
	second := best(seconds)
	if second < 0 || seconds[second].p > secondLevel {
		return []Named{one}
	}
	other := ta.name(second, seconds)
	tb := newTable(within(list, other.Bound), false, second)
	firsts, _ := tb.test(3)
	if firsts[first].own > level {
		// What the first told was told by the second.
		return []Named{t.name(second, ones)}
	}
	one.Or = rivals(tb, first, firsts)
	return []Named{one, other}
}

// name names the condition at place j by its best region.
func (t *table) name(j int, ones []effect) Named {
	return Named{Bound: t.bound(ones[j].region), P: ones[j].p, Or: rivals(t, j, ones)}
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
			list = append(list, t.bound(x.region))
		}
	}
	return list
}

// folds is into how many parts the releases are shared out for the rates.
const folds = 10

// rates counts late releases within and without the conditions named, each release
// by bounds that were found without it and its like: a bound put where it shows
// most, counted on the same releases, shows too much (Stone, JRSS B 36, 1974). The
// interval within reaches also what the releases say that the bounds were found
// with: the true rate lies between these, who show too much, and the others, whose
// bounds were found with fewer.
func (a *Answer) rates(list []Release) {
	if len(a.Named) == 0 {
		a.Within, a.Otherwise = a.rate(0, 0), a.rate(a.Late, a.Releases)
		return
	}
	var bounds []detect.Bound
	for _, n := range a.Named {
		bounds = append(bounds, n.Bound)
	}
	var in []Release
	for f := range folds {
		part, rest := fold(list, f)
		in = append(in, within(part, refit(rest, bounds)...)...)
	}
	a.Within, a.Otherwise = a.rate(late(in), len(in)), a.rate(a.Late-late(in), a.Releases-len(in))
	all := within(list, bounds...)
	x := a.rate(late(all), len(all))
	a.Within.Low, a.Within.High = min(a.Within.Low, x.Low), max(a.Within.High, x.High)
}

// fold is one part of the releases, and the rest.
func fold(list []Release, f int) (part, rest []Release) {
	for i := range list {
		if i*7919%len(list)%folds == f {
			part = append(part, list[i])
		} else {
			rest = append(rest, list[i])
		}
	}
	return part, rest
}

// refit finds the bounds of the conditions named once more, on a part.
func refit(list []Release, named []detect.Bound) []detect.Bound {
	bounds := slices.Clone(named)
	for k, b := range named {
		j := place(b.Of)
		t := newTable(list, false, others(j)...)
		ones := make([]effect, len(t.cols))
		t.scan(t.lateOnes(), ones)
		if ones[j].ok {
			bounds[k] = t.bound(ones[j].region)
		}
		list = within(list, bounds[k])
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
