package page

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"joltwatch/detect"
	"joltwatch/storage/review"
)

// Letter is what the customer's page says, in plain words.
type Letter struct {
	Vehicle  string   `json:"vehicle"`
	Workshop string   `json:"workshop"`
	Recorded []string `json:"recorded"`
	Found    []string `json:"found"`
	Sure     []string `json:"sure"`
	Unknown  []string `json:"unknown"`
	Next     []string `json:"next"`
	Remarks  []string `json:"-"`
	Cautions []string `json:"-"`
	Privacy  []string `json:"-"`
	Title    string   `json:"-"`
	Head     head     `json:"-"`

	Units review.Units `json:"-"`
}

// NewLetter words the stay for the customer. There is an error, which says
// what is missing, where nothing can be said of the vehicle.
func NewLetter(s *review.Stay, workshop string, view View) (*Letter, error) {
	t := s.Total()
	if t.Drives == 0 || t.MovingS == 0 {
		return nil, errors.New("there is nothing to write: the stay has no drive in which the vehicle moved; joltbench summary says what was seen")
	}
	l := &Letter{Vehicle: s.Title(), Workshop: workshop, Title: "What was recorded in your vehicle", Units: view.Units}
	l.Recorded = recorded(s, &t, view)
	l.Found = foundText(s, view)
	l.Sure = sureText(&t)
	if len(l.Sure) == 0 && !hasFaults(s) && !marked(s) {
		return nil, fmt.Errorf("there is nothing to write: in %s nothing was found, and a late release could not have been seen with these signals; joltbench summary says what is missing", review.Plural(t.Stops, "stop"))
	}
	if !hasFaults(s) {
		l.Found = append([]string{"We found nothing out of the ordinary."}, l.Found...)
	}
	l.Unknown = unknownText(s, &t)
	l.Next = nextText(s)
	l.Cautions = []string{"Never read or operate the recorder while driving.", "Keep it and its cable clear of pedals and airbags; do not unplug it while driving."}
	l.Privacy = []string{
		"The recorder was fitted with your consent. If you did not give it, tell us and we remove the recorder and its recording.",
		"It recorded technical values of the drive with their times. It stored no position, no sound, no picture and no full vehicle identification number.",
		"The recording is yours to have: ask for a copy, or ask us to delete it.",
	}
	if s.Damaged {
		l.Remarks = append(l.Remarks, "A part of the recording could not be read; this page speaks of the rest.")
	}
	return l, nil
}

func recorded(s *review.Stay, t *review.Total, view View) []string {
	return []string{
		fmt.Sprintf("%s. In that time the engine ran on %s and the vehicle moved for %s; it came to a stop %s.",
			between(s, view.Times), review.Plural(t.Drives, "drive"), hoursText(t.MovingS), timesText(uint64(t.Stops))),
		"We listened to " + measuredIn(s) + ". " + listened(s),
	}
}

