package page

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

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
	Next     []string `json:"next"`
	Remarks  []string `json:"-"`
	Cautions []string `json:"-"`
	Privacy  []string `json:"-"`
	Title    string   `json:"-"`
	Head     head     `json:"-"`
}

// said is what a finding is to somebody who drives.
var said = []struct {
	kind, class string
	one, many   string
}{
	{detect.KindReleaseLag, "late", "Once a clutch inside the automatic gearbox let go later than it usually does. When the vehicle is about to stop, that can be felt as a jolt.",
		"%d times a clutch inside the automatic gearbox let go later than it usually does. When the vehicle is about to stop, that can be felt as a jolt."},
	{detect.KindReleaseLag, "dragging", "Once a clutch inside the automatic gearbox held on so long that the engine was slowed down. When the vehicle is about to stop, that can be felt as a jolt.",
		"%d times a clutch inside the automatic gearbox held on so long that the engine was slowed down. When the vehicle is about to stop, that can be felt as a jolt."},
	{detect.KindReleaseLag, "stall", "Once the engine stopped by itself in the last moments of a stop.", "%d times the engine stopped by itself in the last moments of a stop."},
	{detect.KindHillSlip, "unasked", "Once, while driving under load, a clutch inside the automatic gearbox slipped without being asked to.",
		"%d times, while driving under load, a clutch inside the automatic gearbox slipped without being asked to."},
	{detect.KindGearsetSlip, "", "Once a gear inside the gearbox slipped under load.", "%d times a gear inside the gearbox slipped under load."},
	{detect.KindFlare, "", "Once the engine revved up for a moment during a gear change.", "%d times the engine revved up for a moment during a gear change."},
	{detect.KindShudder, "", "Once a shaking of the drive was measured.", "%d times a shaking of the drive was measured."},
	{detect.KindJolt, "", "Once a jolt of the vehicle was measured.", "%d times a jolt of the vehicle was measured."},
	{detect.KindMark, "", "You pressed the button once; what was measured at that time is on file.", "You pressed the button %d times; what was measured at those times is on file."},
	{detect.KindApply, "", "Once a clutch inside the automatic gearbox took hold in an unusual way.", "%d times a clutch inside the automatic gearbox took hold in an unusual way."},
	{detect.KindShift, "", "Once a gear change was unusual.", "%d gear changes were unusual."},
	{detect.KindOpenUnderDrive, "", "Once a clutch inside the automatic gearbox opened while driving.", "%d times a clutch inside the automatic gearbox opened while driving."},
	{detect.KindBusFault, "error-frames", "Once the recorder's connection to the vehicle was disturbed.", "%d times the recorder's connection to the vehicle was disturbed."},
	{detect.KindBusFault, "frames-lost", "Once the recorder missed a part of what the vehicle told it.", "%d times the recorder missed a part of what the vehicle told it."},
	{detect.KindBusFault, "", "Once the recorder lost its connection to the vehicle.", "%d times the recorder lost its connection to the vehicle."},
	{detect.KindRoleStale, "", "Once a measurement was missing for a while.", "Measurements were missing for a while %d times."},
}

