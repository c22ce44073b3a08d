package page

import (
	"bufio"
	"cmp"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"

	"joltwatch/detect"
	"joltwatch/storage/review"
	"joltwatch/storage/review/conditions"
	"joltwatch/storage/review/stats"
)

// Recipe is how to make a late release happen again, in words.
type Recipe struct {
	Head    head
	Title   string
	Span    string
	Says    dual
	Tried   dual   // how the tries of the recipe went that the stay was recorded with
	Chance  string // how likely what is named is by chance, beside the table's p
	Steps   []dual
	Apart   []dual // what to keep to beside each that cannot be told from others
	Expect  string
	Tries   string
	Mended  string
	Unmet   dual
	Table   conditionTable
	Charts  []Chart
	Caution []string
	Version string
}

// conditionTable are all conditions, those that stand out most first.
type conditionTable struct {
	Rows []conditionRow
	Note string
}

type conditionRow struct {
	Name        string
	Known       string
	Range, Best dual
	Rate, P     string
	Lag         string
}

// recipeCautions stand on the page before the steps.
var recipeCautions = []string{
	"Only on an empty road, or a place that is closed to traffic, where a jolt, or an engine that stops, endangers nobody. Never where someone follows closely.",
	"The driver drives. A second person reads the unit and counts, or the unit counts alone and is read after.",
	"Local rules for test drives, the maker's instructions and the workshop's own rules come first; so do the speed limit and the load limit.",
	"An engine that dies takes the assistance of steering and brakes with it: hold both firmly. End the tries when the vehicle does anything else that is unusual.",
}

// NewRecipe words what the stay shows.
func NewRecipe(s *review.Stay, v View) *Recipe {
	a := s.Conditions()
	r := &Recipe{Title: s.Title(), Span: s.Span(v.Times), Says: inBoth(func(u review.Units) string { return a.Says(u.Quantity) }),
		Table: tableOf(a), Charts: conditionCharts(a, s.Releases()), Caution: recipeCautions,
		Unmet: inBoth(s.NeverMet), Tried: inBoth(s.Tried)}
	r.Head = newHead("Recipe: "+r.Title, v.Units, read("page.css"))
	if len(a.Named) > 0 {
		r.Chance = fmt.Sprintf("That so much comes by chance, in all conditions and pairs of them together: p %.3f. In the table each stands alone, against the greatest of any, which asks for more: what is named may have a greater p there.", a.Named[0].P)
	}
	list := a.Recipe()
	for i, b := range list {
		if n := &a.Named[i]; len(n.Or) > 0 {
			r.Apart = append(r.Apart, inBoth(func(u review.Units) string { return apart(n, u) }))
		}
		r.Steps = append(r.Steps, inBoth(func(u review.Units) string { return review.Capital(conditions.Do(b, u.Quantity)) }))
	}
	if list == nil {
		return r
	}
	r.Expect = fmt.Sprintf("At such a stop a late release is expected: %s; otherwise: %s.", a.Within.Text(), a.Otherwise.Text())
	if n := conditions.Tries(a.Within.Estimate); n > 0 {
		r.Tries = fmt.Sprintf("For a 95 %% chance of seeing it at least once: %s", review.Plural(n, "such stop"))
		if most := conditions.Tries(a.Within.Low); most > n {
			r.Tries += fmt.Sprintf("; %d if it is as rare as the interval allows", most)
		}
		r.Tries += "."
	}
	if n := conditions.Mended(a.Within.Late, a.Within.Of); n > 0 {
		r.Mended = fmt.Sprintf("To say after a repair that it is mended: %s without a late one (95 in 100, by Fisher's exact test against the counts before).", review.Plural(n, "such stop"))
	} else {
		r.Mended = "After a repair no number of such stops would show that it is mended: too few were late before."
	}
	return r
}

// apart says how to try what cannot be told from others in this stay.
func apart(n *conditions.Named, u review.Units) string {
	var or []string
	for _, o := range n.Or {
		or = append(or, conditions.Do(o, u.Quantity))
	}
	return fmt.Sprintf("%s may stand only for what goes together with it in this stay. To be on the safe side, also: %s. Tries with the one and without the other tell them apart.",
		review.Capital(n.Of.Title), strings.Join(or, "; "))
}

