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
	"joltwatch/storage/review/conditions"
	"joltwatch/stream"
)

// Screen draws what a stay says now, in lines of at most width characters and
// at most height of them. before is what it said when its account was written
// last; nil where that is not known. Times are those of the stay.
func Screen(now, before *review.Stay, width, height int) []string {
	s := &screen{width: max(width, 20), height: max(height, 4), times: review.Times{Zone: time.Local}}
	s.add(now.Title())
	if len(now.Drives) == 0 {
		s.add("No drive on file yet: the engine has not run, or nothing was written so far.")
		s.asking(now)
		s.remarks(now)
		return s.lines
	}
	d := &now.Drives[len(now.Drives)-1]
	old := sameDrive(before, d)
	a := &d.Account
	state := "running"
	if a.Ended {
		state = "ended"
	}
	s.add(fmt.Sprintf("Drive %d, %s, as on file at %s · stops %d, observed %d", d.Number, state, s.times.When(d.Clock, a.End), a.Stops, a.StopsObserved))
	s.large(now, a)
	s.last(now)
	s.tries(now, a)
	s.add("")
	s.values(a, old)
	s.clutch(a, old)
	s.asking(now)
	s.remarks(now)
	s.events(now)
	return s.lines
}

// sameDrive is the account that before has of a drive; nil where it has none.
func sameDrive(before *review.Stay, d *review.Drive) *detect.Account {
	if before == nil {
		return nil
	}
	for i := range before.Drives {
		if b := &before.Drives[i]; b.Boot == d.Boot && b.Account.Drive == d.Account.Drive {
			return &b.Account
		}
	}
	return nil
}

