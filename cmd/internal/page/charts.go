package page

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"joltwatch/bus"
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

// drawn returns the charts that have something to show, and says of which
// there is nothing.
func drawn(list []Chart) (shown []Chart, none string) {
	var titles []string
	for _, c := range list {
		if c.Figure == "" {
			titles = append(titles, strings.ToLower(c.Title[:1])+c.Title[1:])
			continue
		}
		shown = append(shown, c)
	}
	return shown, strings.Join(titles, "; ")
}

// charts draws the distributions of a stay, and of another beside it where it
// is not nil.
func charts(s, other *review.Stay, times review.Times) []Chart {
	list := []Chart{lagSpread(s, other), lagByTemperature(s, other), releaseOverDays(s, times), applyFelt(s, other),
		slipByGear(s, other), sharesBySpeed(s, other), sharesOverDrives(s, times)}
	if s.Lines != nil {
		list = append([]Chart{speedsPlane(s.Lines)}, list...)
	}
	return list
}

const (
	chartW = 640.0
	chartH = 300.0
	left   = 52.0
	right  = 16.0
	top    = 28.0
	bottom = 44.0
)

// dot is one event in a chart.
type dot struct {
	x, y   float64
	number int
	odd    bool // out of the ordinary
}

// dots collects points of the events of a kind.
func dots(s *review.Stay, kind string, xy func(*review.Event) (x, y float64, ok bool)) []dot {
	if s == nil {
		return nil
	}
	var list []dot
	for i := range s.Events {
		e := &s.Events[i]
		if e.Kind != kind {
			continue
		}
		// Nothing that a vehicle does is beyond a million of its units.
		if x, y, ok := xy(e); ok && math.Abs(x) < 1e6 && math.Abs(y) < 1e6 {
			list = append(list, dot{x, y, e.Number, e.Strange()})
		}
	}
	return list
}

// rule is a line across a chart: a limit.
type rule struct {
	at   float64
	name string
}

// limitOf is the limit of lags in the stay's last run; none where it has no
// release.
func limitOf(s *review.Stay) *rule {
	for i := len(s.Events) - 1; i >= 0; i-- {
		if v, ok := s.Limit(&s.Events[i], "lag_s"); ok {
			return &rule{v, "limit " + review.Metric.Quantity(v, "s")}
		}
	}
	return nil
}

// lag of a release, or the least it can have been where it was not seen to
// end.
func lag(e *review.Event) (float64, bool) {
	if v, ok := e.Get("lag_s"); ok {
		return v, true
	}
	if e.Strange() {
		return e.Get("lag_min_s")
	}
	return 0, false
}

func lagSpread(s, other *review.Stay) Chart {
	c := Chart{Title: "How long releases take"}
	xy := func(e *review.Event) (float64, float64, bool) {
		v, ok := lag(e)
		return 0, v, ok
	}
	a, b := dots(s, detect.KindReleaseLag, xy), dots(other, detect.KindReleaseLag, xy)
	if len(a)+len(b) == 0 {
		c.Note = "Nothing to draw: no release with a lag is on file."
		return c
	}
	limit := limitOf(s)
	c.Figure = histogram(c.Title, a, b, "lag, s", limit)
	c.Columns = []string{"", "releases", "median, s", "90 % below, s", "greatest, s", "beyond the limit", "rate, 95 %"}
	row := func(name string, list []dot) []string { return append(spread(name, list), beyond(list, limit)...) }
	c.Rows = append(c.Rows, row("this stay", a), row("the other", b))[:1+min(1, len(b))]
	return c
}

// beyond counts those past the limit, with the exact interval of their share.
func beyond(list []dot, limit *rule) []string {
	if limit == nil || len(list) == 0 {
		return []string{"–", "–"}
	}
	n := uint64(0)
	for _, d := range list {
		if d.y > limit.at {
			n++
		}
	}
	i := stats.Proportion(n, uint64(len(list)))
	return []string{fmt.Sprintf("%d of %d", n, len(list)), review.Share(i.Low) + " to " + review.Share(i.High)}
}

func lagByTemperature(s, other *review.Stay) Chart {
	c := Chart{Title: "Release lag against fluid temperature"}
	points := func(s *review.Stay, u review.Units) []dot {
		return dots(s, detect.KindReleaseLag, func(e *review.Event) (float64, float64, bool) {
			y, ok := lag(e)
			if !ok || e.Context.FluidTemperatureC == nil {
				return 0, 0, false
			}
			x, _ := u.In(*e.Context.FluidTemperatureC, "°C")
			return x, y, true
		})
	}
	a, b := points(s, review.Metric), points(other, review.Metric)
	if len(a)+len(b) == 0 {
		c.Note = "Nothing to draw: no release lag with a fluid temperature is on file."
		return c
	}
	c.Figure = figures(func(u review.Units) template.HTML {
		_, unit := u.In(0, "°C")
		return scatter(c.Title, points(s, u), points(other, u), plane{xTitle: "fluid temperature, " + unit, yTitle: "lag, s", limit: limitOf(s)})
	})
	c.Columns = []string{"", "events", "median lag, s", "90 % below, s", "greatest, s"}
	c.Rows = append(c.Rows, spread("this stay", a), spread("the other", b))[:1+min(1, len(b))]
	return c
}

