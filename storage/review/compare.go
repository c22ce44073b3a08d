package review

import (
	"cmp"
	"fmt"
	"math"
	"reflect"
	"slices"
	"sort"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"joltwatch/detect"
	"joltwatch/storage/review/conditions"
	"joltwatch/storage/review/stats"
)

// Comparison is two stays side by side: rates with exact intervals and shifts
// of distributions with an effect size.
type Comparison struct {
	Before, After *Stay
	Rates         []RateShift
	Shares        []ShareShift
	Measures      []MeasureShift
	// Matched judges late releases under the conditions that they depended on
	// before; nil where none can be named.
	Matched *conditions.Matched
	// Apart is what says that the two are of two vehicles; empty where nothing does.
	Apart []string
	// Cautions say what stands against the comparison.
	Cautions []string
}

// Sentence says in one sentence what a repair or a change did to late
// releases: better, worse, no difference to be seen, or too few to tell, with
// the number of releases that would be needed: under the conditions that they
// depended on before, where these can be named, else over all releases.
func (c *Comparison) Sentence() string {
	says := c.overAll()
	if c.Matched != nil {
		says = c.Matched.Says(Metric.Quantity)
	}
	if len(c.Apart) > 0 {
		list := c.Apart
		if len(list) > mostApart {
			list = append(slices.Clone(list[:mostApart]), fmt.Sprintf("and %d more", len(list)-mostApart))
		}
		return "These are two vehicles, it seems (" + strings.Join(list, "; ") + "), and no before and after of one: the first against the second. " + says
	}
	return says
}

// mostApart is as many as are read.
const mostApart = 3

// overAll judges by all releases, under whatever conditions.
func (c *Comparison) overAll() string {
	i := slices.IndexFunc(c.Shares, func(s ShareShift) bool { return s.Kind == detect.KindReleaseLag })
	if i < 0 || c.Shares[i].Before.Observable == 0 || c.Shares[i].After.Observable == 0 {
		return "Cannot be told: no release could be judged in one of the two stays."
	}
	x := &c.Shares[i]
	counts := fmt.Sprintf("%d of %d releases late before, %d of %d after", x.Before.Hits, x.Before.Observable, x.After.Hits, x.After.Observable)
	switch {
	case x.P < 0.05 && x.After.Share.Estimate < x.Before.Share.Estimate:
		return "Better: " + counts + "."
	case x.P < 0.05:
		return "Worse: " + counts + "."
	case x.Before.Hits == 0 && x.After.Hits == 0:
		return "No difference to be seen: " + counts + "."
	}
	switch n := needed(x); {
	case n == mostNeeded && x.After.Hits == 0:
		return "Too few to tell: " + counts + "; with so few late before, more releases after would not show it either."
	case n > x.After.Observable:
		return fmt.Sprintf("Too few to tell: %s. %d releases after without a late one would show that it is better.", counts, n)
	}
	return "No difference to be seen: " + counts + "."
}

// mostNeeded bounds the search for the number of releases needed: a vehicle
// makes some hundred a week.
const mostNeeded = 5000

// needed is how many releases after, none of them late, Fisher's exact test
// tells from the rate before at 5 %; mostNeeded where no number does.
func needed(x *ShareShift) uint64 {
	n := sort.Search(mostNeeded, func(n int) bool {
		return stats.Fisher(x.Before.Hits, x.Before.Observable, 0, uint64(n)) < 0.05
	})
	return uint64(n)
}

// RateShift is how often a kind and class happened per hour of moving.
type RateShift struct {
	Kind          string
	Class         detect.Class
	Before, After RateOf
	Ratio         stats.Interval // after over before
	HasRatio      bool
	Says          string
}

// RateOf is a count over a time, with its rate per hour.
type RateOf struct {
	Count int
	Hours float64
	Rate  stats.Interval
}

// ShareShift is how often a kind happened per opportunity that could be observed.
type ShareShift struct {
	Kind          string
	Before, After ShareOf
	P             float64 // Fisher's exact test, two-sided
	Says          string
}

// ShareOf is hits out of observable opportunities.
type ShareOf struct {
	Hits, Observable uint64
	Share            stats.Interval
}

