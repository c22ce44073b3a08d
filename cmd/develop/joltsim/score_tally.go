package main

import (
	"math"
	"sort"
	"strings"

	"joltwatch/detect"
)

// tally is what one run of the scorer has counted of one class of vehicle: per
// row of the table, and per measure within it. Rows are made as they are first
// needed and shown in the order of rowNames.
type tally struct {
	rows map[string]*row
	// Hours of driving without any fault, by which false alarms are counted.
	normalHours float64
	allHours    float64
	frames      uint64
	// opportunities and observable add up what the accounts say of releases.
	opportunities, observable uint64
	// found of late are those that truly were late and came to an end, in the drives in
	// which some were late and most were not; expected is how many the self-tests of
	// those drives would have found of releases later by as much.
	late, found int
	expected    float64
	// askedTrials are what the self-tests say of the stops of a car of which two speeds
	// are known, askedLate its releases that truly were late.
	askedTrials detect.ReleaseTrials
	askedLate   []lateRelease
}

// row counts one kind of truth.
type row struct {
	truths, hits, misses int
	// falseAlarms are findings in driving without fault that have no truth;
	// wrong are those in driving with a fault.
	falseAlarms, wrong int
	// unobservable are truths that the signals cannot carry, or of which the
	// account says so; they are neither hits nor misses, and no truths of the
	// row.
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

// miss counts a truth that was not found, with a note unless that is empty; hit one
// that was.
func (r *row) miss(note string) {
	r.truths++
	r.misses++
	if note != "" {
		r.note("missed: " + note)
	}
}

func (r *row) hit() {
	r.truths++
	r.hits++
}

// off records the error of a measure.
func (r *row) off(measure string, got, truth float64) {
	r.measures[measure] = append(r.measures[measure], math.Abs(got-truth))
}

// add merges another tally into this one.
func (t *tally) add(o *tally) {
	t.normalHours += o.normalHours
	t.allHours += o.allHours
	t.frames += o.frames
	t.opportunities += o.opportunities
	t.observable += o.observable
	t.late += o.late
	t.found += o.found
	t.expected += o.expected
	t.askedTrials.Add(o.askedTrials)
	t.askedLate = append(t.askedLate, o.askedLate...)
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
