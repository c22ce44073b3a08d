package main

import (
	"math"
	"sort"
	"strings"
)

// tally is what one run of the scorer has counted: per row of the table, and
// per measure within it. Rows are made as they are first needed and shown in
// the order of rowNames.
type tally struct {
	rows map[string]*row
	// Hours of driving without any fault, by which false alarms are counted.
	normalHours float64
	allHours    float64
	frames      uint64
}

// row counts one kind of truth.
type row struct {
	truths, hits, misses int
	// falseAlarms are findings in driving without fault that have no truth;
	// wrong are those in driving with a fault.
	falseAlarms, wrong int
	// unobservable are truths that the signals cannot carry; they are neither
	// hits nor misses, and no truths of the row.
	unobservable    int
	inside, outside int
	measures        map[string][]float64 // absolute errors
	// notes are the first few misses and false alarms, for looking into.
	notes []string
}

func newTally() *tally { return &tally{rows: map[string]*row{}} }

func (t *tally) row(name string) *row {
	r := t.rows[name]
	if r == nil {
		r = &row{measures: map[string][]float64{}}
		t.rows[name] = r
	}
	return r
}

// maxNotes is how many notes of each sort (the word before the colon) are kept.
const maxNotes = 10

func (r *row) note(s string) {
	sort, _, _ := strings.Cut(s, ":")
	n := 0
	for _, x := range r.notes {
		if strings.HasPrefix(x, sort+":") {
			n++
		}
	}
	if n < maxNotes {
		r.notes = append(r.notes, s)
	}
}

// off records the error of a measure.
func (r *row) off(measure string, got, truth float64) {
	r.measures[measure] = append(r.measures[measure], math.Abs(got-truth))
}

// within records whether the truth lies in the reported interval.
func (r *row) within(truth, lo, hi float64) {
	if truth >= lo && truth <= hi {
		r.inside++
	} else {
		r.outside++
	}
}

// add merges another tally into this one.
func (t *tally) add(o *tally) {
	t.normalHours += o.normalHours
	t.allHours += o.allHours
	t.frames += o.frames
	for name, b := range o.rows {
		a := t.row(name)
		a.truths += b.truths
		a.hits += b.hits
		a.misses += b.misses
		a.falseAlarms += b.falseAlarms
		a.wrong += b.wrong
		a.unobservable += b.unobservable
		a.inside += b.inside
		a.outside += b.outside
		for m, e := range b.measures {
			a.measures[m] = append(a.measures[m], e...)
		}
		for _, n := range b.notes {
			a.note(n)
		}
	}
}

// recall is the share of truths that were found, 1 where there were none.
func (r *row) recall() float64 {
	if r.truths == 0 {
		return 1
	}
	return float64(r.hits) / float64(r.truths)
}

// coverage is the share of truths inside the reported intervals.
func (r *row) coverage() float64 {
	if r.inside+r.outside == 0 {
		return 1
	}
	return float64(r.inside) / float64(r.inside+r.outside)
}

// quantile returns the q-quantile of the errors of a measure (nearest rank);
// NaN where there are none.
func (r *row) quantile(measure string, q float64) float64 {
	e := append([]float64(nil), r.measures[measure]...)
	if len(e) == 0 {
		return math.NaN()
	}
	sort.Float64s(e)
	k := int(math.Ceil(q*float64(len(e)))) - 1
	return e[min(max(k, 0), len(e)-1)]
}

// per100h is a count by 100 hours of normal driving.
func (t *tally) per100h(n int) float64 {
	if t.normalHours == 0 {
		return 0
	}
	return 100 * float64(n) / t.normalHours
}
