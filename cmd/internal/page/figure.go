package page

import (
	"cmp"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/storage/review"
)

// plot is the traces of one event on one time axis, panel below panel.
type plot struct {
	stay     *review.Stay
	e        *review.Event
	units    review.Units
	from, to bus.Micros
	panels   []panel
}

type panel struct {
	title  string
	unit   string // of the traces, metric
	lines  []*review.Trace
	lo, hi float64
}

// panelsOf are the panels of a figure, those without a trace left out.
var panelsOf = []struct {
	title, unit string
	names       []string
}{
	{"speed", "rpm", []string{"engine_speed", "turbine_speed", "output_speed"}},
	{"slip", "rpm", []string{review.Slip}},
	{"pressure", "kPa", []string{"clutch_pressure_command", "clutch_pressure"}},
	{"clutch duty", "%", []string{"clutch_command"}},
	{"road speed", "km/h", []string{"vehicle_speed"}},
}

func newPlot(s *review.Stay, e *review.Event, u review.Units, lines []review.Trace) *plot {
	p := &plot{stay: s, e: e, units: u, from: max(e.Start-6*bus.Second, e.From), to: min(e.End+5*bus.Second, e.To)}
	for _, x := range panelsOf {
		q := panel{unit: x.unit, lo: math.Inf(1), hi: math.Inf(-1)}
		_, shown := u.In(0, x.unit)
		q.title = x.title + ", " + shown
		for i := range lines {
			if slices.Contains(x.names, lines[i].Name) {
				q.lines = append(q.lines, &lines[i])
			}
		}
		for _, t := range q.lines {
			for i, at := range t.T {
				if at >= p.from && at <= p.to && !math.IsNaN(t.V[i]) {
					v, _ := u.In(t.V[i], x.unit)
					q.lo, q.hi = min(q.lo, v), max(q.hi, v)
				}
			}
		}
		if q.lo <= q.hi {
			p.panels = append(p.panels, q)
		}
	}
	return p
}

const (
	panelPitch = 26.0 // between one panel and the next
	nameW      = 132.0
)

// height of the panels, each so high, and of the time axis below them.
func (p *plot) height(panelH float64) float64 {
	return float64(len(p.panels))*(panelH+panelPitch) + 20
}

// draw lays the panels down from y.
func (p *plot) draw(s surface, w, y, panelH float64) {
	x := axis{lo: (p.from - p.e.Start).Seconds(), hi: (p.to - p.e.Start).Seconds(), from: left, to: w - nameW}
	for i, q := range p.panels {
		top := y + float64(i)*(panelH+panelPitch) + 18
		v := newAxis(q.lo, q.hi, top+panelH, top, 4)
		for _, t := range v.ticks {
			s.line(x.from, v.at(t), x.to, v.at(t), "grid")
			s.text(x.from-6, v.at(t)+4, "tick end", v.label(t))
		}
		s.text(x.from, top-6, "title", q.title)
		if i == 0 {
			p.habit(s, q, x, v)
		}
		p.judged(s, x, top, panelH, i == 0)
		p.lines(s, q, x, v)
	}
	bottom := y + p.height(panelH)
	for t := math.Ceil(x.lo); t <= x.hi; t++ {
		if int(t)%2 == 0 {
			s.text(x.at(t), bottom-6, "tick mid", fmt.Sprintf("%+.0f s", t))
		}
	}
}

// habit draws at which speeds the vehicle's clutch usually lets go.
func (p *plot) habit(s surface, q panel, x, v axis) {
	b := usualRelease(p.stay, p.e)
	if b == nil || b.To <= q.lo || b.From >= q.hi {
		return
	}
	y := v.at(min(b.To, q.hi))
	s.rect(x.from, y, x.to-x.from, max(v.at(max(b.From, q.lo))-y, 1), "habit")
	s.text(x.from+4, y-3, "note", b.Name)
}

// judged shades the instants, the vehicle's usual range and the limit, with
// their names in the first panel.
func (p *plot) judged(s surface, x axis, top, h float64, named bool) {
	inside := func(sec float64) float64 { return min(max(x.at(sec), x.from), x.to) }
	sec := func(at bus.Micros) float64 { return (at - p.e.Start).Seconds() }
	limit, usual := judgedBy(p.stay, p.e, sec)
	var names []indexBand
	note := func(at float64, name string) { names = append(names, indexBand{name, at, at}) }
	if usual != nil {
		a := inside(usual.From)
		s.rect(a, top, inside(usual.To)-a, h, "habit")
		note(usual.To, "usual")
	}
	for _, in := range p.e.Instants {
		a, b := inside(sec(in.Early)), inside(sec(in.Late))
		s.rect(a, top, max(b-a, 1), h, "instant")
		note(sec(in.At), in.Name)
	}
	if limit != nil && limit.From < x.hi {
		s.line(inside(limit.From), top, inside(limit.From), top+h, "limit")
		note(limit.From, limit.Name)
	}
	if named {
		writeNames(s, names, func(n indexBand) float64 { return inside(n.From) + 4 }, top+12)
	}
}