func tableOf(a *conditions.Answer) (t conditionTable) {
	each := slices.Clone(a.Each)
	slices.SortStableFunc(each, func(x, y conditions.Effect) int { return cmp.Compare(x.P, y.P) })
	for i := range each {
		t.Rows = append(t.Rows, rowOf(&each[i], a))
	}
	if n := a.DrivenOn.Of; n > 0 {
		t.Note = fmt.Sprintf("Releases as the driver drove on, the pedal pressed and the vehicle not slowing down, are no stops and are not among these: %d, %d of them late. ", n, a.DrivenOn.Late)
	}
	t.Note += "Each condition is looked at with all bounds that it may have. p is how likely so much is by chance in any condition: outcomes dealt out anew at most 499 times, the greatest of the conditions each time, by the likelihood ratio averaged over all bounds of a condition. What is named above is likeliest alone or with another, and only where so much in all of them together is at most 5 % likely by chance. Lag: Spearman's rank correlation, of the releases whose lag is known closely, with its p among all conditions."
	return t
}

func rowOf(e *conditions.Effect, a *conditions.Answer) conditionRow {
	r := conditionRow{Name: e.Of.Title, Known: fmt.Sprint(e.Known), Rate: "–", P: "–", Best: same("–"), Range: same("–"), Lag: "–"}
	if e.Known == 0 {
		r.P = "not recorded"
		return r
	}
	r.Range = inBoth(func(u review.Units) string {
		return conditions.Bounds(detect.Bound{Of: e.Of, From: e.Low, To: e.High}, u.Quantity)
	})
	if e.Of.Name == "brake_on" && e.Low != e.High {
		r.Range = same("on or off")
	}
	switch {
	case e.Low == e.High:
		r.P = "did not vary"
	case a.Few:
		r.P = "too few to tell"
	case e.N == 0:
		r.P = "nothing stands out"
	default:
		r.Best = inBoth(func(u review.Units) string { return conditions.Bounds(e.Best, u.Quantity) })
		x := stats.Proportion(uint64(e.K), uint64(e.N))
		r.Rate = fmt.Sprintf("%d of %d (%s to %s)", e.K, e.N, review.Share(x.Low), review.Share(x.High))
		r.P = fmt.Sprintf("%.3f", e.P)
	}
	if e.Lag.P < 1 {
		r.Lag = fmt.Sprintf("%+.2f, p %.3f", e.Lag.Rank, e.Lag.P)
	}
	return r
}

// conditionCharts are two conditions, those that are named first and then those that
// stand out most; none where too few releases are late.
func conditionCharts(a *conditions.Answer, s *conditions.Sample) []Chart {
	if a.Few {
		return nil
	}
	at := make([]int, 0, len(detect.Conditions))
	for j := range detect.Conditions {
		if a.Each[j].N > 0 {
			at = append(at, j)
		}
	}
	named := func(j int) int {
		if slices.ContainsFunc(a.Named, func(n conditions.Named) bool { return n.Of == a.Each[j].Of }) {
			return 0
		}
		return 1
	}
	slices.SortStableFunc(at, func(x, y int) int {
		return cmp.Or(cmp.Compare(named(x), named(y)), cmp.Compare(a.Each[x].P, a.Each[y].P))
	})
	var list []Chart
	for _, j := range at[:min(2, len(at))] {
		list = append(list, conditionChart(&a.Each[j], j, s))
	}
	return list
}

// conditionChart draws the rate of late releases by a condition, with exact
// intervals.
func conditionChart(e *conditions.Effect, j int, s *conditions.Sample) Chart {
	c := Chart{Title: "Late releases against " + e.Of.Title, Columns: []string{"", "releases", "late", "rate, 95 %"}}
	groups := groupsOf(j, s)
	c.Figure = figures(func(u review.Units) template.HTML { return rateFigure(c.Title, e, groups, u) })
	for _, g := range groups {
		x := stats.Proportion(uint64(g.late), uint64(g.n))
		c.Rows = append(c.Rows, []string{conditions.Bounds(detect.Bound{Of: e.Of, From: g.from, To: g.to}, review.Metric.Quantity),
			fmt.Sprint(g.n), fmt.Sprint(g.late), review.Share(x.Low) + " to " + review.Share(x.High)})
	}
	return c
}

// rateGroup is a part of the releases of about the same size as the others, by a
// condition.
type rateGroup struct {
	from, to float64
	n, late  int
}

// mostGroups keeps the intervals narrow enough to see something.
const mostGroups = 6

