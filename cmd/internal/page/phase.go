package page

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage/review"
)

// course is how slip went over turbine speed in one release.
type course struct {
	number        int
	odd           bool
	turbine, slip []float64
}

const (
	// courseLead and courseTail are shown of a release before its command fell
	// and after the speeds parted.
	courseLead = bus.Second
	courseTail = bus.Second
	// coursePoints bounds a course and mostCourses the chart.
	coursePoints = 40
	mostCourses  = 300
)

// newCourse reads the course of a release from its traces; ok is false where
// the event is none or a speed is not there.
func newCourse(e *review.Event, lines []review.Trace) (c course, ok bool) {
	if e.Kind != detect.KindReleaseLag || len(e.Instants) == 0 {
		return c, false
	}
	var turbine, slip *review.Trace
	for i := range lines {
		switch lines[i].Name {
		case "turbine_speed":
			turbine = &lines[i]
		case review.Slip:
			slip = &lines[i]
		}
	}
	if turbine == nil || slip == nil {
		return c, false
	}
	from, to := e.Instants[0].At-courseLead, e.Instants[len(e.Instants)-1].At+courseTail
	c = course{number: e.Number, odd: e.Strange()}
	for at, step := from, (to-from)/coursePoints; at <= to && step > 0; at += step {
		c.turbine = append(c.turbine, turbine.At(at))
		c.slip = append(c.slip, slip.At(at))
	}
	return c, len(c.slip) > 0
}

// courses draws slip over turbine speed of all releases, those out of the
// ordinary on top and heavier, each with a diamond at its end.
func courses(list []course) Chart {
	c := Chart{Title: "Slip over turbine speed, release by release"}
	if len(list) > mostCourses {
		list = list[:mostCourses]
	}
	lox, hix, loy, hiy := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, k := range list {
		for i := range k.slip {
			if x, y := k.turbine[i], k.slip[i]; math.Abs(x) < 1e5 && math.Abs(y) < 1e5 {
				lox, hix, loy, hiy = min(lox, x), max(hix, x), min(loy, y), max(hiy, y)
			}
		}
	}
	if !(lox < hix) {
		c.Note = "Nothing to draw: no release with its traces is on file."
		return c
	}
	g := newSVG(chartW, chartH, c.Title)
	x, y := newAxis(lox, hix, left, chartW-right, 8), newAxis(loy, hiy, chartH-bottom, top, 5)
	g.frame(x, y, "turbine, rpm", "slip, rpm")
	for _, odd := range []bool{false, true} {
		for _, k := range list {
			if k.odd == odd {
				g.course(k, x, y)
			}
		}
	}
	legend(g, true, false)
	c.Figure = g.end()
	return c
}

// course draws one as a line that leads to its event.
func (s *svg) course(k course, x, y axis) {
	px, py := make([]float64, len(k.slip)), make([]float64, len(k.slip))
	last := -1
	for i := range k.slip {
		px[i], py[i] = x.at(k.turbine[i]), y.at(k.slip[i])
		if math.IsNaN(px[i]) || math.Abs(px[i])+math.Abs(py[i]) > 1e5 {
			py[i] = math.NaN()
			continue
		}
		last = i
	}
	if last < 0 {
		return
	}
	class := "course"
	if k.odd {
		class = "course odd"
	}
	s.raw(`<a href="#event-%d"><title>event %d</title>`, k.number, k.number)
	s.path(px, py, class)
	if k.odd {
		s.mark(px[last], py[last], true)
	}
	s.raw(`</a>`)
}