// releaseSpeed is the turbine speed at which the speeds parted, and the measure
// that says so.
func releaseSpeed(e *review.Event) (rpm float64, measure string, ok bool) {
	for _, name := range []string{"release_turbine_rpm", "release_speed_rpm", "turbine_low_rpm"} {
		if v, ok := e.Get(name); ok {
			return v, name, true
		}
	}
	return 0, "", false
}

func releaseOverDays(s *review.Stay, times review.Times) Chart {
	c := Chart{Title: "Turbine speed at release, day by day"}
	var zero bus.Micros
	known := true
	for i := range s.Drives {
		d := &s.Drives[i]
		w, ok := times.Wall(d.Clock, d.Account.Start)
		known = known && ok
		if i == 0 && ok {
			zero = bus.Micros(midnight(w).UnixMicro())
		}
	}
	list := dots(s, detect.KindReleaseLag, func(e *review.Event) (float64, float64, bool) {
		y, _, ok := releaseSpeed(e)
		if !known || !e.Clock.Known {
			return float64(e.Drive), y, ok
		}
		return (e.Clock.Zero + e.Start - zero).Seconds() / 86400, y, ok
	})
	if len(list) == 0 {
		c.Note = "Nothing to draw: no release with a turbine speed is on file."
		return c
	}
	x := "day of the stay"
	switch {
	case !known:
		x = "drive"
	case greatest(list) < 1:
		x = "hour of the day"
		for i := range list {
			list[i].x *= 24
		}
	}
	c.Figure = scatter(c.Title, list, nil, plane{xTitle: x, yTitle: "turbine, rpm"})
	c.Columns = []string{"", "releases", "median, rpm", "90 % below, rpm", "greatest, rpm"}
	c.Rows = [][]string{spread("this stay", list)}
	return c
}

// greatest is the greatest x of the dots.
func greatest(list []dot) float64 {
	return slices.MaxFunc(list, func(a, b dot) int { return cmp.Compare(a.x, b.x) }).x
}

// spread tells a distribution, rounded as its step deserves.
func spread(name string, list []dot) []string {
	var v []float64
	for _, d := range list {
		v = append(v, d.y)
	}
	slices.Sort(v)
	if len(v) == 0 {
		return []string{name, "0", "–", "–", "–"}
	}
	f := func(q float64) string { return significant(stats.Quantile(v, q)) }
	return []string{name, fmt.Sprint(len(v)), f(0.5), f(0.9), f(1)}
}