// NewLetter words the stay for the customer.
func NewLetter(s *review.Stay, workshop string) *Letter {
	t := s.Total()
	l := &Letter{Vehicle: s.Title(), Workshop: workshop, Title: "What was recorded in your vehicle"}
	if t.Drives == 0 {
		l.Recorded = append(l.Recorded, "The recorder was in your vehicle, but no drive was recorded. Nothing can be said about the gearbox from it.")
	} else {
		l.Recorded = append(l.Recorded, fmt.Sprintf("%s. In that time we recorded %s with the engine running, %s of it moving, and %s.",
			between(s), plural(t.Drives, "drive"), hoursText(t.MovingS), plural(t.Stops, "stop")))
		l.Recorded = append(l.Recorded, "We measured speeds and pressures inside the gearbox. "+listened(s))
		if t.Stops > t.StopsObserved {
			l.Recorded = append(l.Recorded, fmt.Sprintf("At %d of the %d stops the measurements were good enough to tell how the gearbox behaved.", t.StopsObserved, t.Stops))
		}
	}
	for _, c := range s.Counts() {
		if c.Kind != detect.KindMark && review.Ordinary(c.Class) {
			continue
		}
		l.Found = append(l.Found, saying(c))
	}
	if !hasFaults(s) && t.Drives > 0 {
		l.Found = append([]string{"We found nothing out of the ordinary. That does not mean that you felt nothing: it did not happen while we recorded, or it cannot be seen in these measurements."}, l.Found...)
	}
	for _, x := range t.Sureness() {
		if x.Kind != detect.KindReleaseLag || x.Observable == 0 {
			continue
		}
		switch {
		case x.Hits == 0 && x.High > 0.5:
			l.Sure = append(l.Sure, fmt.Sprintf("The clutch let go %s in a way that could be judged, and not once too late. That is too few to say how seldom it may happen.", plural(int(x.Observable), "time")))
		case x.Hits == 0:
			l.Sure = append(l.Sure, fmt.Sprintf("The clutch let go %d times in a way that could be judged, and not once too late. If the fault is there at all, it most likely (95 in 100) happens in fewer than 1 in %d.", x.Observable, int(1/x.High)))
		default:
			l.Sure = append(l.Sure, fmt.Sprintf("The clutch let go %d times in a way that could be judged, %d of them too late. Over a longer time it most likely (95 in 100) lies between %s and %s.", x.Observable, x.Hits, review.Share(x.Low), review.Share(x.High)))
		}
	}
	if len(l.Sure) == 0 {
		l.Sure = append(l.Sure, "There were too few moments that could be judged to say how sure this is.")
	}
	l.Sure = append(l.Sure, "Some faults come only in certain weather, with a certain load or on certain roads. What did not happen in this time may still happen in another.")
	if hasFaults(s) {
		l.Next = append(l.Next, "We look at the measurements together with the maker's service information and propose the next check to you before any work is done. A measurement alone does not say which part is the cause.")
	} else {
		l.Next = append(l.Next, "If you still feel it, tell us when and where it happens, warm or cold. The recorder can stay longer, and its button lets you mark the moment, only when it is safe to press.")
	}
	l.Next = append(l.Next, "If the vehicle behaves in a way that worries you, such as an engine that stops by itself or a gearbox that does not respond, do not wait for us: stop where it is safe and call for help.")
	l.Cautions = []string{"Never read or operate the recorder while driving.", "Keep it and its cable clear of pedals and airbags; do not unplug it while driving."}
	l.Privacy = []string{
		"The recorder was fitted with your consent. If you did not give it, tell us and we remove the recorder and its recording.",
		"It recorded technical values of the drive with their times. It stored no position, no sound, no picture and no full vehicle identification number.",
		"The recording is yours to have: ask for a copy, or ask us to delete it.",
	}
	if s.Damaged {
		l.Remarks = append(l.Remarks, "A part of the recording could not be read; this page speaks of the rest.")
	}
	return l
}

// listened says whether the recorder sent requests, by the vehicle file that
// the stay was recorded with.
func listened(s *review.Stay) string {
	if s.Asked() {
		return "The recorder asked the vehicle for values while it listened; it changed nothing in your vehicle."
	}
	return "The recorder only listened; it changed nothing in your vehicle."
}

func saying(c review.Count) string {
	i := slices.IndexFunc(said, func(x struct{ kind, class, one, many string }) bool {
		return x.kind == c.Kind && (x.class == c.Class || x.class == "")
	})
	if i < 0 {
		return fmt.Sprintf("Something unusual was measured, %s.", plural(c.N, "time"))
	}
	if c.N == 1 {
		return said[i].one
	}
	return fmt.Sprintf(said[i].many, c.N)
}

func hasFaults(s *review.Stay) bool {
	return slices.ContainsFunc(s.Counts(), func(c review.Count) bool {
		return !review.Ordinary(c.Class) && c.Kind != detect.KindMark && c.Kind != detect.KindBusFault && c.Kind != detect.KindRoleStale
	})
}

func between(s *review.Stay) string {
	first, last := &s.Drives[0], &s.Drives[len(s.Drives)-1]
	from, ok1 := review.Wall(first.Clock, first.Account.Start)
	to, ok2 := review.Wall(last.Clock, last.Account.End)
	switch {
	case !ok1 || !ok2:
		return "The recorder was in your vehicle (it did not know the date)"
	case from.Truncate(24 * time.Hour).Equal(to.Truncate(24 * time.Hour)):
		return "The recorder was in your vehicle on " + from.Format("2 January 2006")
	}
	return "The recorder was in your vehicle from " + from.Format("2 January 2006") + " to " + to.Format("2 January 2006")
}

func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

func hoursText(s float64) string {
	if s < 5400 {
		return plural(int(s/60+0.5), "minute")
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", s/3600), ".0") + " hours"
}

// WriteLetter writes the letter as a page without scripts.
func WriteLetter(w io.Writer, l *Letter) error {
	l.Head = newHead(l.Title, read("page.css"))
	out := bufio.NewWriter(w)
	if err := templates.ExecuteTemplate(out, "letter.tmpl", l); err != nil {
		return err
	}
	return out.Flush()
}
