package page

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"
)

// svg builds one figure. All text that it is given is escaped.
type svg struct {
	b    strings.Builder
	w, h float64
}

// newSVG starts a figure that is read out as the given title.
func newSVG(w, h float64, title string) *svg {
	s := &svg{w: w, h: h}
	fmt.Fprintf(&s.b, `<svg viewBox="0 0 %g %g" role="img" aria-label="%s" class="figure">`, w, h, html.EscapeString(title))
	return s
}

func (s *svg) end() template.HTML { s.b.WriteString("</svg>"); return template.HTML(s.b.String()) }

// raw writes an element with numbers only in its arguments.
func (s *svg) raw(format string, args ...any) { fmt.Fprintf(&s.b, format, args...) }

func (s *svg) line(x1, y1, x2, y2 float64, class string) {
	s.raw(`<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" class="%s"/>`, x1, y1, x2, y2, class)
}

func (s *svg) rect(x, y, w, h float64, class string) {
	s.raw(`<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" class="%s"/>`, x, y, math.Max(w, 0), math.Max(h, 0), class)
}

func (s *svg) text(x, y float64, class, t string) {
	s.raw(`<text x="%.1f" y="%.1f" class="%s">%s</text>`, x, y, class, html.EscapeString(t))
}

// titled wraps what f draws in a group with a tooltip.
func (s *svg) titled(title string, f func()) {
	s.raw(`<g><title>%s</title>`, html.EscapeString(title))
	f()
	s.raw(`</g>`)
}

// axis maps values to pixels.
type axis struct {
	lo, hi   float64
	from, to float64
	ticks    []float64
	step     float64
}

// newAxis covers lo…hi with round steps.
func newAxis(lo, hi, from, to float64, ticks int) axis {
	if !(hi > lo) {
		hi = lo + 1
	}
	return stepped(lo, hi, from, to, roundStep((hi-lo)/float64(ticks)))
}

func stepped(lo, hi, from, to, step float64) axis {
	a := axis{lo: math.Floor(lo/step) * step, hi: math.Ceil(hi/step) * step, from: from, to: to, step: step}
	// Bounded, as values from a hostile store may be anything.
	for i := range 100 {
		v := a.lo + float64(i)*step
		if i > 1 && !(v <= a.hi+step/2) {
			break
		}
		a.ticks = append(a.ticks, v)
	}
	return a
}

func roundStep(x float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= x {
			return m * p
		}
	}
	return 10 * p
}

func (a axis) at(v float64) float64 { return a.from + (v-a.lo)/(a.hi-a.lo)*(a.to-a.from) }

func (a axis) label(v float64) string {
	d := max(0, int(math.Ceil(-math.Log10(a.step)-1e-9)))
	return strconv.FormatFloat(v, 'f', d, 64)
}

// frame draws the grid, tick labels and titles of two axes.
func (s *svg) frame(x, y axis, xTitle, yTitle string) {
	for _, v := range y.ticks {
		s.line(x.from, y.at(v), x.to, y.at(v), "grid")
		s.text(x.from-6, y.at(v)+4, "tick end", y.label(v))
	}
	for _, v := range x.ticks {
		s.line(x.at(v), y.from, x.at(v), y.from+4, "axis")
		s.text(x.at(v), y.from+17, "tick mid", x.label(v))
	}
	s.line(x.from, y.from, x.to, y.from, "axis")
	s.text(x.to, y.from+33, "title end", xTitle)
	s.text(x.from-34, y.to-8, "title", yTitle)
}
