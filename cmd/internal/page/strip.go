package page

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"time"

	"joltwatch/bus"
	"joltwatch/storage/review"
)

// mostRows bounds the rows of the strip; a longer stay has its first days
// drawn and says so.
const mostRows = 62

// strip draws the whole stay with every event on it: one row a day where wall
// time is known, else one row a run of the unit.
func strip(s *review.Stay, times review.Times) template.HTML {
	rows := stripRows(s, times)
	if len(rows) == 0 {
		return ""
	}
	cut := max(0, len(rows)-mostRows)
	rows = rows[:len(rows)-cut]
	g := newSVG(stripWidth, 26+stripRowHeight*float64(len(rows)), "The whole stay: drives as bars, events as ticks")
	at := func(r *stripRow, seconds float64) float64 { return stripLeft + seconds/r.length*stripSpan }
	if rows[0].length == daySeconds {
		lo, hi := hours(s, times)
		at = func(r *stripRow, seconds float64) float64 {
			if r.length != daySeconds {
				return stripLeft + min(1, seconds/r.length)*stripSpan
			}
			return stripLeft + (seconds-lo)/(hi-lo)*stripSpan
		}
		step := max(600, math.Ceil((hi-lo)/9/1800)*1800)
		for x := math.Ceil(lo/step) * step; x <= hi; x += step {
			g.line(at(&rows[0], x), 18, at(&rows[0], x), 22+stripRowHeight*float64(len(rows)), "grid")
			g.text(at(&rows[0], x), 13, "tick mid", fmt.Sprintf("%02d:%02d", int(x)/3600, int(x)/60%60))
		}
	}
	for i := range rows {
		r := &rows[i]
		r.draw(g, s, 26+stripRowHeight*float64(i), func(seconds float64) float64 { return at(r, seconds) })
	}
	if cut > 0 {
		g.text(stripLeft, 26+stripRowHeight*float64(len(rows))-2, "tick", fmt.Sprintf("%d more rows are not drawn", cut))
	}
	return g.end()
}

const (
	stripWidth, stripLeft, stripRowHeight = 960.0, 120.0, 34.0
	stripSpan                             = stripWidth - stripLeft - 16

	daySeconds = 86400
)

// stripRow is a day, or a run of the unit.
type stripRow struct {
	label  string
	length float64 // s
	drives []*review.Drive
	// start is an instant's place in the row, s; not ok where it lies in another.
	start func(c bus.Clock, boot uint32, at bus.Micros) (float64, bool)
}

func stripRows(s *review.Stay, times review.Times) (rows []stripRow) {
	for i := range s.Drives {
		d := &s.Drives[i]
		r := stripRow{drives: []*review.Drive{d}}
		if t, ok := times.Wall(d.Clock, d.Account.Start); ok {
			day := midnight(t)
			r.label, r.length = day.Format("Mon 2006-01-02"), daySeconds
			r.start = func(c bus.Clock, _ uint32, at bus.Micros) (float64, bool) {
				t, ok := times.Wall(c, at)
				x := t.Sub(day).Seconds()
				return x, ok && x >= 0 && x < daySeconds
			}
		} else {
			r.label, r.length = fmt.Sprintf("run %d", d.Boot), max(60, d.Account.End.Seconds())
			r.start = func(_ bus.Clock, boot uint32, at bus.Micros) (float64, bool) { return at.Seconds(), boot == d.Boot }
		}
		if n := len(rows); n > 0 && rows[n-1].label == r.label {
			rows[n-1].drives = append(rows[n-1].drives, d)
			rows[n-1].length = max(rows[n-1].length, r.length)
			continue
		}
		rows = append(rows, r)
	}
	return rows
}

// draw draws the row at a height, x being where a time of the row lies across.
func (r *stripRow) draw(g *svg, s *review.Stay, y float64, x func(seconds float64) float64) {
	g.text(stripLeft-8, y+18, "tick end", r.label)
	g.line(stripLeft, y+26, stripLeft+stripSpan, y+26, "axis")
	for _, d := range r.drives {
		a, _ := r.start(d.Clock, d.Boot, d.Account.Start)
		b := a + (d.Account.End - d.Account.Start).Seconds()
		x0, x1 := x(a), x(min(b, r.length))
		g.titled(fmt.Sprintf("drive %d: %s, %d stops", d.Number, review.DurationText(b-a), d.Account.Stops), func() {
			g.rect(x0, y+14, max(x1-x0, 1.5), 12, "drive")
		})
	}
	for j := range s.Events {
		e := &s.Events[j]
		seconds, ok := r.start(e.Clock, e.Boot, e.Start)
		if !ok {
			continue
		}
		at, class, h := x(seconds), "odd", 24.0
		if !e.Strange() {
			class, h = "usual", 9
		}
		g.raw(`<a href="#event-%d" class="jump"><title>%s</title><line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" class="%s"/></a>`,
			e.Number, html.EscapeString(fmt.Sprintf("event %d: %s", e.Number, review.Finding(e.Kind, e.Class))), at, y+26-h, at, y+26, class)
	}
}

// midnight is the start of the day in the zone of the time.
func midnight(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, t.Location())
}

// hours is the part of the day, in seconds, in which the drives lie.
func hours(s *review.Stay, times review.Times) (lo, hi float64) {
	lo, hi = 86400, 0
	for i := range s.Drives {
		d := &s.Drives[i]
		from, ok := times.Wall(d.Clock, d.Account.Start)
		if !ok {
			continue
		}
		x := from.Sub(midnight(from)).Seconds()
		lo, hi = min(lo, x), max(hi, x+(d.Account.End-d.Account.Start).Seconds())
	}
	const tenth = 600.0
	lo, hi = math.Floor(lo/tenth)*tenth, math.Ceil(hi/tenth)*tenth
	if hi > 86400 || !(hi > lo) {
		return 0, 86400 // a drive over midnight
	}
	return lo, hi
}