// writeNames writes names from their places on, each in the first row in which it
// covers no other.
func writeNames(s surface, names []indexBand, at func(indexBand) float64, y float64) {
	const letterW, rowH = 6.4, 13.0
	slices.SortStableFunc(names, func(a, b indexBand) int { return cmp.Compare(a.From, b.From) })
	var ends []float64
	for _, n := range names {
		x, row := at(n), 0
		for row < len(ends) && ends[row] > x {
			row++
		}
		if row == len(ends) {
			ends = append(ends, 0)
		}
		ends[row] = x + letterW*float64(len(n.Name)+1)
		s.text(x, y+rowH*float64(row), "note", n.Name)
	}
}

// lines draws the traces of a panel and their names at the right-hand end.
func (p *plot) lines(s surface, q panel, x, y axis) {
	below := math.Inf(-1)
	for _, t := range q.lines {
		var px, py []float64
		end := math.NaN()
		for i, at := range t.T {
			if at < p.from || at > p.to {
				continue
			}
			v, _ := p.units.In(t.V[i], q.unit)
			if t.Step && len(py) > 0 {
				px, py = append(px, x.at((at-p.e.Start).Seconds())), append(py, py[len(py)-1])
			}
			px, py = append(px, x.at((at-p.e.Start).Seconds())), append(py, y.at(v))
			if !math.IsNaN(v) {
				end = y.at(v)
			}
		}
		s.path(px, py, "trace "+traceClass(t.Name))
		if math.IsNaN(end) {
			continue
		}
		end = max(end, below+14)
		below = end
		s.text(x.to+6, end+4, "tick "+traceClass(t.Name), traceLabel(t.Name))
	}
}

// still draws the traces of one event as a fixed figure in a page, for paper
// and for readers without scripts.
func still(s *review.Stay, e *review.Event, lines []review.Trace) template.HTML {
	return figures(func(u review.Units) template.HTML {
		const w, panelH = 640.0, 76.0 // four panels stand below the verdict on a sheet
		p := newPlot(s, e, u, lines)
		if len(p.panels) == 0 || p.to <= p.from {
			return ""
		}
		g := newSVG(w, p.height(panelH), fmt.Sprintf("Traces of event %d", e.Number))
		p.draw(g, w, 0, panelH)
		return g.end()
	})
}

// Formats are those that a figure is written in, by the ending of its file.
var Formats = []string{"svg", "png"}

// Figure writes the traces of one event, with title, units and annotations, as
// a picture that stands by itself: for a bulletin, a lesson or a video. The
// error says what is missing where there is nothing to draw.
func Figure(w io.Writer, s *review.Stay, e *review.Event, format string, v View) error {
	lines, err := s.Traces(e.Boot, e.From, e.To)
	if err != nil && len(lines) == 0 {
		return fmt.Errorf("event %d: %w", e.Number, err)
	}
	p := newPlot(s, e, v.Units, lines)
	if len(p.panels) == 0 || p.to <= p.from {
		return fmt.Errorf("event %d: no evidence of speeds or pressures was kept with it, so there is nothing to draw", e.Number)
	}
	const width, panelH, headH, footH = 960.0, 150.0, 62.0, 34.0
	height := headH + p.height(panelH) + footH
	title := fmt.Sprintf("Event %d: %s", e.Number, review.Finding(e.Kind, e.Class))
	if m, ok := review.Main(&e.Finding); ok {
		title += ", " + v.Units.Measure(m)
	}
	draw := func(to surface) {
		to.rect(0, 0, width, height, "paper")
		to.text(left, 28, "heading", title)
		to.text(left, 48, "subheading", s.Title()+" · "+v.Times.Spoken(e.Clock, e.Start)+" ("+v.Times.Name(e.Clock, e.Start)+")")
		p.draw(to, width, headH, panelH)
		to.text(left, height-14, "subheading", "Recorded with joltwatch. What is shown is consistent with a cause, never a verdict on a part.")
	}
	if format == "png" {
		r, err := newRaster(width, height, 2)
		if err != nil {
			return err
		}
		draw(r)
		return r.c.EncodePNG(w)
	}
	doc := &sheet{w: width, h: height}
	draw(doc)
	return doc.writeTo(plain(w), title)
}

// traceClass is the style class of a line: its name with safe letters only.
func traceClass(name string) string {
	b := []byte(name)
	for i, c := range b {
		if c < 'a' || c > 'z' {
			b[i] = '-'
		}
	}
	return "t-" + string(b)
}

// traceLabels are what a line is called beside it, where that is not its name.
var traceLabels = map[string]string{
	"engine_speed": "engine", "turbine_speed": "turbine", "output_speed": "output shaft", "clutch_pressure_command": "pressure asked",
	"clutch_pressure": "pressure", "clutch_command": "clutch command", "vehicle_speed": "road speed", "slip_command": "slip asked",
	"slip_reported": "slip reported", "lockup_state": "lockup as reported", "driver_mark": "driver's mark", "fluid_temperature": "fluid",
	"engine_torque": "engine torque", "supply_voltage": "supply", "clutch_state": "clutch state",
}

func traceLabel(name string) string {
	if l, ok := traceLabels[name]; ok {
		return l
	}
	return name
}