// MeasureShift is how a measure lies after against before.
type MeasureShift struct {
	Kind, Measure string
	N1, N2        int
	Shift         stats.Shift // meaningless unless both have values
	Says          string
}

// Compare sets two stays side by side.
func Compare(before, after *Stay) *Comparison {
	c := &Comparison{Before: before, After: after, Apart: otherVehicle(before, after)}
	c.Matched = conditions.Match(before.Conditions(), after.Releases())
	tb, ta := before.Total(), after.Total()
	c.rates(&tb, &ta)
	c.shares(&tb, &ta)
	c.measures()
	if c.Matched != nil {
		c.Cautions = append(c.Cautions, "Over all releases, whatever their conditions: "+c.overAll())
	} else if x, _ := tb.opportunity(detect.KindReleaseLag); x.Hits > 0 {
		c.Cautions = append(c.Cautions, "No condition can be named that late releases depended on before, so all releases are compared: a milder week looks like a repair.")
	}
	if !sameSettings(before, after) {
		c.Cautions = append(c.Cautions, "The settings of the two stays differ: classes such as late may have had other limits.")
	}
	if !slices.Equal(before.Programs, after.Programs) {
		c.Cautions = append(c.Cautions, "The two stays were recorded by different versions of the program.")
	}
	if before.Damaged || after.Damaged {
		c.Cautions = append(c.Cautions, "A store is damaged: what could not be read is not counted.")
	}
	if m1, m2, ok := temperatures(before, after); ok && math.Abs(m1-m2) > 10 {
		c.Cautions = append(c.Cautions, fmt.Sprintf("The fluid was at %.0f °C in the middle of the events before and %.0f °C after: a shift may come from that.", m1, m2))
	}
	c.Cautions = append(c.Cautions, "Several comparisons stand side by side: about one in twenty shows a difference by chance alone.",
		"A difference is consistent with a repair that worked, and with another route, load, driver or season.")
	return c
}

// sameSettings reports whether two stays were recorded with the same signals and the
// same limits: their labels, what their stores may take and the recipes that their
// tries were counted by may differ.
func sameSettings(a, b *Stay) bool {
	of := func(s *Stay) map[string]any {
		var doc map[string]any
		if err := toml.Unmarshal([]byte(s.Settings), &doc); err != nil {
			return map[string]any{"unreadable": s.Settings}
		}
		for _, key := range []string{"label", "recipe", "store"} {
			delete(doc, key)
		}
		return doc
	}
	return reflect.DeepEqual(of(a), of(b))
}

func temperatures(a, b *Stay) (m1, m2 float64, ok bool) {
	median := func(s *Stay) float64 {
		var v []float64
		for i := range s.Events {
			if t := s.Events[i].Context.FluidTemperatureC; t != nil {
				v = append(v, *t)
			}
		}
		slices.Sort(v)
		return stats.Quantile(v, 0.5)
	}
	m1, m2 = median(a), median(b)
	return m1, m2, !math.IsNaN(m1) && !math.IsNaN(m2)
}

func (c *Comparison) rates(tb, ta *Total) {
	hb, ha := tb.MovingS/3600, ta.MovingS/3600
	if hb <= 0 || ha <= 0 {
		c.Cautions = append(c.Cautions, "One stay has no moving time on file: rates cannot be compared.")
		return
	}
	type key struct {
		kind  string
		class detect.Class
	}
	counts := map[key][2]int{}
	var order []key
	for side, s := range []*Stay{c.Before, c.After} {
		for _, x := range s.Counts() {
			k := key{x.Kind, x.Class}
			if _, seen := counts[k]; !seen {
				order = append(order, k)
			}
			v := counts[k]
			v[side] += x.N
			counts[k] = v
		}
	}
	slices.SortStableFunc(order, func(a, b key) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.class.String(), b.class.String()))
	})
	for _, k := range order {
		n := counts[k]
		r := RateShift{Kind: k.kind, Class: k.class,
			Before: RateOf{n[0], hb, stats.Rate(uint64(n[0]), hb)}, After: RateOf{n[1], ha, stats.Rate(uint64(n[1]), ha)}}
		r.Ratio, r.HasRatio = stats.RateRatio(uint64(n[0]), hb, uint64(n[1]), ha)
		switch {
		case !r.HasRatio:
			r.Says = "none on either side"
		case r.Ratio.High < 1:
			r.Says = "fewer after"
		case r.Ratio.Low > 1:
			r.Says = "more after"
		case n[0]+n[1] < 6:
			// With fewer than six in all no split reaches 5 % on both sides
			// for stays of the same length: 2·0.5^5 > 0.05.
			r.Says = "too few to tell"
		default:
			r.Says = "no difference can be told"
		}
		c.Rates = append(c.Rates, r)
	}
}

