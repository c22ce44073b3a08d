// Package watch draws a running stay on a terminal.
package watch

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"joltwatch/cmd/internal/cli"
	"joltwatch/detect"
	"joltwatch/storage/review"
)

// Screen draws what a stay says now, in lines of at most width characters and
// at most height of them. before is what it said when its account was written
// last; nil where that is not known. Times are those of the stay.
func Screen(now, before *review.Stay, width, height int) []string {
	s := &screen{width: max(width, 20), height: max(height, 4)}
	s.add(now.Title() + " · " + now.Span(review.Times{Zone: time.Local}))
	if len(now.Drives) == 0 {
		s.add("No drive on file yet: the engine has not run, or nothing was written so far.")
		s.remarks(now)
		return s.lines
	}
	d := &now.Drives[len(now.Drives)-1]
	var old *detect.Account
	if before != nil {
		for i := range before.Drives {
			if b := &before.Drives[i]; b.Boot == d.Boot && b.Account.Drive == d.Account.Drive {
				old = &b.Account
			}
		}
	}
	a := &d.Account
	state := "running"
	if a.Ended {
		state = "ended"
	}
	s.add(fmt.Sprintf("Drive %d, %s, on file up to %s · engine on %s · moving %s · stops %d, observed %d", d.Number, state,
		review.Times{Zone: time.Local}.When(d.Clock, a.End), review.DurationText(a.EngineOnS), review.DurationText(a.MovingS), a.Stops, a.StopsObserved))
	for _, x := range a.Asking {
		s.add(x)
	}
	s.add("")
	s.clutch(a, old)
	s.add("")
	s.roles(a, old)
	s.add("")
	s.events(now)
	s.remarks(now)
	return s.lines
}

type screen struct {
	lines         []string
	width, height int
}

// add adds a line, cut to the width, unless the screen is full.
func (s *screen) add(line string) {
	if len(s.lines) >= s.height {
		return
	}
	line = cli.Plain(line)
	if utf8.RuneCountInString(line) > s.width {
		line = string([]rune(line)[:s.width-1]) + "…"
	}
	s.lines = append(s.lines, strings.TrimRight(line, " "))
}

func stateSeconds(a *detect.Account) []review.StateTime {
	t := review.Total{ClosedS: a.ClosedS, PartialS: a.PartialS, CoastS: a.CoastS, OpenS: a.OpenS, UnknownS: a.UnknownS}
	return t.States()
}

func (s *screen) clutch(a, old *detect.Account) {
	list := stateSeconds(a)
	var lately []review.StateTime
	moved := 0.0
	if old != nil && a.MovingS > old.MovingS {
		lately = stateSeconds(old)
		moved = a.MovingS - old.MovingS
	}
	head := "Clutch     this drive"
	if lately != nil {
		head += fmt.Sprintf("   last %s moving", review.DurationText(moved))
	}
	s.add(head)
	for i, x := range list {
		line := fmt.Sprintf("  %-8s %8s  %s", x.Name, review.Percent(x.Seconds, a.MovingS), bar(x.Seconds, a.MovingS, 12))
		if lately != nil {
			// A provisional account may take back a little.
			d := max(0, x.Seconds-lately[i].Seconds)
			line += fmt.Sprintf("  %8s  %s", review.Percent(d, moved), bar(d, moved, 12))
		}
		s.add(line)
	}
}

func bar(part, whole float64, width int) string {
	n := 0
	if whole > 0 {
		n = int(part/whole*float64(width) + 0.5)
	}
	n = max(0, min(n, width))
	return strings.Repeat("#", n) + strings.Repeat(".", width-n)
}

func (s *screen) roles(a, old *detect.Account) {
	s.add("Signals                     known    lately   every")
	for _, r := range a.Roles {
		lately := "–"
		if old != nil && a.EngineOnS > old.EngineOnS {
			if i := slices.IndexFunc(old.Roles, func(x detect.RoleCover) bool { return x.Role == r.Role }); i >= 0 {
				lately = review.Percent(r.FreshS-old.Roles[i].FreshS, a.EngineOnS-old.EngineOnS)
			}
		}
		s.add(fmt.Sprintf("  %-24s %7s  %7s  %6s", r.Role, review.Percent(r.FreshS, a.EngineOnS), lately, review.Period(r.PeriodS)))
	}
}

func (s *screen) events(now *review.Stay) {
	s.add(fmt.Sprintf("Events: %d, the latest first", len(now.Events)))
	for i := len(now.Events) - 1; i >= 0; i-- {
		e := &now.Events[i]
		line := fmt.Sprintf("  %4d  %s  %s: %s", e.Number, review.Times{Zone: time.Local}.When(e.Clock, e.Start), review.KindWords(e.Kind), e.Class)
		if m, ok := review.Main(&e.Finding); ok {
			words, unit := review.MeasureWords(m.Name)
			line += fmt.Sprintf("  %s %s %s", words, review.Digits(m.Value, unit), unit)
		}
		s.add(line)
		if len(s.lines) >= s.height {
			return
		}
	}
}

func (s *screen) remarks(now *review.Stay) {
	for _, r := range now.Remarks {
		s.add("! " + r)
	}
}
