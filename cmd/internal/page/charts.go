package page

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"joltwatch/detect"
	"joltwatch/storage/review"
	"joltwatch/storage/review/stats"
)

// Chart is one figure with the numbers behind it.
type Chart struct {
	Title   string
	Note    string
	Figure  template.HTML
	Columns []string
	Rows    [][]string
}

// charts draws the distributions of a stay, and of another beside it where it
// is not nil.
func charts(s, other *review.Stay) []Chart {
	return []Chart{lagByTemperature(s, other), applyTime(s, other), slipByGear(s, other), sharesBySpeed(s, other)}
}

const (
	chartW = 640.0
	chartH = 300.0
	left   = 52.0
	right  = 16.0
	top    = 28.0
	bottom = 44.0
)

type dot struct {
	x, y   float64
	number int
}

// dots collects points of the events of a kind.
func dots(s *review.Stay, kind string, xy func(*review.Event) (x, y float64, ok bool)) []dot {
	if s == nil {
		return nil
	}
	var list []dot
	for i := range s.Events {
		e := &s.Events[i]
		if kind != "" && e.Kind != kind {
			continue
		}
		// Nothing that a vehicle does is beyond a million of its units.
		if x, y, ok := xy(e); ok && math.Abs(x) < 1e6 && math.Abs(y) < 1e6 {
			list = append(list, dot{x, y, e.Number})
		}
	}
	return list
}

func lagByTemperature(s, other *review.Stay) Chart {
	c := Chart{Title: "Release lag against fluid temperature"}
	xy := func(e *review.Event) (float64, float64, bool) {
		y, ok := e.Get("lag_s")
		if !ok || e.Context.FluidTemperatureC == nil {
			return 0, 0, false
		}
		return *e.Context.FluidTemperatureC, y, true
	}
	a, b := dots(s, detect.KindReleaseLag, xy), dots(other, detect.KindReleaseLag, xy)
	if len(a)+len(b) == 0 {
		c.Note = "Nothing to draw: no release lag with a fluid temperature is on file."
		return c
	}
	c.Figure = scatter(c.Title, a, b, "fluid temperature, °C", "lag, s", 0)
	c.Columns = []string{"", "events", "median lag, s", "90 % below, s", "greatest, s"}
	c.Rows = append(c.Rows, spread("this stay", a), spread("the other", b))[:1+min(1, len(b))]
	return c
}

func spread(name string, list []dot) []string {
	var v []float64
	for _, d := range list {
		v = append(v, d.y)
	}
	slices.Sort(v)
	if len(v) == 0 {
		return []string{name, "0", "–", "–", "–"}
	}
	f := func(q float64) string { return fmt.Sprintf("%.2f", stats.Quantile(v, q)) }
	return []string{name, fmt.Sprint(len(v)), f(0.5), f(0.9), f(1)}
}

// scatter draws this stay as filled discs and the other as open squares; jitter
// spreads points that share an x.
func scatter(title string, a, b []dot, xTitle, yTitle string, jitter float64) template.HTML {
	lox, hix, hiy := math.Inf(1), math.Inf(-1), 0.0
	loy := 0.0
	for _, d := range append(slices.Clone(a), b...) {
		lox, hix = min(lox, d.x), max(hix, d.x)
		hiy, loy = max(hiy, d.y), min(loy, d.y)
	}
	g := newSVG(chartW, chartH, title)
	x := newAxis(lox, hix, left, chartW-right, 8)
	if jitter > 0 { // whole numbers only
		x = stepped(lox-1, hix+1, left, chartW-right, 1)
	}
	y := newAxis(loy, hiy, chartH-bottom, top, 5)
	g.frame(x, y, xTitle, yTitle)
	spreadBy := func(i int) float64 { return jitter * (float64(i*37%19)/18 - 0.5) }
	for i, d := range b {
		g.raw(`<rect x="%.1f" y="%.1f" width="7" height="7" class="other"/>`, x.at(d.x+spreadBy(i)+jitter*0.7)-3.5, y.at(d.y)-3.5)
	}
	for i, d := range a {
		g.raw(`<a href="#event-%d"><title>event %d: %s %.3g, %s %.3g</title><circle cx="%.1f" cy="%.1f" r="3.6" class="this"/></a>`,
			d.number, d.number, xTitle, d.x, yTitle, d.y, x.at(d.x+spreadBy(i)), y.at(d.y))
	}
	legend(g, len(b) > 0)
	return g.end()
}

func legend(g *svg, both bool) {
	g.raw(`<circle cx="%.1f" cy="12" r="3.6" class="this"/>`, chartW-220)
	g.text(chartW-210, 16, "tick", "this stay")
	if both {
		g.raw(`<rect x="%.1f" y="8.5" width="7" height="7" class="other"/>`, chartW-120.0)
		g.text(chartW-106, 16, "tick", "the other")
	}
}

// applySeconds is the time of an apply, whatever the detector could measure.
func applySeconds(e *review.Event) (float64, bool) {
	m, ok := review.Main(&e.Finding)
	if _, unit := review.MeasureWords(m.Name); !ok || unit != "s" {
		return 0, false
	}
	return m.Value, true
}

