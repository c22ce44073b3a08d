package review

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage/review/stats"
)

// Verdict is the answer of a stay in at most five lines.
type Verdict struct {
	// Lines are a heading and a sentence each, the answer first.
	Lines []Line `json:"lines"`
	// Strongest is the number of the event that matters most; 0 where nothing
	// was out of the ordinary.
	Strongest int `json:"strongest_event,omitempty"`
	// Blind is true where the stay could not have shown what it was for.
	Blind bool `json:"blind"`
}

// Line is one line of a verdict.
type Line struct {
	Head string `json:"head"`
	Text string `json:"text"`
}

// Verdict says what was found, when, how bad, how unusual, how sure and what
// comes next; what the stay could not see comes first.
func (s *Stay) Verdict(u Units, t Times) Verdict {
	total := s.Total()
	var v Verdict
	add := func(head, text string) {
		if text != "" && len(v.Lines) < 5 {
			v.Lines = append(v.Lines, Line{head, text})
		}
	}
	if blind := s.blind(&total); blind != "" {
		v.Blind = true
		add("Blind", blind)
	}
	e := s.strongest()
	if e == nil {
		if total.Drives > 0 {
			add("Found", "Nothing out of the ordinary in what could be seen of "+Plural(total.Drives, "drive")+", "+Plural(total.Stops, "stop")+".")
		}
		add("Also", s.also(&Event{}, t))
		add("How sure", s.sure(&total, nil))
		add("Next", s.leaveLonger(&total, u))
		return v
	}
	v.Strongest = e.Number
	add("Found", s.found(e, &total, u, t))
	add("How unusual", s.unusual(e, u))
	add("Also", s.also(e, t))
	add("How sure", s.sure(&total, e))
	for _, c := range s.Next() {
		if c.Kind == e.Kind && c.Class == e.Class {
			consistent, _, _ := strings.Cut(c.Consistent, ":")
			if w := s.Why(e, u); w != nil {
				consistent = w.Says
			}
			look, _, _ := strings.Cut(c.Look, ";")
			add("Next", Capital(consistent)+". To tell more: "+look+".")
		}
	}
	return v
}

// strongest is the worst event that is out of the ordinary and in the vehicle,
// not in the recorder; the driver's mark where there is no other.
func (s *Stay) strongest() *Event {
	var mark *Event
	for _, e := range s.Worst() {
		if e.Strange() && InVehicle(e.Kind) {
			return e
		}
		if mark == nil && e.Kind == detect.KindMark {
			mark = e
		}
	}
	return mark
}

// InVehicle reports whether a kind of finding is about the vehicle: a mark is
// the driver's, bus and signal faults are the recorder's.
func InVehicle(kind string) bool { return countable(kind) }

// blind says why the stay could not show what it was for; "" where it could.
func (s *Stay) blind(t *Total) string {
	switch {
	case t.Drives == 0:
		return "No drive is on file: the monitor never saw the engine run, so nothing can be said of the vehicle."
	case t.MovingS == 0:
		return "The vehicle was never seen to move, so no stop, slip or apply could be seen."
	case t.UnknownS > 0.5*t.MovingS:
		return fmt.Sprintf("The state of the clutch was unknown for %s of the time moving%s. What happened then was not seen.",
			Share(t.UnknownS/t.MovingS), s.without())
	case t.Trials.Releases > 0 && t.Trials.Later1S == 0:
		text := fmt.Sprintf("In none of %s of the clutch would one later by 1 s have been recognised", Plural(int(t.Trials.Releases), "release"))
		if n := t.Trials.Later2S; n > 0 {
			text += fmt.Sprintf(", by 2 s in %d", n)
		}
		return text + s.without() + "."
	case t.Stops > 0 && t.StopsObserved == 0:
		return fmt.Sprintf("In none of %s could a late release have been seen%s.", Plural(t.Stops, "stop"), s.without())
	}
	return ""
}

// without names the signals that would have helped most, as a clause.
func (s *Stay) without() string {
	if s.Plan == nil {
		return ""
	}
	var list []string
	for _, r := range []string{"engine_speed", "turbine_speed", "clutch_pressure_command", "clutch_command"} {
		if len(s.Plan.Sources[r]) == 0 {
			list = append(list, strings.ReplaceAll(r, "_", " "))
		}
	}
	if len(list) == 0 {
		return ""
	}
	return " (not mapped: " + strings.Join(list, ", ") + ")"
}