// measuredIn says in everyday words what the recorder heard.
func measuredIn(s *review.Stay) string {
	list := []string{"how fast the engine turns"}
	if s.Plan != nil {
		for _, x := range []struct{ role, words string }{{"turbine_speed", "how fast the gearbox turns"}, {"clutch_pressure", "the oil pressure at its clutch"},
			{"vehicle_speed", "how fast the vehicle moves"}} {
			if len(s.Plan.Sources[x.role]) > 0 {
				list = append(list, x.words)
			}
		}
	}
	if len(list) == 1 {
		return list[0]
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}

// mostSaid is how many instants of one sort of finding the letter tells.
const mostSaid = 3

// foundText tells what was out of the ordinary, the worst first, with when and
// how much.
func foundText(s *review.Stay, view View) []string {
	var list []string
	for _, c := range s.Counts() {
		if detect.Ordinary(c.Kind, c.Class) && c.Kind != detect.KindMark {
			continue
		}
		var when []string
		for _, e := range s.Worst() {
			if e.Kind == c.Kind && e.Class == c.Class && len(when) < mostSaid {
				when = append(when, instance(s, e, view))
			}
		}
		what, felt := "something unusual was measured", ""
		if w := review.WordsOf(c.Kind).Of(c.Class); w != nil && w.What != "" {
			what, felt = w.What, w.Felt
		}
		text := fmt.Sprintf("%s %s: %s", review.Capital(timesText(uint64(c.N))), what, strings.Join(when, "; "))
		if c.N > len(when) {
			text += fmt.Sprintf("; and %s more", timesText(uint64(c.N-len(when))))
		}
		list = append(list, strings.TrimSpace(text+". "+felt))
	}
	return list
}

// instance says when one finding was and how much of it.
func instance(s *review.Stay, e *review.Event, view View) string {
	text := "at " + view.Times.When(e.Clock, e.Start)
	if w, ok := view.Times.Wall(e.Clock, e.Start); ok {
		text = "on " + w.Format("Monday 2 January at 15:04")
	}
	m, ok := review.Main(&e.Finding)
	if _, unit := review.MeasureWords(m.Name); ok && unit == "s" && e.Kind != detect.KindRoleStale && e.Kind != detect.KindBusFault {
		text += fmt.Sprintf(" (%s%.1f seconds", bounded(m.Name), m.Value)
		if x, ok := s.Usual(e.Kind, m.Name); ok {
			text += fmt.Sprintf(" instead of the usual %.1f", x.Median)
		}
		text += ")"
	}
	if e.Kind != detect.KindMark {
		if mark := s.MarkAfter(e); mark != nil {
			text += fmt.Sprintf(", %.0f seconds before you pressed the button", (mark.Start - e.Start).Seconds())
		}
	}
	return text
}

// bounded begins what is known of a measure by a bound only.
func bounded(measure string) string {
	switch {
	case strings.HasSuffix(measure, "_max_s"):
		return "at most "
	case strings.HasSuffix(measure, "_min_s"):
		return "at least "
	}
	return ""
}

// sureText says how often the clutch was judged and how seldom the fault may
// be, in counts that people can picture; nothing where it never was.
func sureText(t *review.Total) []string {
	for _, x := range t.Sureness() {
		if x.Kind != detect.KindReleaseLag || x.Observable == 0 {
			continue
		}
		judged := fmt.Sprintf("The clutch let go %s. In %d of these we would have recognised it had it come a second later", timesText(x.Seen), x.Observable)
		switch {
		case x.Hits == 0 && x.High > 0.5:
			return []string{judged + ", and it was not once late. That is too few to say how seldom it may happen."}
		case x.Hits == 0:
			return []string{judged + fmt.Sprintf(", and it was not once late. If the fault is there at all, it comes less than once in %d times.", int(1/x.High))}
		default:
			return []string{judged + fmt.Sprintf(", and it was late %s. Over a longer time that may be as seldom as %s or as often as %s.",
				timesText(x.Hits), review.Frequency(x.Low), review.Frequency(x.High))}
		}
	}
	return nil
}

func unknownText(s *review.Stay, t *review.Total) []string {
	var list []string
	if t.UnknownS > 0.1*t.MovingS {
		list = append(list, fmt.Sprintf("For about %d in 10 minutes of driving we could not tell what the clutch did.", int(10*t.UnknownS/t.MovingS+0.5)))
	}
	if len(sureText(t)) == 0 {
		list = append(list, "Whether the clutch lets go late could not be seen with what this vehicle tells.")
	}
	if !hasFaults(s) {
		list = append(list, "That we found nothing does not mean that you felt nothing: it did not happen while we recorded, or it cannot be seen in these measurements.")
	}
	return append(list, "Some faults come only in certain weather, with a certain load or on certain roads. What did not happen in this time may still happen in another.")
}

func nextText(s *review.Stay) []string {
	next := "If you still feel it, tell us when and where it happens, warm or cold. The recorder can stay longer, and its button lets you mark the moment, only when it is safe to press."
	if ask := s.AskDriver(); ask != "" {
		next += " Until then it would help if you could " + ask + "."
	}
	if hasFaults(s) {
		next = "We look at the measurements together with the maker's service information and propose the next check to you before any work is done. A measurement alone does not say which part is the cause."
	}
	return []string{next, "If the vehicle behaves in a way that worries you, such as an engine that stops by itself or a gearbox that does not respond, do not wait for us: stop where it is safe and call for help."}
}

// timesText writes a count of times: once, twice, 5 times.
func timesText(n uint64) string {
	switch n {
	case 0:
		return "never"
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return fmt.Sprintf("%d times", n)
}

// listened says whether the recorder sent requests, by the vehicle file that
// the stay was recorded with.
func listened(s *review.Stay) string {
	switch {
	case s.Asked():
		return "The recorder asked the vehicle for values while it listened; it changed nothing in your vehicle."
	case s.Plan != nil && len(s.Plan.MayAcknowledge) > 0:
		return "The recorder may have acknowledged the messages it heard, as any unit on the vehicle's network does; it sent none and changed nothing in your vehicle."
	}
	return "The recorder only listened; it changed nothing in your vehicle."
}

// marked reports whether the driver pressed the button.
func marked(s *review.Stay) bool {
	return slices.ContainsFunc(s.Events, func(e review.Event) bool { return e.Kind == detect.KindMark })
}

func hasFaults(s *review.Stay) bool {
	return slices.ContainsFunc(s.Counts(), func(c review.Count) bool {
		return !detect.Ordinary(c.Kind, c.Class) && review.InVehicle(c.Kind)
	})
}

func between(s *review.Stay, t review.Times) string {
	first, last := &s.Drives[0], &s.Drives[len(s.Drives)-1]
	from, ok1 := t.Wall(first.Clock, first.Account.Start)
	to, ok2 := t.Wall(last.Clock, last.Account.End)
	switch {
	case !ok1 || !ok2:
		return "The recorder was in your vehicle (it did not know the date)"
	case midnight(from).Equal(midnight(to)):
		return "The recorder was in your vehicle on " + from.Format("2 January 2006")
	}
	return "The recorder was in your vehicle from " + from.Format("2 January 2006") + " to " + to.Format("2 January 2006")
}

func hoursText(s float64) string {
	if s < 5400 {
		return review.Plural(int(s/60+0.5), "minute")
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", s/3600), ".0") + " hours"
}

// WriteLetter writes the letter as a page without scripts.
func WriteLetter(w io.Writer, l *Letter) error {
	l.Head = newHead(l.Title, l.Units, read("page.css"))
	out := bufio.NewWriter(plain(w))
	if err := templates.ExecuteTemplate(out, "letter.tmpl", l); err != nil {
		return err
	}
	return out.Flush()
}
