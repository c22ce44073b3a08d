package main

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"joltwatch/storage/review/stats"
)

// verdict is what a count says of an aim.
type verdict string

// An aim is missed where the value misses it (a rate: where its exact interval
// does); met where the exact interval meets it; and open where the value meets
// it but the opportunities were too few to show it.
const (
	met    verdict = "met"
	open   verdict = "open"
	missed verdict = "MISSED"
)

// aim is one thing to reach by one class of vehicle.
type aim struct {
	What  string  `json:"aim"`
	Class string  `json:"class"`
	Value float64 `json:"value"`
	// Low and High are the exact 95 % interval of a share or rate; both the
	// value for a quantile.
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// Limit is the least where AtLeast is true, else the most.
	Limit   float64 `json:"limit"`
	AtLeast bool    `json:"at_least"`
	// N is how many truths, hours or errors it rests on.
	N       float64 `json:"n"`
	Verdict verdict `json:"verdict"`
}

// aims collects the aims of one class.
type aims struct {
	class string
	list  []aim
}

// share adds the aim that at least limit % of n are hits.
func (a *aims) share(what string, hits, n int, limit float64) {
	if n == 0 {
		return
	}
	i := stats.Proportion(uint64(hits), uint64(n))
	x := aim{What: what, Class: a.class, Value: 100 * float64(hits) / float64(n), Low: 100 * i.Low, High: 100 * i.High, Limit: limit, AtLeast: true, N: float64(n)}
	switch {
	case x.Value < limit:
		x.Verdict = missed
	case x.Low >= limit:
		x.Verdict = met
	default:
		x.Verdict = open
	}
	a.list = append(a.list, x)
}

// rate adds the aim of at most limit in 100 h.
func (a *aims) rate(what string, n int, hours, limit float64) {
	if hours == 0 {
		return
	}
	i := stats.Rate(uint64(n), hours/100)
	x := aim{What: what, Class: a.class, Value: float64(n) / hours * 100, Low: i.Low, High: i.High, Limit: limit, N: hours}
	switch {
	case x.Low > limit:
		x.Verdict = missed
	case x.High <= limit:
		x.Verdict = met
	default:
		x.Verdict = open
	}
	a.list = append(a.list, x)
}

// most adds the aim that a value does not exceed a limit.
func (a *aims) most(what string, v, limit float64, n int) {
	if n == 0 {
		return
	}
	x := aim{What: what, Class: a.class, Value: v, Low: v, High: v, Limit: limit, N: float64(n), Verdict: missed}
	if v <= limit {
		x.Verdict = met
	}
	a.list = append(a.list, x)
}

// aimsOf lists the aims of a class and how they are met. lateLimit is the
// recall asked of late releases, in %.
func aimsOf(class string, t *tally, lateLimit float64) []aim {
	a := &aims{class: class}
	if t.row(rowAskedLate).truths+t.row(rowAskedDrawn).truths > 0 {
		a.asked(t)
	}
	late := t.row(rowLate)
	a.share("late by 0.15 s beyond the limit or more, found, %", late.hits, late.truths, lateLimit)
	drag := t.row(rowDrag)
	a.share("dragging told as dragging, %", drag.hits, drag.truths, 95)
	stall := &row{}
	for _, name := range []string{rowStallHeld, rowStallOpen} {
		stall.hits, stall.truths = stall.hits+t.row(name).hits, stall.truths+t.row(name).truths
	}
	a.share("stalls told once each, %", stall.hits, stall.truths, 95)
	asked := t.row(rowAsked)
	a.share("asked slip told as asked, %", asked.hits, asked.truths, 95)
	unasked := t.row(rowUnasked)
	a.share("unasked slip found and not told as asked, %", unasked.hits, unasked.truths, 95)
	trend := t.row(rowTrend)
	a.share("slip trends told, %", trend.hits, trend.truths, 95)
	shift := t.row(rowShift)
	a.share("shifts told to open the clutch or not, %", shift.hits, shift.truths, 95)
	jolt := t.row(rowJolt)
	a.share("jolts of the body found, %", jolt.hits, jolt.truths, 95)
	trouble := t.row(rowTrouble)
	a.share("troubles of the bus told once each, %", trouble.hits, trouble.truths, 95)
	lags := t.lags()
	a.share("true lag inside the interval, %", lags.inside, lags.inside+lags.outside, 95)
	a.most("lag error beyond one period, p95, s", lags.quantile(lagBeyond, 0.95), 0.020, len(lags.measures[lagBeyond]))
	lock := t.row(rowLockup)
	a.share("lockup fraction within 1 point or inside its bounds, %", lock.hits, lock.truths, 99)
	var slip row
	slip.measures = map[string][]float64{}
	for _, name := range []string{rowAsked, rowUnasked} {
		slip.measures["m"] = append(slip.measures["m"], t.row(name).measures["slip_mean_rpm"]...)
	}
	a.most("mean of held slip off, p95, rpm", slip.quantile("m", 0.95), 5, len(slip.measures["m"]))
	a.observed(t)
	// A detector has several rows; its false alarms are one number.
	alarms := map[string]int{}
	for _, name := range rowNames {
		d, _, _ := strings.Cut(name, ":")
		if _, ok := alarms[d]; !ok {
			alarms[d] = 0
		}
		alarms[d] += t.row(name).falseAlarms
	}
	for _, name := range rowNames {
		d, _, _ := strings.Cut(name, ":")
		if n, ok := alarms[d]; ok && d != rowLockup && d != rowTrouble {
			a.rate("false alarms in 100 h: "+d, n, t.normalHours, 1)
			delete(alarms, d)
		}
	}
	return a.list
}

