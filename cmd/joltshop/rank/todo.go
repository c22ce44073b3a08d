package rank

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"joltwatch/cmd/joltshop/questions"
	"joltwatch/detect"
	"joltwatch/storage/review"
	"joltwatch/storage/wire"
)

// What there is to do about a vehicle, the most urgent first.
const (
	CallIn = "call in"
	Watch  = "watch"
	Mend   = "mend the recorder"
)

// Action is what to do about one vehicle, and why.
type Action struct {
	Do      string `json:"do"`
	Vehicle string `json:"vehicle"`
	Group   string `json:"group"`
	// Reasons are in plain words, the weightiest first; Sure says how sure the first
	// is.
	Reasons []string `json:"reasons"`
	Sure    string   `json:"how_sure"`
	// Since is the day from which it is so; the zero time where that is not known.
	Since time.Time `json:"since,omitzero"`
	// Worst is the finding to look at first; nil where there is none by itself.
	Worst *questions.Severe `json:"worst,omitempty"`
	// weight orders the vehicles of one action.
	weight float64
}

// Refused is a vehicle that the shop's server refuses, or of which something was set
// aside or has not come, and why.
type Refused struct {
	Vehicle, Why string
	At           time.Time
}

// todo gathers the actions from all lists.
func (s *Shop) todo(a *questions.Answers) {
	t := &actions{of: map[[2]string]*Action{}, groups: map[string]string{}}
	for _, c := range a.Coverage {
		t.groups[c.Vehicle] = c.Group
	}
	s.findings(t)
	s.severe(t, a.Severe)
	s.recorders(t)
	for _, x := range t.of {
		s.Todo = append(s.Todo, *x)
	}
	order := map[string]int{CallIn: 0, Watch: 1, Mend: 2}
	called := map[string]bool{}
	for _, x := range s.Todo {
		called[x.Vehicle] = called[x.Vehicle] || x.Do == CallIn
	}
	s.Todo = slices.DeleteFunc(s.Todo, func(x Action) bool { return x.Do == Watch && called[x.Vehicle] })
	slices.SortFunc(s.Todo, func(x, y Action) int {
		return cmp.Or(cmp.Compare(order[x.Do], order[y.Do]), cmp.Compare(y.weight, x.weight), strings.Compare(x.Vehicle, y.Vehicle))
	})
}

// actions are by what to do and vehicle.
type actions struct {
	of     map[[2]string]*Action
	groups map[string]string
}

func (t *actions) add(do, vehicle, reason, sure string, since time.Time, weight float64, worst *questions.Severe) {
	x := t.of[[2]string{do, vehicle}]
	if x == nil {
		x = &Action{Do: do, Vehicle: vehicle, Group: t.groups[vehicle], Since: since}
		t.of[[2]string{do, vehicle}] = x
	}
	if weight > x.weight || len(x.Reasons) == 0 {
		x.Reasons, x.Sure = slices.Insert(x.Reasons, 0, reason), sure
		x.weight = weight
	} else {
		x.Reasons = append(x.Reasons, reason)
	}
	if !since.IsZero() && (x.Since.IsZero() || since.Before(x.Since)) {
		x.Since = since
	}
	if x.Worst == nil {
		x.Worst = worst
	}
}

// findings adds what the lists say: a higher rate is for the workshop, a longer lag
// without late releases is watched.
func (s *Shop) findings(t *actions) {
	for i := range s.Changed {
		f := &s.Changed[i]
		if !f.Worse {
			continue
		}
		do, weight := CallIn, 50+10*f.By
		if f.Test == "lag" {
			do, weight = Watch, 20+10*f.By
		}
		t.add(do, f.Vehicle, f.Words(), s.sure(f, s.ChangedTests), s.WeekFirst, weight, nil)
	}
	for i := range s.Standing {
		f := &s.Standing[i]
		t.add(CallIn, f.Vehicle, f.Words()+" of the others of its kind", s.sure(f, s.StandingTest), time.Time{}, 40+10*f.By, nil)
	}
}

func (s *Shop) sure(f *Finding, tests int) string {
	word := "fairly"
	if f.Q < 0.001 {
		word = "very"
	}
	return fmt.Sprintf("%s (adjusted p %.1g, of %d tests)", word, f.Q, tests)
}

