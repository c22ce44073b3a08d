package page

import (
	"bufio"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"joltwatch/cmd/joltshop/rank"
	"joltwatch/detect"
	"joltwatch/storage/review"
)

// shopPage is what the template of a shop's report shows.
type shopPage struct {
	Head     head
	S        *rank.Shop
	Span     string
	Todo     []shopAction
	Changed  []shopFinding
	Standing []shopFinding
	Funnel   Chart
	Rows     []shopVehicle
	Silent   []shopUnit
	Filling  []shopUnit
	Method   []string
	Cautions []string
	Note     string
	Version  string
}

// Shown is what there is to look at of a vehicle beside the page: the file with its
// traces, and a picture of the finding to look at first.
type Shown struct {
	File    string
	Picture template.HTML
}

// Picture is the traces of one event as a fixed figure; empty where no evidence was
// kept with it.
func Picture(s *review.Stay, e *review.Event) template.HTML {
	lines, err := s.Traces(e.Boot, e.From, e.To)
	if err != nil && len(lines) == 0 {
		return ""
	}
	return still(s, e, lines)
}

type shopAction struct {
	rank.Action
	When  string
	First bool // of its kind of action
	Shown
}

type shopFinding struct {
	rank.Finding
	Words, Times, Odds string
}

type shopVehicle struct {
	rank.Vehicle
	Known, When string
}

type shopUnit struct {
	rank.Unit
	When, Silence, Store, Left, Waiting string
	Troubles                            []string
}

// Shop writes the page of a shop: what to do, and one table for each question. note is
// said at the top where it is not empty; shown is what there is to look at, by vehicle.
func Shop(w io.Writer, s *rank.Shop, shown map[string]Shown, note, version string) error {
	x := shopPage{Head: newHead("Shop: the week to "+s.LastDay.Format(time.DateOnly), review.Metric, read("page.css")), S: s,
		Span:   s.WeekFirst.Format(time.DateOnly) + " to " + s.LastDay.Format(time.DateOnly),
		Funnel: funnel(s), Method: s.Method(), Cautions: review.Cautions, Note: note, Version: version}
	for i, a := range s.Todo {
		row := shopAction{Action: a, First: i == 0 || s.Todo[i-1].Do != a.Do}
		if a.Do != rank.Mend {
			row.Shown = shown[a.Vehicle]
		}
		if !a.Since.IsZero() {
			row.When = a.Since.UTC().Format(time.DateOnly)
		}
		x.Todo = append(x.Todo, row)
	}
	for i := range s.Changed {
		x.Changed = append(x.Changed, newShopFinding(&s.Changed[i]))
	}
	for i := range s.Standing {
		x.Standing = append(x.Standing, newShopFinding(&s.Standing[i]))
	}
	for _, v := range s.Rows {
		x.Rows = append(x.Rows, shopVehicle{v, review.Percent(v.MovingS-v.UnknownS, v.MovingS), when(v.Last)})
	}
	for _, u := range s.Silent {
		x.Silent = append(x.Silent, newShopUnit(u))
	}
	for _, u := range s.Filling {
		x.Filling = append(x.Filling, newShopUnit(u))
	}
	out := bufio.NewWriter(plain(w))
	if err := templates.ExecuteTemplate(out, "shop.tmpl", x); err != nil {
		return err
	}
	return out.Flush()
}

func newShopFinding(f *rank.Finding) shopFinding {
	x := shopFinding{Finding: *f, Words: f.Words(), Times: "–", Odds: fmt.Sprintf("%.2g", f.Q)}
	if e := f.Effect(); e > 0 && !math.IsInf(e, 0) {
		x.Times = fmt.Sprintf("%.2g times", e)
	}
	if f.Q < 1e-6 {
		x.Odds = "below 0.000001"
	}
	return x
}