func (s *Stay) found(e *Event, total *Total, u Units, t Times) string {
	n := 0
	for _, c := range s.Counts() {
		if c.Kind == e.Kind && c.Class == e.Class {
			n = c.N
		}
	}
	text := fmt.Sprintf("%d × %s", n, Finding(e.Kind, e.Class))
	if c, ok := total.opportunity(e.Kind); ok && c.Observable > 0 {
		text += fmt.Sprintf(" in %s that could be judged", Plural(int(c.Observable), Opportunity(e.Kind)))
	}
	worst := ": "
	if n > 1 {
		worst = "; the worst "
	}
	text += worst + t.Spoken(e.Clock, e.Start)
	if m, ok := Main(&e.Finding); ok {
		text += ", " + u.Measure(m)
		if limit, has := s.Limit(e, m.Name); has {
			_, unit := MeasureWords(m.Name)
			text += " (limit " + u.Quantity(limit, unit) + ")"
		}
	}
	text += s.marked(e)
	return text + "."
}

// marked says so where the driver pressed the button within half a minute
// after the event.
func (s *Stay) marked(e *Event) string {
	if m := s.MarkAfter(e); m != nil {
		return fmt.Sprintf("; the driver pressed the button %.0f s later", (m.Start - e.Start).Seconds())
	}
	return ""
}

// MarkWithin is how long after a finding a mark is still about it: people
// press some seconds late (common practice, no source).
const MarkWithin = 30 * bus.Second

// MarkAfter returns the driver's first mark within MarkWithin after the start
// of the event; nil where there is none.
func (s *Stay) MarkAfter(e *Event) *Event {
	for i := range s.Events {
		m := &s.Events[i]
		if m.Kind == detect.KindMark && m.Boot == e.Boot && m.Start >= e.Start && m.Start-e.Start <= MarkWithin {
			return m
		}
	}
	return nil
}

// Limit returns the limit that a measure of the event was judged by.
func (s *Stay) Limit(e *Event, measure string) (float64, bool) {
	if e.Kind == detect.KindReleaseLag && (measure == "lag_s" || measure == "lag_min_s") {
		return s.SettingsOf(e.Boot).ReleaseLag.LimitS, true
	}
	return 0, false
}

// Usual is where this vehicle's own ordinary findings of a kind lie: the
// middle 90 % of N values of the measure.
type Usual struct {
	Low, Median, High float64
	N                 int
}

// fewest is how many values make a habit.
const fewest = 5

// Usual returns the vehicle's habit in a measure of a kind; ok is false where
// fewer than five ordinary findings have it.
func (s *Stay) Usual(kind, measure string) (x Usual, ok bool) {
	var v []float64
	for i := range s.Events {
		e := &s.Events[i]
		if e.Kind != kind || !detect.Ordinary(e.Kind, e.Class) {
			continue
		}
		if m, has := e.Get(measure); has && !math.IsNaN(m) {
			v = append(v, m)
		}
	}
	if len(v) < fewest {
		return Usual{N: len(v)}, false
	}
	slices.Sort(v)
	return Usual{stats.Quantile(v, 0.05), stats.Quantile(v, 0.5), stats.Quantile(v, 0.95), len(v)}, true
}

func (s *Stay) unusual(e *Event, u Units) string {
	m, ok := Main(&e.Finding)
	if !ok {
		return ""
	}
	_, unit := MeasureWords(m.Name)
	if x, ok := s.Usual(e.Kind, m.Name); ok {
		return fmt.Sprintf("This vehicle's ordinary ones: %s to %s, %s in the middle (%d of them, nine in ten in that range).",
			Digits(first(u.In(x.Low, unit)), unit), u.Quantity(x.High, unit), u.Quantity(x.Median, unit), x.N)
	}
	for _, p := range e.Percentiles {
		if p.Measure == m.Name && p.N >= fewest {
			return fmt.Sprintf("Above %.0f %% of this vehicle's %d earlier ones.", 100*p.Share, p.N)
		}
	}
	// One that is late against a habit says how many that rests on.
	for _, habit := range []string{"habit_releases", "habit_applies"} {
		if n, ok := e.Get(habit); ok && m.Name == detect.CommandLateS.Name {
			return fmt.Sprintf("Against this vehicle's own habit, as its last %.0f before had it.", n)
		}
	}
	return "Too few others are on file to say what is usual for this vehicle."
}