// severe adds what one of is enough for, and the driver's marks.
func (s *Shop) severe(t *actions, list []questions.Severe) {
	marks := map[string][]int{}
	for i := range list {
		x := &list[i]
		day := s.LastDay.AddDate(0, 0, -int(x.Ago))
		if x.Kind == detect.KindMark {
			marks[x.Vehicle] = append(marks[x.Vehicle], i)
			continue
		}
		weight := 60.0
		if x.Class == "stall" {
			weight = 90
		}
		if x.MarkAfterS != nil {
			weight += 20
		}
		if x.LagS != nil {
			weight += min(*x.LagS, 5)
		}
		t.add(CallIn, x.Vehicle, severeWords(x), "seen once, with its trace", day, weight, x)
	}
	for vehicle, at := range marks {
		first := &list[at[0]]
		since := s.LastDay
		for _, i := range at {
			if day := s.LastDay.AddDate(0, 0, -int(list[i].Ago)); day.Before(since) {
				since = day
			}
		}
		reason := "the driver pressed the button once"
		if len(at) > 1 {
			reason = fmt.Sprintf("the driver pressed the button %d times", len(at))
		}
		t.add(Watch, vehicle, reason+"; what was recorded before it is kept", "the driver's own word", since, 10+float64(len(at)), first)
	}
}

func severeWords(x *questions.Severe) string {
	words := review.KindWords(x.Kind)
	switch x.Class {
	case "dragging":
		words = "the clutch dragged the engine down at a stop"
	case "stall":
		words = "the engine stalled in the last moments of a stop"
	case "unasked":
		words = "slip under load that nothing asked for"
	case "late":
		words = "a late clutch release"
	}
	if x.LagS != nil {
		words += fmt.Sprintf(", %.1f s", *x.LagS)
	}
	if x.MarkAfterS != nil {
		words += fmt.Sprintf("; the driver marked it %.0f s later", *x.MarkAfterS)
	}
	return words
}

// recorders adds what is wrong with the recorders themselves.
func (s *Shop) recorders(t *actions) {
	for _, u := range s.Silent {
		reason := "nothing was ever heard of it"
		if !u.Last.IsZero() {
			reason = fmt.Sprintf("nothing for %.1f days", u.SilentDays)
		}
		t.add(Mend, u.Vehicle, reason, "one that was not used or is out of reach looks alike", u.Last, 10+min(u.SilentDays, 100), nil)
	}
	for _, u := range s.Filling {
		reason := fmt.Sprintf("its store is %.0f %% full", 100*u.Used)
		if u.DaysLeft < 1000 {
			reason += fmt.Sprintf(", and full in %.0f days", math.Floor(u.DaysLeft))
		}
		if u.Troubles != "" {
			first, _, _ := strings.Cut(u.Troubles, "\n")
			reason = "it reports: " + first
		}
		t.add(Mend, u.Vehicle, reason, "its own report", time.Time{}, 5, nil)
	}
	for _, u := range s.WrongClock {
		ahead := "behind"
		if u.ClockOff > 0 {
			ahead = "ahead of"
		}
		filed := "the times of its drives are off by as much"
		if u.ClockOff.Abs() > wire.MostClockOff {
			filed = "its drives are filed under the day they arrived"
		}
		t.add(Mend, u.Vehicle, fmt.Sprintf("its clock is %s %s the shop's: %s", offText(u.ClockOff.Abs()), ahead, filed), "its report and when that arrived", time.Time{}, 8, nil)
	}
	for _, r := range s.Refusals {
		t.add(Mend, r.Vehicle, "the shop refuses it: "+r.Why, "the server's own word", r.At, 20, nil)
	}
	for _, r := range s.Ending {
		t.add(Mend, r.Vehicle, r.Why, "the shop's own record of it", time.Time{}, 18-min(max(r.At.Sub(s.Now).Hours()/24, 0)/100, 1), nil)
	}
	for _, r := range s.Incomplete {
		t.add(Mend, r.Vehicle, "not all that it recorded has come: "+r.Why, "what its files record of each other", r.At, 15, nil)
	}
}

func offText(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%.1f days", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.1f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f minutes", d.Minutes())
}