func newShopUnit(u rank.Unit) shopUnit {
	x := shopUnit{Unit: u, When: when(u.Last), Silence: silence(u.SilentDays), Left: "–", Waiting: "–"}
	x.Store = fmt.Sprintf("%s, %.0f %% used", bytesText(u.StoreBytes), 100*u.Used)
	if u.DaysLeft < 1000 {
		x.Left = fmt.Sprintf("%.0f days", math.Floor(u.DaysLeft))
	}
	if u.LeftFiles > 0 {
		x.Waiting = fmt.Sprintf("%d files, %s", u.LeftFiles, bytesText(u.LeftBytes))
	}
	for _, line := range strings.Split(u.Unit.Troubles, "\n") {
		if line != "" && len(x.Troubles) < 5 {
			x.Troubles = append(x.Troubles, line)
		}
	}
	return x
}

func silence(days float64) string {
	if math.IsInf(days, 1) {
		return "always"
	}
	return fmt.Sprintf("%.1f days", days)
}

func when(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	return t.UTC().Format("2006-01-02 15:04")
}

func bytesText(n int64) string {
	switch x := float64(n); {
	case x >= 1e9:
		return fmt.Sprintf("%.1f GB", x/1e9)
	case x >= 1e6:
		return fmt.Sprintf("%.0f MB", x/1e6)
	}
	return fmt.Sprintf("%.0f kB", float64(n)/1e3)
}

// mostDots bounds the figure; what is listed is drawn anyhow.
const mostDots = 1500

// funnel draws each vehicle's share of late releases over the stops observed:
// few stops scatter widely, so a high share tells something only further right.
func funnel(s *rank.Shop) Chart {
	c := Chart{Title: "Late releases, by vehicle", Columns: []string{"vehicle", "kind", "stops observed", "late"}}
	listed := map[string]bool{}
	for _, list := range [][]rank.Finding{s.Changed, s.Standing} {
		for i := range list {
			if list[i].Kind == detect.KindReleaseLag && list[i].Worse {
				listed[list[i].Vehicle] = true
			}
		}
	}
	most, highest, drawn := 0.0, 0.0, 0
	var rows []rank.Vehicle
	for _, v := range s.Rows {
		if v.All.Observable > 0 {
			rows = append(rows, v)
		}
	}
	step := 1 + len(rows)/mostDots
	var show []rank.Vehicle
	for i, v := range rows {
		if i%step == 0 || listed[v.Vehicle] {
			show = append(show, v)
			most = max(most, float64(v.All.Observable))
			highest = max(highest, 100*float64(v.All.Hits)/float64(v.All.Observable))
			drawn++
		}
	}
	if drawn == 0 {
		c.Note = "No stop was observed in this time."
		return c
	}
	if step > 1 {
		c.Note = fmt.Sprintf("%d of %d vehicles are drawn, and all that are listed.", drawn, len(rows))
	}
	g := newSVG(chartW, chartH, "Share of late releases over stops observed, one dot a vehicle")
	x, y := newAxis(0, most, left, chartW-right, 6), newAxis(0, max(highest, 1), chartH-bottom, top, 5)
	g.frame(x, y, "stops observed, week and history", "late, %")
	// The listed ones last, on top.
	slices.SortStableFunc(show, func(a, b rank.Vehicle) int {
		switch la, lb := listed[a.Vehicle], listed[b.Vehicle]; {
		case la == lb:
			return 0
		case lb:
			return -1
		}
		return 1
	})
	for _, v := range show {
		class, r := "this", 2.6
		if listed[v.Vehicle] {
			class, r = "other", 5.0
			c.Rows = append(c.Rows, []string{v.Vehicle, v.Group, fmt.Sprint(v.All.Observable), fmt.Sprint(v.All.Hits)})
		}
		g.titled(fmt.Sprintf("%s: %d of %d", v.Vehicle, v.All.Hits, v.All.Observable), func() {
			g.raw(`<circle cx="%.1f" cy="%.1f" r="%.1f" class="%s"/>`, x.at(float64(v.All.Observable)), y.at(100*float64(v.All.Hits)/float64(v.All.Observable)), r, class)
		})
	}
	c.Figure = g.end()
	return c
}