// significant writes a value with three digits at most behind which nothing is
// known.
func significant(v float64) string {
	switch x := math.Abs(v); {
	case x >= 100:
		return fmt.Sprintf("%.0f", v)
	case x >= 10:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}

// plane is what a scatter is drawn on.
type plane struct {
	xTitle, yTitle string
	limit          *rule
	// jitter spreads points that share a whole-numbered x.
	jitter float64
}

// scatter draws this stay as filled discs, those out of the ordinary as larger
// diamonds with a rim, and the other stay as open squares.
func scatter(title string, a, b []dot, p plane) template.HTML {
	lox, hix, hiy := math.Inf(1), math.Inf(-1), 0.0
	loy := 0.0
	for _, d := range append(slices.Clone(a), b...) {
		lox, hix = min(lox, d.x), max(hix, d.x)
		hiy, loy = max(hiy, d.y), min(loy, d.y)
	}
	if p.limit != nil {
		hiy = max(hiy, p.limit.at)
	}
	g := newSVG(chartW, chartH, title)
	x := newAxis(lox, hix, left, chartW-right, 8)
	if p.jitter > 0 { // whole numbers only
		x = stepped(lox-1, hix+1, left, chartW-right, 1)
	}
	y := newAxis(loy, hiy, chartH-bottom, top, 5)
	g.frame(x, y, p.xTitle, p.yTitle)
	if p.limit != nil {
		g.line(x.from, y.at(p.limit.at), x.to, y.at(p.limit.at), "limit")
		g.text(x.to-2, y.at(p.limit.at)-5, "tick end", p.limit.name)
	}
	a, b = thinned(a), thinned(b)
	spreadBy := func(i int) float64 { return p.jitter * (float64(i*37%19)/18 - 0.5) }
	for i, d := range b {
		g.raw(`<rect x="%.1f" y="%.1f" width="7" height="7" class="other"/>`, x.at(d.x+spreadBy(i)+p.jitter*0.7)-3.5, y.at(d.y)-3.5)
	}
	for i, d := range a {
		g.raw(`<a href="#event-%d"><title>event %d: %s %.3g, %s %.3g</title>`, d.number, d.number, p.xTitle, d.x, p.yTitle, d.y)
		g.mark(x.at(d.x+spreadBy(i)), y.at(d.y), d.odd)
		g.raw(`</a>`)
	}
	legend(g, slices.ContainsFunc(a, func(d dot) bool { return d.odd }), len(b) > 0)
	return g.end()
}

// mostPoints bounds the ordinary points of a chart.
const mostPoints = 1500

// thinned keeps every point that is out of the ordinary, and evenly spaced
// ones of the others where there are too many to tell apart.
func thinned(list []dot) []dot {
	step := 1 + len(list)/mostPoints
	if step == 1 {
		return list
	}
	var kept []dot
	for i, d := range list {
		if d.odd || i%step == 0 {
			kept = append(kept, d)
		}
	}
	return kept
}

// mark is a disc, or a diamond where it is out of the ordinary.
func (s *svg) mark(x, y float64, odd bool) {
	if odd {
		s.raw(`<path d="M%.1f %.1fl6 6-6 6-6-6z" class="oddmark"/>`, x, y-6)
		return
	}
	s.raw(`<circle cx="%.1f" cy="%.1f" r="3.6" class="this"/>`, x, y)
}

func legend(g *svg, odd, both bool) {
	x := chartW - 330
	g.mark(x, 12, false)
	g.text(x+10, 16, "tick", "this stay")
	if odd {
		g.mark(x+85, 12, true)
		g.text(x+97, 16, "tick", "out of the ordinary")
	}
	if both {
		g.raw(`<rect x="%.1f" y="8.5" width="7" height="7" class="other"/>`, x+225)
		g.text(x+239, 16, "tick", "the other")
	}
}

// applyFelt draws what a driver feels of an apply: how long it takes and how
// far the engine is pulled down.
func applyFelt(s, other *review.Stay) Chart {
	c := Chart{Title: "Applies as the driver feels them"}
	xy := func(e *review.Event) (float64, float64, bool) {
		m, ok := review.Main(&e.Finding)
		y, has := e.Get("engine_pulled_down_rpm")
		_, unit := review.MeasureWords(m.Name)
		return m.Value, y, ok && has && unit == "s"
	}
	a, b := dots(s, detect.KindApply, xy), dots(other, detect.KindApply, xy)
	if len(a)+len(b) == 0 {
		c.Note = "Nothing to draw: no apply with its time and the engine's fall is on file."
		return c
	}
	c.Figure = scatter(c.Title, a, b, plane{xTitle: "time to close, s", yTitle: "engine pulled down, rpm"})
	c.Columns = []string{"", "applies", "median", "90 % below", "greatest"}
	for _, m := range []struct{ words, name string }{{"time to close, s", "apply_s"}, {"engine pulled down, rpm", "engine_pulled_down_rpm"},
		{"fastest fall of slip, rpm/s", "slip_rate_peak_rpm_per_s"}, {"energy into the linings, J", "lining_energy_j"},
		{"pressure at first touch, kPa", "first_touch_kpa"}, {"jerk, m/s³", "jerk_mps3"}, {"road speed, km/h", roadSpeed}} {
		for i, stay := range []*review.Stay{s, other} {
			list := dots(stay, detect.KindApply, func(e *review.Event) (float64, float64, bool) {
				v, ok := e.Get(m.name)
				if m.name == roadSpeed && e.Context.SpeedKmh != nil {
					v, ok = *e.Context.SpeedKmh, true
				}
				return 0, v, ok
			})
			if len(list) > 0 {
				c.Rows = append(c.Rows, spread(m.words+[]string{"", " (the other)"}[i], list))
			}
		}
	}
	return c
}

// roadSpeed stands for that of an event's context among its measures.
const roadSpeed = "road speed"

// histogram draws shares of each stay by bin, side by side.
func histogram(title string, a, b []dot, xTitle string, limit *rule) template.HTML {
	hi := 0.0
	for _, d := range append(slices.Clone(a), b...) {
		hi = max(hi, d.y)
	}
	if limit != nil {
		hi = max(hi, 1.1*limit.at)
	}
	x := newAxis(0, hi, left, chartW-right, 24)
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
	coarse := x
	coarse.ticks = nil
	for i := 0; i < len(x.ticks); i += 1 + len(x.ticks)/13 {
		coarse.ticks = append(coarse.ticks, x.ticks[i])
	}
	g.frame(coarse, y, xTitle, "share, %")
	for i := range sa {
		x0, x1 := x.at(x.ticks[i])+1, x.at(x.ticks[i+1])-1
		if len(b) > 0 {
			mid := (x0 + x1) / 2
			g.rect(mid, y.at(sb[i]), x1-mid, y.from-y.at(sb[i]), "other")
			x1 = mid
		}
		g.rect(x0, y.at(sa[i]), x1-x0, y.from-y.at(sa[i]), "this")
	}
	if limit != nil {
		g.line(x.at(limit.at), y.from, x.at(limit.at), y.to, "limit")
		g.text(x.at(limit.at)+5, y.to+12, "tick", limit.name)
	}
	legend(g, false, len(b) > 0)
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
	c.Figure = scatter(c.Title, a, b, plane{xTitle: "gear", yTitle: "mean slip, rpm", jitter: 0.3})
	c.Columns = []string{"", "events", "median, rpm", "90 % below, rpm", "greatest, rpm"}
	c.Rows = append(c.Rows, spread("this stay", a), spread("the other", b))[:1+min(1, len(b))]
	return c
}

var states = []string{"closed", "partial", "coast", "open", "unknown"}

// stateSeconds are the times of a band in the order of states.
func stateSeconds(b detect.Band) []float64 {
	return []float64{b.Closed, b.Partial, b.Coast, b.Open, b.Unknown}
}

// bar is one row of shares of the clutch's states, in seconds.
type bar struct {
	name string
	v    []float64
	from float64 // where its band begins
}

func (b bar) total() (t float64) {
	for _, x := range b.v {
		t += x
	}
	return t
}

func sharesBySpeed(s, other *review.Stay) Chart {
	c := Chart{Title: "Clutch state by speed band, km/h"}
	var rows []bar
	add := func(s *review.Stay, mark string) {
		if s == nil {
			return
		}
		t := s.Total()
		for _, b := range t.Bands {
			if strings.HasPrefix(b.Of, "speed") {
				rows = append(rows, bar{b.Label + mark, stateSeconds(b), b.From})
			}
		}
	}
	add(s, "")
	if other != nil {
		add(other, " (other)")
		slices.SortStableFunc(rows, func(a, b bar) int { return cmp.Compare(a.from, b.from) })
	}
	return c.bars(rows, "speed band, km/h", "Nothing to draw: no moving time by speed band is on file.")
}

// mostDrives bounds the drives that are drawn one by one.
const mostDrives = 40

// sharesOverDrives draws what the clutch did over the day, drive by drive.
func sharesOverDrives(s *review.Stay, times review.Times) Chart {
	c := Chart{Title: "Clutch state over the day, drive by drive"}
	var rows []bar
	for i := range s.Drives {
		d := &s.Drives[i]
		a := &d.Account
		name := fmt.Sprintf("drive %d", d.Number)
		if w, ok := times.Wall(d.Clock, a.Start); ok {
			name = w.Format("Mon 15:04")
		}
		rows = append(rows, bar{name, []float64{a.ClosedS, a.PartialS, a.CoastS, a.OpenS, a.UnknownS}, 0})
	}
	if len(rows) > mostDrives {
		c.Note = fmt.Sprintf("The last %d of %d drives.", mostDrives, len(rows))
		rows = rows[len(rows)-mostDrives:]
	}
	return c.bars(rows, "drive", "Nothing to draw: no moving time is on file.")
}

// bars draws rows of shares, those without time left out.
func (c Chart) bars(rows []bar, of, none string) Chart {
	rows = slices.DeleteFunc(rows, func(r bar) bool { return r.total() <= 0 })
	if len(rows) == 0 {
		c.Note = none
		return c
	}
	const barH, nameW = 24.0, 120.0
	g := newSVG(chartW, top+float64(len(rows))*(barH+6)+10, c.Title)
	for i, name := range states {
		x := nameW + float64(i)*100
		g.rect(x, 4, 12, 12, "state-"+name)
		g.text(x+17, 14, "tick", name)
	}
	c.Columns = append([]string{of, "moving, min"}, states...)
	for i, r := range rows {
		y := top + float64(i)*(barH+6)
		g.text(nameW-8, y+16, "tick end", r.name)
		cells := []string{r.name, fmt.Sprintf("%.1f", r.total()/60)}
		x := nameW
		for j, v := range r.v {
			w := v / r.total() * (chartW - nameW - right)
			g.rect(x, y, w, barH, "state-"+states[j])
			if w > 34 {
				g.text(x+w/2, y+16, "mid on-"+states[j], fmt.Sprintf("%.0f %%", 100*v/r.total()))
			}
			x += w
			cells = append(cells, fmt.Sprintf("%.1f %%", 100*v/r.total()))
		}
		c.Rows = append(c.Rows, cells)
	}
	c.Figure = g.end()
	return c
}