func (c *Comparison) shares(tb, ta *Total) {
	for _, b := range tb.Opportunities {
		if !countable(b.Kind) {
			continue
		}
		i := slices.IndexFunc(ta.Opportunities, func(x detect.Opportunity) bool { return x.Kind == b.Kind })
		if i < 0 {
			continue
		}
		a := ta.Opportunities[i]
		of := func(x detect.Opportunity) ShareOf {
			hits := min(x.Hits, x.Observable)
			return ShareOf{hits, x.Observable, stats.Proportion(hits, x.Observable)}
		}
		s := ShareShift{Kind: b.Kind, Before: of(b), After: of(a), P: 1}
		switch {
		case b.Observable == 0 || a.Observable == 0:
			s.Says = "no opportunity was observed on one side: cannot be told"
		default:
			s.P = stats.Fisher(s.Before.Hits, s.Before.Observable, s.After.Hits, s.After.Observable)
			switch {
			case s.P < 0.05 && s.After.Share.Estimate < s.Before.Share.Estimate:
				s.Says = "rarer after"
			case s.P < 0.05:
				s.Says = "more often after"
			case min(b.Observable, a.Observable) < 10:
				s.Says = "too few opportunities to tell"
			default:
				s.Says = "no difference can be told"
			}
		}
		c.Shares = append(c.Shares, s)
	}
}

func (c *Comparison) measures() {
	type key struct{ kind, measure string }
	values := map[key][2][]float64{}
	for side, s := range []*Stay{c.Before, c.After} {
		for i := range s.Events {
			e := &s.Events[i]
			m, ok := Main(&e.Finding)
			if !ok || math.IsNaN(m.Value) {
				continue
			}
			k := key{e.Kind, m.Name}
			v := values[k]
			v[side] = append(v[side], m.Value)
			values[k] = v
		}
		k := key{"drive", "lockup_percent"}
		for i := range s.Drives {
			a := &s.Drives[i].Account
			t := Total{ClosedS: a.ClosedS, PartialS: a.PartialS, CoastS: a.CoastS, OpenS: a.OpenS}
			if share, ok := t.LockupFraction(); ok {
				v := values[k]
				v[side] = append(v[side], 100*share)
				values[k] = v
			}
		}
	}
	var order []key
	for k := range values {
		order = append(order, k)
	}
	slices.SortFunc(order, func(a, b key) int { return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.measure, b.measure)) })
	for _, k := range order {
		v := values[k]
		m := MeasureShift{Kind: k.kind, Measure: k.measure, N1: len(v[0]), N2: len(v[1])}
		if m.N1 == 0 || m.N2 == 0 {
			m.Says = "only on one side: cannot be compared"
			c.Measures = append(c.Measures, m)
			continue
		}
		m.Shift = stats.Compare(v[0], v[1])
		switch d := m.Shift.Delta; {
		case !m.Shift.Enough:
			m.Says = fmt.Sprintf("too few to tell: fewer than %d on one side", stats.Fewest)
		case d.High < 0:
			m.Says = "smaller after, " + m.Shift.Size + " effect"
		case d.Low > 0:
			m.Says = "greater after, " + m.Shift.Size + " effect"
		default:
			m.Says = "no difference can be told"
		}
		c.Measures = append(c.Measures, m)
	}
}

// MethodNote says how the numbers were made.
const MethodNote = "Rates: exact Poisson intervals, the ratio by the exact conditional binomial. Shares: exact Clopper-Pearson intervals and Fisher's exact test. Distributions: Cliff's delta (the share of pairs in which the value after is greater, less the share in which it is smaller) with the interval of Feng and Cliff, and the Hodges-Lehmann difference. All at 95 %."
