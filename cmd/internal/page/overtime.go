package page

import (
	"fmt"
	"html/template"
	"math"
	"strings"
)

// Series is a quantity over time, in s, as a line or as dots; nothing is drawn where it
// is NaN, and no line over a gap of 2 s.
type Series struct {
	Name, Class string
	T, V        []float64
	Dots        bool
}

// OverTime draws series on one time axis, at most some thousand points of each.
func OverTime(all []Series) template.HTML {
	const w, h = 960.0, 260.0
	lo, hi, last := 0.0, 1.0, 1.0
	var names []string
	for _, s := range all {
		for i, v := range s.V {
			if !math.IsNaN(v) && !math.IsInf(v, 0) {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
			last = math.Max(last, s.T[i])
		}
		names = append(names, s.Name)
	}
	g := newSVG(w, h, strings.Join(names, ", ")+" over time")
	step := roundStep(last / 8)
	x := axis{hi: last, from: left, to: w - right, step: step}
	for t := 0.0; t <= last; t += step {
		x.ticks = append(x.ticks, t)
	}
	y := newAxis(lo, hi, h-bottom, top, 5)
	g.frame(x, y, "s", "")
	at := left
	for _, s := range all {
		g.text(at, 14, "key "+s.Class, s.Name)
		at += 9*float64(len(s.Name)) + 20
		stride := 1 + len(s.V)/2500
		var px, py []float64
		for i := 0; i < len(s.V); i += stride {
			switch v := s.V[i]; {
			case s.Dots && !math.IsNaN(v):
				fmt.Fprintf(&g.b, `<circle cx="%.1f" cy="%.1f" r="1.4" class="%s"/>`, x.at(s.T[i]), y.at(v), s.Class)
			case !s.Dots:
				if i > 0 && s.T[i]-s.T[i-stride] > 2 {
					px, py = append(px, 0), append(py, math.NaN())
				}
				px, py = append(px, x.at(s.T[i])), append(py, y.at(v))
			}
		}
		if len(px) > 0 {
			g.path(px, py, "line "+s.Class)
		}
	}
	return g.end()
}