func groupsOf(j int, s *conditions.Sample) (list []rateGroup) {
	type point struct {
		v    float64
		late bool
	}
	var p []point
	for i := range s.Releases {
		if v := s.Releases[i].Values[j]; !math.IsNaN(v) {
			p = append(p, point{v, s.Releases[i].Late})
		}
	}
	slices.SortStableFunc(p, func(a, b point) int { return cmp.Compare(a.v, b.v) })
	size := (len(p) + mostGroups - 1) / mostGroups
	for _, x := range p {
		n := len(list)
		if n == 0 || list[n-1].n >= size && x.v != list[n-1].to {
			list = append(list, rateGroup{from: x.v})
			n++
		}
		g := &list[n-1]
		g.to = x.v
		g.n++
		if x.late {
			g.late++
		}
	}
	return list
}

// countRoom keeps a count at the top of the plot clear of the axis' title.
const countRoom = 12

func rateFigure(title string, e *conditions.Effect, groups []rateGroup, u review.Units) template.HTML {
	in := func(v float64) float64 { x, _ := u.In(v, e.Of.Unit); return x }
	lo, hi := in(groups[0].from), in(groups[len(groups)-1].to)
	x := newAxis(lo, hi, left, chartW-right, 8)
	y := newAxis(0, 100, chartH-bottom, top, 5)
	g := newSVG(chartW, chartH, title)
	_, unit := u.In(0, e.Of.Unit)
	g.frame(x, y, strings.TrimSuffix(e.Of.Title+", "+unit, ", "), "late, %, with its 95 % interval")
	from, to := max(in(max(e.Best.From, -1e9)), x.lo), min(in(min(e.Best.To, 1e9)), x.hi)
	g.titled("where late ones stand out most", func() { g.rect(x.at(from), y.to, max(2, x.at(to)-x.at(from)), y.from-y.to, "region") })
	for _, k := range groups {
		i := stats.Proportion(uint64(k.late), uint64(k.n))
		a, b := x.at(in(k.from)), x.at(in(k.to))
		mid := (a + b) / 2
		g.titled(fmt.Sprintf("%d of %d late", k.late, k.n), func() {
			g.line(a, y.at(100*i.Estimate), max(b, a+2), y.at(100*i.Estimate), "odd")
			g.line(mid, y.at(100*i.Low), mid, y.at(100*i.High), "axis")
			g.mark(mid, y.at(100*i.Estimate), k.late > 0)
		})
		g.text(mid, max(y.at(100*i.High)-4, y.to+countRoom), "tick mid", fmt.Sprintf("%d/%d", k.late, k.n))
	}
	return g.end()
}

// Text writes the recipe for a terminal.
func (r *Recipe) Text(p func(format string, args ...any)) {
	u := 0
	if r.Head.Units == review.US {
		u = 1
	}
	p("%s, %s\n\n%s\n", r.Title, r.Span, r.Says[u])
	if r.Chance != "" {
		p("%s\n", r.Chance)
	}
	if r.Tried[u] != "" {
		p("%s\n", r.Tried[u])
	}
	if len(r.Steps) > 0 {
		p("\nTo make it happen again\n")
		for i, s := range r.Steps {
			p("  %d. %s.\n", i+1, s[u])
		}
		p("  %d. Come to a stop like that, and count.\n\n", len(r.Steps)+1)
		for _, s := range r.Apart {
			p("%s\n", s[u])
		}
		for _, t := range []string{r.Expect, r.Tries, r.Mended} {
			if t != "" {
				p("%s\n", t)
			}
		}
	}
	if r.Unmet[u] != "" {
		p("\n%s\n", r.Unmet[u])
	}
	const columns = "  %-38s %5s  %-18s %-22s %-28s %-22s %s\n"
	p("\nConditions of all releases\n"+columns, "", "known", "nine in ten at", "late ones stand out at", "late there (95 %)", "p among all looks", "lag grows with it")
	for _, x := range r.Table.Rows {
		p(columns, x.Name, x.Known, x.Range[u], x.Best[u], x.Rate, x.P, x.Lag)
	}
	p("\nCautions\n")
	for _, c := range r.Caution {
		p("- %s\n", c)
	}
}

// WriteRecipe writes it as a page without scripts.
func WriteRecipe(w io.Writer, r *Recipe, version string) error {
	r.Version = version
	out := bufio.NewWriter(plain(w))
	if err := templates.ExecuteTemplate(out, "recipe.tmpl", r); err != nil {
		return err
	}
	return out.Flush()
}
