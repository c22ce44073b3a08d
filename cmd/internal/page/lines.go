package page

import (
	"fmt"
	"html/template"
	"math"
	"slices"

	"joltwatch/detect/ratioline"
	"joltwatch/storage/review"
)

// speedsPlane draws where the driving was, engine over road speed, with the
// lines that were learned: one for each gear while the clutch is closed.
func speedsPlane(m *ratioline.Memory) Chart {
	c := Chart{Title: "Engine over road speed, with the lines of the gears"}
	hix, hiy, most := 0.0, 0.0, 0.0
	for _, x := range m.Cells {
		if x.Kmh < 400 && x.RPM < 12000 {
			hix, hiy, most = max(hix, x.Kmh), max(hiy, x.RPM), max(most, x.Seconds)
		}
	}
	if most <= 0 {
		c.Note = "Nothing to draw: too little driving is on file to see the lines."
		return c
	}
	c.Figure = figures(func(u review.Units) template.HTML {
		g := newSVG(chartW, chartH, c.Title)
		top1, unit := u.In(hix, "km/h")
		x, y := newAxis(0, top1, left, chartW-right, 8), newAxis(0, hiy, chartH-bottom, top, 5)
		g.frame(x, y, "road speed, "+unit, "engine, rpm")
		for _, p := range m.Cells {
			v, _ := u.In(p.Kmh, "km/h")
			if p.Kmh < 400 && p.RPM < 12000 {
				g.raw(`<circle cx="%.1f" cy="%.1f" r="%.1f" class="cell"/>`, x.at(v), y.at(p.RPM), 1.2+3*math.Sqrt(p.Seconds/most))
			}
		}
		for i, l := range m.Lines {
			end := min(hix, hiy/l.Ratio)
			v, _ := u.In(end, "km/h")
			g.line(x.at(0), y.at(0), x.at(v), y.at(end*l.Ratio), "gearline")
			g.text(min(x.at(v), chartW-right-14), y.at(end*l.Ratio)-3, "tick end", fmt.Sprint(len(m.Lines)-i))
		}
		return g.end()
	})
	c.Columns = []string{"line, from the lowest gear", "rpm for 1 km/h", "spread", "rests on", "between"}
	for i, l := range slices.Backward(m.Lines) {
		c.Rows = append(c.Rows, []string{fmt.Sprint(len(m.Lines) - i), fmt.Sprintf("%.2f", l.Ratio), fmt.Sprintf("±%.1f %%", 100*l.Spread),
			review.DurationText(l.Seconds), fmt.Sprintf("%.0f and %.0f km/h", l.KmhMin, l.KmhMax)})
	}
	c.Note = fmt.Sprintf("Points are where the driving was, larger where it was longer. On a line the clutch is closed; above it, it slips or is open. The road speed is taken %.2f s late.", m.DelayS)
	return c
}