func applyTime(s, other *review.Stay) Chart {
	c := Chart{Title: "Apply time"}
	xy := func(e *review.Event) (float64, float64, bool) {
		v, ok := applySeconds(e)
		return 0, v, ok
	}
	a, b := dots(s, detect.KindApply, xy), dots(other, detect.KindApply, xy)
	if len(a)+len(b) == 0 {
		c.Note = "Nothing to draw: no apply with a time is on file."
		return c
	}
	c.Figure = histogram(c.Title, a, b, "apply time, s")
	c.Columns = []string{"", "applies", "median, s", "90 % below, s", "greatest, s"}
	c.Rows = append(c.Rows, spread("this stay", a), spread("the other", b))[:1+min(1, len(b))]
	return c
}

// histogram draws shares of each stay by bin, side by side.
func histogram(title string, a, b []dot, xTitle string) template.HTML {
	hi := 0.0
	for _, d := range append(slices.Clone(a), b...) {
		hi = max(hi, d.y)
	}
	x := newAxis(0, hi, left, chartW-right, 12)
	share := func(list []dot) []float64 {
		v := make([]float64, len(x.ticks)-1)
		for _, d := range list {
			v[min(len(v)-1, max(0, int(d.y/x.step)))] += 100 / float64(len(list))
		}
		return v
	}
	sa, sb := share(a), share(b)
	y := newAxis(0, slices.Max(append(slices.Clone(sa), sb...)), chartH-bottom, top, 4)
	g := newSVG(chartW, chartH, title)
	g.frame(x, y, xTitle, "share, %")
	for i := range sa {
		x0, x1 := x.at(x.ticks[i])+1, x.at(x.ticks[i+1])-1
		if len(b) > 0 {
			mid := (x0 + x1) / 2
			g.rect(mid, y.at(sb[i]), x1-mid, y.from-y.at(sb[i]), "other")
			x1 = mid
		}
		g.rect(x0, y.at(sa[i]), x1-x0, y.from-y.at(sa[i]), "this")
	}
	legend(g, len(b) > 0)
	return g.end()
}

func slipByGear(s, other *review.Stay) Chart {
	c := Chart{Title: "Slip under load by gear"}
	xy := func(e *review.Event) (float64, float64, bool) {
		y, ok := e.Get("slip_mean_rpm")
		if !ok || e.Context.Gear == nil || math.Abs(*e.Context.Gear) > 20 {
			return 0, 0, false
		}
		return *e.Context.Gear, y, true
	}
	a, b := dots(s, detect.KindHillSlip, xy), dots(other, detect.KindHillSlip, xy)
	if len(a)+len(b) == 0 {
		c.Note = "Nothing to draw: no slip held under load with a known gear is on file."
		return c
	}
	c.Figure = scatter(c.Title, a, b, "gear", "mean slip, rpm", 0.3)
	c.Columns = []string{"", "events", "median, rpm", "90 % below, rpm", "greatest, rpm"}
	c.Rows = append(c.Rows, spread("this stay", a), spread("the other", b))[:1+min(1, len(b))]
	return c
}

var states = []string{"closed", "partial", "coast", "open", "unknown"}

// stateSeconds are the times of a band in the order of states.
func stateSeconds(b detect.Band) []float64 {
	return []float64{b.Closed, b.Partial, b.Coast, b.Open, b.Unknown}
}

func sharesBySpeed(s, other *review.Stay) Chart {
	c := Chart{Title: "Clutch state by speed band"}
	type row struct {
		name string
		v    []float64
	}
	var rows []row
	add := func(s *review.Stay, mark string) {
		if s == nil {
			return
		}
		t := s.Total()
		for _, b := range t.Bands {
			if strings.HasPrefix(b.Of, "speed") {
				rows = append(rows, row{b.Label + mark, stateSeconds(b)})
			}
		}
	}
	add(s, "")
	if other != nil {
		add(other, " (other)")
		slices.SortStableFunc(rows, func(a, b row) int {
			return strings.Compare(strings.TrimSuffix(a.name, " (other)"), strings.TrimSuffix(b.name, " (other)"))
		})
	}
	sum := func(v []float64) (t float64) {
		for _, x := range v {
			t += x
		}
		return
	}
	rows = slices.DeleteFunc(rows, func(r row) bool { return sum(r.v) <= 0 })
	if len(rows) == 0 {
		c.Note = "Nothing to draw: no moving time by speed band is on file."
		return c
	}
	const barH, nameW = 24.0, 120.0
	h := top + float64(len(rows))*(barH+6) + 10
	g := newSVG(chartW, h, c.Title)
	for i, name := range states {
		x := nameW + float64(i)*100
		g.rect(x, 4, 12, 12, "state-"+name)
		g.text(x+17, 14, "tick", name)
	}
	c.Columns = append([]string{"speed band, km/h", "moving, min"}, states...)
	for i, r := range rows {
		total := sum(r.v)
		y := top + float64(i)*(barH+6)
		g.text(nameW-8, y+16, "tick end", r.name)
		cells := []string{r.name, fmt.Sprintf("%.1f", total/60)}
		x := nameW
		for j, v := range r.v {
			w := v / total * (chartW - nameW - right)
			g.rect(x, y, w, barH, "state-"+states[j])
			if w > 34 {
				g.text(x+w/2, y+16, "mid on-"+states[j], fmt.Sprintf("%.0f %%", 100*v/total))
			}
			x += w
			cells = append(cells, fmt.Sprintf("%.1f %%", 100*v/total))
		}
		c.Rows = append(c.Rows, cells)
	}
	c.Figure = g.end()
	return c
}