func first(v float64, _ string) float64 { return v }

// also counts what else is out of the ordinary.
func (s *Stay) also(e *Event, t Times) string {
	var list []string
	for _, c := range s.Counts() {
		told := c.Kind == e.Kind && c.Class == e.Class || c.Kind == detect.KindMark && c.N == 1 && s.MarkAfter(e) != nil
		if told || detect.Ordinary(c.Kind, c.Class) && c.Kind != detect.KindMark {
			continue
		}
		text := fmt.Sprintf("%d × %s", c.N, Finding(c.Kind, c.Class))
		if c.N == 1 {
			text += " (" + t.Spoken(s.Events[c.First-1].Clock, s.Events[c.First-1].Start) + ")"
		}
		list = append(list, text)
	}
	if len(list) > 4 {
		list = append(list[:4], fmt.Sprintf("%d kinds more", len(list)-4))
	}
	if len(list) == 0 {
		return ""
	}
	return strings.Join(list, "; ") + "."
}

// sure says what the opportunities tell of the rate, in natural frequencies.
func (s *Stay) sure(t *Total, e *Event) string {
	kind := detect.KindReleaseLag
	if e != nil && InVehicle(e.Kind) {
		kind = e.Kind
	}
	c, ok := t.opportunity(kind)
	if !ok || c.Observable == 0 {
		return "Could not be seen: no " + Opportunity(kind) + " could be judged, so nothing can be said of how often it happens."
	}
	of := Plural(int(c.Observable), Opportunity(kind))
	tried := ""
	if x := t.Trials; kind == detect.KindReleaseLag && x.Releases > 0 {
		tried = fmt.Sprintf(" One later by 1 s would have been recognised in %d of %s, by 0.5 s in %d.", x.Later1S, Plural(int(x.Releases), "release"), x.LaterHalfS)
	}
	if c.Hits == 0 {
		high := stats.UpperIfNone(c.Observable)
		if high > 0.5 {
			return fmt.Sprintf("Not once in %s that could be judged: too few to say how seldom it may be.%s", of, tried)
		}
		return fmt.Sprintf("Not once in %s that could be judged: so less often than once in %d (95 in 100).%s", of, int(1/high), tried)
	}
	i := stats.Proportion(min(c.Hits, c.Observable), c.Observable)
	return fmt.Sprintf("In %d of %s; over a longer time between %s and %s (95 in 100).%s", c.Hits, of, Frequency(i.Low), Frequency(i.High), tried)
}

// Frequency writes a share as people count: "1 in 40", "6 in 10".
func Frequency(p float64) string {
	switch {
	case p <= 0:
		return "never"
	case p < 0.15:
		n := 1 / p
		if step := math.Pow(10, math.Floor(math.Log10(n))-1); step > 1 {
			n = math.Round(n/step) * step // two digits
		}
		return fmt.Sprintf("1 in %.0f", n)
	case p > 0.95:
		return "nearly every time"
	}
	return fmt.Sprintf("%d in 10", int(math.Round(10*p)))
}

func (t *Total) opportunity(kind string) (detect.Opportunity, bool) {
	i := slices.IndexFunc(t.Opportunities, func(c detect.Opportunity) bool { return c.Kind == kind })
	if i < 0 {
		return detect.Opportunity{}, false
	}
	return t.Opportunities[i], true
}

// leaveLonger says what to do where nothing was found.
func (s *Stay) leaveLonger(t *Total, u Units) string {
	if t.Drives == 0 || t.MovingS == 0 {
		return "Run joltwatch check on the vehicle, stationary, to see which signals arrive; then leave the unit again."
	}
	if ask := s.NeverMet(u); ask != "" {
		return "If the complaint stands, leave the unit longer, with the driver's button at hand. " + ask
	}
	return "If the complaint stands, leave the unit longer, in the conditions in which it happens, with the driver's button at hand."
}

// Capital begins a text with a capital letter.
func Capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// Plural writes a count with its word.
func Plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	switch {
	case strings.HasSuffix(word, "y"):
		return fmt.Sprintf("%d %sies", n, word[:len(word)-1])
	case strings.HasSuffix(word, "ch"):
		return fmt.Sprintf("%d %ses", n, word)
	}
	return fmt.Sprintf("%d %ss", n, word)
}
