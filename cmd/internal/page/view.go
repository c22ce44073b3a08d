package page

import (
	"html"
	"html/template"
	"strings"

	"joltwatch/detect"
	"joltwatch/storage/review"
)

// View is how the reader wants times and units.
type View struct {
	Units review.Units
	Times review.Times
}

// dual is a text in metric and in US units: the page holds both and shows one.
type dual [2]string

var systems = [2]review.Units{review.Metric, review.US}

func same(text string) dual { return dual{text, text} }

func inBoth(f func(review.Units) string) (d dual) {
	for i, u := range systems {
		d[i] = f(u)
	}
	return d
}

func measured(m detect.Measure) dual {
	return inBoth(func(u review.Units) string { return u.Measure(m) })
}

func optional(v *float64, unit string) dual {
	return inBoth(func(u review.Units) string { return u.Optional(v, unit) })
}

func joined(list []dual, by string) (d dual) {
	for i := range d {
		parts := make([]string, len(list))
		for j := range list {
			parts[j] = list[j][i]
		}
		d[i] = strings.Join(parts, by)
	}
	return d
}

// HTML writes the text, both where they differ.
func (d dual) HTML() template.HTML {
	if d[0] == d[1] {
		return template.HTML(html.EscapeString(d[0]))
	}
	return `<span class="metric">` + template.HTML(html.EscapeString(d[0])) + `</span><span class="us">` + template.HTML(html.EscapeString(d[1])) + `</span>`
}

// figures holds a figure drawn for each system of units, one of them where
// nothing in it differs.
func figures(f func(review.Units) template.HTML) template.HTML {
	m, u := f(review.Metric), f(review.US)
	if m == u {
		return m
	}
	return `<div class="metric">` + m + `</div><div class="us">` + u + `</div>`
}