type screen struct {
	lines         []string
	width, height int
	times         review.Times
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

// wrap adds a sentence, in as many lines as it needs.
func (s *screen) wrap(text string) {
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && utf8.RuneCountInString(line+" "+word) > s.width {
			s.add(line)
			line = " "
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	s.add(line)
}

// figure is one number to be read at arm's length.
type figure struct{ text, label string }

// large shows the two speeds and the count of late releases in numerals of five
// lines, where they fit.
func (s *screen) large(now *review.Stay, a *detect.Account) {
	list := append(speeds(a), late(now))
	if s.width < 78 || s.height < 20 {
		for _, f := range list {
			s.add(f.text + " " + f.label)
		}
		return
	}
	s.add("")
	var lines [numeralLines + 1]string
	for i, f := range list {
		for at, l := range numerals(f.text) {
			lines[at] += l
		}
		lines[numeralLines] += f.label
		for at := range lines {
			fill := (i+1)*s.width/len(list) - utf8.RuneCountInString(lines[at])
			lines[at] += strings.Repeat(" ", max(0, fill))
		}
	}
	for _, l := range lines {
		s.add(l)
	}
	s.add("")
}

// speeds are the engine's and that of the first shaft that is known.
func speeds(a *detect.Account) []figure {
	list := []figure{{"–", "rpm, engine"}}
	for _, x := range []struct {
		role  stream.Role
		label string
	}{{stream.EngineSpeed, "rpm, engine"}, {stream.TurbineSpeed, "rpm, turbine"}, {stream.VehicleSpeed, "km/h"}, {stream.OutputSpeed, "rpm, output shaft"}} {
		i := slices.IndexFunc(a.Roles, func(r detect.RoleCover) bool { return r.Role == x.role.String() && r.Now != nil })
		switch {
		case i < 0:
		case x.role == stream.EngineSpeed:
			list[0].text = fmt.Sprintf("%.0f", *a.Roles[i].Now)
		case len(list) == 1:
			list = append(list, figure{fmt.Sprintf("%.0f", *a.Roles[i].Now), x.label})
		}
	}
	return list
}

// late counts the late releases of the stay; a dash where none could have been
// seen.
func late(now *review.Stay) figure {
	n := uint64(0)
	for i := range now.Events {
		if e := &now.Events[i]; e.Kind == detect.KindReleaseLag && !detect.Ordinary(e.Kind, e.Class) {
			n++
		}
	}
	observable := uint64(0)
	for _, o := range now.Total().Opportunities {
		if o.Kind == detect.KindReleaseLag {
			observable = o.Observable
			n = max(n, o.Hits)
		}
	}
	if n == 0 && observable == 0 {
		return figure{"–", "late: none to be seen yet"}
	}
	return figure{fmt.Sprint(n), fmt.Sprintf("late, of %d judged", max(n, observable))}
}

// tries counts those of the recipe that the stay was recorded with, and says what
// of it the drive has not met now.
func (s *screen) tries(now *review.Stay, a *detect.Account) {
	r := now.Recipe()
	if len(r) == 0 {
		return
	}
	n, late := now.Tries(r)
	var list []string
	for i := range r {
		list = append(list, conditions.Text(r[i], review.Metric.Quantity))
	}
	text := fmt.Sprintf("Recipe: tries %d, late %d (%s)", n, late, strings.Join(list, "; "))
	for i := range r {
		j := slices.IndexFunc(a.Roles, func(x detect.RoleCover) bool { return x.Role == stream.FluidTemperature.String() && x.Now != nil })
		if r[i].Of.Name == "fluid_temperature_c" && j >= 0 && !r[i].Holds(*a.Roles[j].Now) {
			text += fmt.Sprintf("; not now: %s is at %s", r[i].Of.Title, review.Metric.Quantity(*a.Roles[j].Now, "°C"))
		}
	}
	s.wrap(text)
}

// last says what was found last that is out of the ordinary.
func (s *screen) last(now *review.Stay) {
	for i := len(now.Events) - 1; i >= 0; i-- {
		if e := &now.Events[i]; !detect.Ordinary(e.Kind, e.Class) {
			s.wrap("Last finding: " + s.event(e))
			return
		}
	}
	s.add("Last finding: nothing out of the ordinary so far")
}

func (s *screen) event(e *review.Event) string {
	text := fmt.Sprintf("%s  %s: %s", s.times.When(e.Clock, e.Start), review.KindWords(e.Kind), e.Class)
	if m, ok := review.Main(&e.Finding); ok {
		text += ", " + review.Metric.Measure(m)
	}
	return text
}

// values lists the roles with their value and the share of the time, lately
// where that is known, in which there was one: in two columns where they fit.
func (s *screen) values(a, old *detect.Account) {
	of := "this drive"
	if old != nil && a.EngineOnS > old.EngineOnS {
		of = "the last " + review.DurationText(a.EngineOnS-old.EngineOnS)
	}
	s.add("Value, and how much of " + of + " it was known:")
	const cell = 39
	columns := 1
	if s.width >= 2*cell+1 {
		columns = 2
	}
	rows := (len(a.Roles) + columns - 1) / columns
	for i := range rows {
		line := ""
		for j := i; j < len(a.Roles); j += rows {
			line += fmt.Sprintf("%-*s ", cell, role(&a.Roles[j], a, old))
		}
		s.add(line)
	}
}

func role(r *detect.RoleCover, a, old *detect.Account) string {
	known, of := r.FreshS, a.EngineOnS
	if old != nil && a.EngineOnS > old.EngineOnS {
		if i := slices.IndexFunc(old.Roles, func(x detect.RoleCover) bool { return x.Role == r.Role }); i >= 0 {
			known, of = known-old.Roles[i].FreshS, of-old.EngineOnS
		}
	}
	return fmt.Sprintf("%-23s%11s%5s", r.Role, value(r), share(known, of))
}

func share(part, whole float64) string {
	if whole <= 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f%%", 100*min(1, max(0, part/whole)))
}

// value writes what a role says now.
func value(r *detect.RoleCover) string {
	which, ok := stream.ParseRole(r.Role)
	if !ok || r.Now == nil {
		return "–"
	}
	on := *r.Now != 0
	switch {
	case which == stream.Gear:
		return review.GearText(r.Now)
	case which == stream.LockupState:
		return lockup(*r.Now)
	case which.Unit() != "":
		return review.Metric.Quantity(*r.Now, which.Unit())
	case on:
		return "on"
	}
	return "off"
}

func lockup(v float64) string {
	switch v {
	case stream.LockupOpen:
		return "open"
	case stream.LockupPartial:
		return "partial"
	case stream.LockupClosed:
		return "closed"
	}
	return "–"
}

func stateSeconds(a *detect.Account) []review.StateTime {
	t := review.Total{ClosedS: a.ClosedS, PartialS: a.PartialS, CoastS: a.CoastS, OpenS: a.OpenS, UnknownS: a.UnknownS}
	return t.States()
}

// clutch shares out the time moving among the clutch's states.
func (s *screen) clutch(a, old *detect.Account) {
	head, moved := "Clutch, this drive:", a.MovingS
	list := stateSeconds(a)
	if old != nil && a.MovingS > old.MovingS {
		moved = a.MovingS - old.MovingS
		head = "Clutch, last " + review.DurationText(moved) + " moving:"
		for i, x := range stateSeconds(old) {
			// A provisional account may take back a little.
			list[i].Seconds = max(0, list[i].Seconds-x.Seconds)
		}
	}
	for i, x := range list {
		if i > 0 {
			head += ","
		}
		head += " " + x.Name + " " + share(x.Seconds, moved)
	}
	s.wrap(head)
}

func (s *screen) asking(now *review.Stay) {
	for _, x := range now.AskingText(s.times) {
		s.wrap(x)
	}
}

func (s *screen) events(now *review.Stay) {
	s.add(fmt.Sprintf("Events: %d, the latest first", len(now.Events)))
	for i := len(now.Events) - 1; i >= 0 && len(s.lines) < s.height; i-- {
		s.add(fmt.Sprintf("%4d  %s", now.Events[i].Number, s.event(&now.Events[i])))
	}
}

func (s *screen) remarks(now *review.Stay) {
	for _, r := range now.Remarks {
		s.wrap("! " + r)
	}
}