// observed compares what the self-tests say would have been recognised of releases as
// late as those that were with the recall of these among all, seen or not, of the same
// drives.
func (a *aims) observed(t *tally) {
	if t.late == 0 {
		return
	}
	a.points("observed as told less late found among all, points", t.expected/float64(t.late), t.found, t.late)
}

// points adds the aim that a share as told is within 3 points of the share of n
// that are hits.
func (a *aims) points(what string, told float64, hits, n int) {
	said := 100 * told
	found := stats.Proportion(uint64(hits), uint64(n))
	x := aim{What: what, Class: a.class, Value: said - 100*float64(hits)/float64(n),
		Low: said - 100*found.High, High: said - 100*found.Low, Limit: 3, N: float64(n), Verdict: met}
	switch {
	case x.Low > 3 || x.High < -3:
		x.Verdict = missed
	case x.High > 3 || x.Low < -3:
		x.Verdict = open
	}
	a.list = append(a.list, x)
}

// lags puts together what was measured of lags.
func (t *tally) lags() *row {
	sum := &row{measures: map[string][]float64{}}
	for _, name := range []string{rowLate, rowLateEdge, rowSound, rowDrag} {
		r := t.row(name)
		sum.inside += r.inside
		sum.outside += r.outside
		sum.measures[lagBeyond] = append(sum.measures[lagBeyond], r.measures[lagBeyond]...)
	}
	return sum
}

// lack is how far an aim is from being met: above 0 where it is missed.
func (x *aim) lack() float64 {
	if math.IsNaN(x.Value) {
		return math.Inf(1)
	}
	d := math.Abs(x.Value) - x.Limit
	if x.AtLeast {
		d = x.Limit - x.Value
	}
	return d
}

// sortAims puts the worst class of each aim first; aims keep their order.
func sortAims(list []aim) {
	order := map[string]int{}
	for _, x := range list {
		if _, ok := order[x.What]; !ok {
			order[x.What] = len(order)
		}
	}
	sort.SliceStable(list, func(i, j int) bool {
		a, b := &list[i], &list[j]
		if a.What != b.What {
			return order[a.What] < order[b.What]
		}
		return a.lack() > b.lack()
	})
}

// byAim parts a sorted list into one for each aim.
func byAim(list []aim) [][]aim {
	var out [][]aim
	for i, x := range list {
		if i == 0 || x.What != list[i-1].What {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], x)
	}
	return out
}

// line is the aim in words: value, exact interval, what it rests on.
func (x *aim) line() string {
	sign := "at most"
	if x.AtLeast {
		sign = "at least"
	}
	between := ""
	if x.Low != x.High {
		between = fmt.Sprintf("%.4g to %.4g", x.Low, x.High)
	}
	return fmt.Sprintf("%s\t%.4g\t%s\t%s %g\t%.4g\t%s\t", x.Class, x.Value, between, sign, x.Limit, x.N, x.Verdict)
}
