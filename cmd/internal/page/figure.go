package page

import (
	"fmt"
	"html/template"
	"math"

	"joltwatch/bus"
	"joltwatch/storage/review"
)

// still draws the speeds, slip and pressures of one event as a fixed figure,
// for paper and for readers without scripts.
func still(e *review.Event, lines []review.Trace) template.HTML {
	const w, panelH, labelW = 640.0, 96.0, 130.0
	panels := []struct {
		title string
		names []string
	}{
		{"speed, rpm", []string{"engine_speed", "turbine_speed", "output_speed"}},
		{"slip, rpm", []string{review.Slip}},
		{"pressure, kPa", []string{"clutch_pressure_command", "clutch_pressure"}},
	}
	by := map[string]*review.Trace{}
	for i := range lines {
		by[lines[i].Name] = &lines[i]
	}
	from, to := e.Start-6*bus.Second, e.End+5*bus.Second
	from, to = max(from, e.From), min(to, e.To)
	type panel struct {
		title string
		lines []*review.Trace
		y     axis
	}
	var list []panel
	for _, p := range panels {
		q := panel{title: p.title}
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, name := range p.names {
			t := by[name]
			if t == nil {
				continue
			}
			q.lines = append(q.lines, t)
			for i, at := range t.T {
				if at >= from && at <= to && !math.IsNaN(t.V[i]) {
					lo, hi = min(lo, t.V[i]), max(hi, t.V[i])
				}
			}
		}
		if lo <= hi {
			y := 22 + float64(len(list))*(panelH+20)
			q.y = newAxis(lo, hi, y+panelH, y, 3)
			list = append(list, q)
		}
	}
	if len(list) == 0 || to <= from {
		return ""
	}
	h := 22 + float64(len(list))*(panelH+20) + 20
	g := newSVG(w, h, fmt.Sprintf("Traces of event %d", e.Number))
	x := axis{lo: (from - e.Start).Seconds(), hi: (to - e.Start).Seconds(), from: left, to: w - labelW}
	for _, q := range list {
		for _, v := range q.y.ticks {
			g.line(x.from, q.y.at(v), x.to, q.y.at(v), "grid")
			g.text(x.from-6, q.y.at(v)+4, "tick end", q.y.label(v))
		}
		g.text(x.from, q.y.to-6, "title", q.title)
		for _, in := range e.Instants {
			a := max(x.from, x.at((in.Early - e.Start).Seconds()))
			b := min(x.to, x.at((in.Late - e.Start).Seconds()))
			if b >= x.from && a <= x.to {
				g.rect(a, q.y.to, max(b-a, 1), q.y.from-q.y.to, "instant")
			}
		}
		lastY := math.Inf(-1)
		for _, t := range q.lines {
			g.raw(`<path class="trace %s" d="`, traceClass(t.Name))
			pen := false
			end := math.NaN()
			for i, at := range t.T {
				if at < from || at > to || math.IsNaN(t.V[i]) {
					pen = false
					continue
				}
				c := 'M'
				if pen {
					c = 'L'
				}
				g.raw("%c%.1f %.1f", c, x.at((at - e.Start).Seconds()), q.y.at(t.V[i]))
				pen, end = true, q.y.at(t.V[i])
			}
			g.raw(`"/>`)
			if !math.IsNaN(end) {
				if math.Abs(end-lastY) < 13 {
					end = lastY + 13
				}
				lastY = end
				g.text(x.to+5, end+4, "tick "+traceClass(t.Name), traceLabel(t.Name))
			}
		}
	}
	for s := math.Ceil(x.lo); s <= x.hi; s++ {
		if int(s)%2 == 0 {
			g.text(x.at(s), h-22, "tick mid", fmt.Sprintf("%+.0f s", s))
		}
	}
	return g.end()
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

// traceLabel is what the line is called beside it.
func traceLabel(name string) string {
	switch name {
	case "engine_speed":
		return "engine"
	case "turbine_speed":
		return "turbine"
	case "output_speed":
		return "output shaft"
	case "clutch_pressure_command":
		return "pressure asked"
	case "clutch_pressure":
		return "pressure"
	case "clutch_command":
		return "clutch command"
	case "vehicle_speed":
		return "road speed"
	case "slip_command":
		return "slip asked"
	case "slip_reported":
		return "slip reported"
	case "lockup_state":
		return "lockup as reported"
	case "driver_mark":
		return "driver's mark"
	case "fluid_temperature":
		return "fluid"
	case "engine_torque":
		return "engine torque"
	case "supply_voltage":
		return "supply"
	case "clutch_state":
		return "clutch state"
	}
	return name
}
