// Package rank turns the counts that the questions return into lists: which
// vehicles changed, which stand out, what the watch rests on, who is silent or
// filling up. The tests and their families are fixed here beforehand; each list
// holds to a stated false-discovery rate.
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
)

// Kinds are the kinds of findings whose rates are tested. The others are
// ordinary in a sound vehicle, or can come at any time.
var Kinds = ranked()

func ranked() []string {
	var list []string
	for _, s := range detect.All {
		if s.Rate && len(s.Alarms) > 0 {
			list = append(list, s.Kind)
		}
	}
	return list
}

// What it takes for a test to be made at all. None of it looks at what was
// found in the one period or the other, so that it does not bias the tests.
const (
	// fewestBefore and fewestWeek are observable opportunities.
	fewestBefore, fewestWeek = 30, 10
	// fewestDaysBefore and fewestDaysWeek are days with a median lag.
	fewestDaysBefore, fewestDaysWeek = 8, 3
	// fewestAlike is the number of vehicles below which there is no telling
	// which of a group stands out.
	fewestAlike = 8
)

// What a change has to be at least, unless the shop says otherwise. Three more late
// releases in a hundred stops are about one a working day; fifteen parts in a
// hundred of the lag are about what twenty degrees of the fluid make. Both are choices, no standard's.
const (
	LeastRate = 0.03
	LeastLag  = 0.15
	// leastLagS is the least change of a lag in seconds, whatever its share.
	leastLagS = 0.02
)

// Options of the lists.
type Options struct {
	LastDay     time.Time
	HistoryDays int
	// Now is when it is asked, for silence.
	Now time.Time
	// Rate is the false-discovery rate of each list of findings, 0…1.
	Rate float64
	// LeastRate and LeastLag are what a change has to be for a place in the workshop:
	// a difference of rates, 0…1, and a share of the usual lag.
	LeastRate, LeastLag float64
	// Refusals are what the shop's server refused, for the list of what to do.
	Refusals []Refused
	// Incomplete are the stays of which not all has come, for the same list.
	Incomplete []Refused
	// Ending are the vehicles whose certificate ends soon, and what is to be done, for
	// the same list; At is when it ends, and the soonest counts most.
	Ending []Refused
	// SilentDays and FullDays bound what is listed as silent and as filling.
	SilentDays, FullDays float64
}

// Shop is the whole answer. Lists are in order of rank.
type Shop struct {
	Options
	WeekFirst time.Time
	// Todo is what to do, the most urgent first.
	Todo         []Action
	Vehicles     int
	Groups       []Group
	Changed      []Finding
	ChangedTests int
	Standing     []Finding
	StandingTest int
	Watched      []review.Sureness // the whole fleet's week
	Rows         []Vehicle
	Silent       []Unit
	Filling      []Unit
	WrongClock   []Unit
	// Common is what is common to a kind of vehicle in this week, a line each.
	Common  []string
	Remarks []string
	// Held says from when on there are records, "" where there are none.
	Held string
	// Weeks are the history of the vehicle Of, where one was asked for.
	Of    string
	Weeks []Week
}

// Group is a kind of vehicle.
type Group struct {
	Name     string
	Vehicles int
}

// Finding is one test that made the list.
type Finding struct {
	Vehicle string `json:"vehicle"`
	Group   string `json:"group"`
	// Test is "rate" (hits per observable opportunity), or "lag" (daily medians of
	// the lag of release).
	Test string `json:"test"`
	Kind string `json:"kind"`
	// Worse is false where the rate or lag went down.
	Worse bool `json:"worse"`
	// This and That are the two sides: this week and the history, or this
	// vehicle and the rest of its group.
	// By is how far it is off, beyond what all of its kind are: of rates, in hits
	// an opportunity; of lags, as the logarithm of the ratio.
	By   float64         `json:"by"`
	This questions.Count `json:"this"`
	That questions.Count `json:"that"`
	// ThisS and ThatS are median lags, for the test "lag", from DaysThis and
	// DaysThat days.
	ThisS    float64 `json:"this_s,omitempty"`
	ThatS    float64 `json:"that_s,omitempty"`
	DaysThis int64   `json:"days_this,omitempty"`
	DaysThat int64   `json:"days_that,omitempty"`
	// P is the p-value, Q the one adjusted for all tests of the list.
	P float64 `json:"p"`
	Q float64 `json:"q"`
}

// Effect is this side over that, of rates or of medians; infinite where that
// side had none.
func (f *Finding) Effect() float64 {
	if f.Test == "lag" {
		return f.ThisS / f.ThatS
	}
	return rate(f.This) / rate(f.That)
}

func rate(c questions.Count) float64 { return float64(c.Hits) / float64(c.Observable) }

// Vehicle is what one vehicle's week rests on.
type Vehicle struct {
	questions.Coverage
	Release review.Sureness // opportunities of a late release, this week
	All     questions.Count // and over the week and the history
	Last    time.Time
}

// Unit is a recorder that needs attention.
type Unit struct {
	questions.Unit
	SilentDays float64 // since the last arrival; infinite where nothing ever came
	// ClockOff is by how much the unit's own time was ahead of the arrival of its
	// latest report, where it told one.
	ClockOff time.Duration
	// DaysLeft until the store is full at its present growth; infinite where
	// it does not grow.
	DaysLeft float64
	// Used is the share of the quota or medium that is used, 0…1.
	Used float64
}

// New ranks the answers.
func New(a *questions.Answers, o Options) *Shop {
	s := &Shop{Options: o, WeekFirst: o.LastDay.AddDate(0, 0, -6), Vehicles: len(a.Coverage)}
	groups := map[string]int{}
	for _, c := range a.Coverage {
		groups[c.Group]++
	}
	for name, n := range groups {
		s.Groups = append(s.Groups, Group{name, n})
	}
	slices.SortFunc(s.Groups, func(a, b Group) int { return cmp.Compare(a.Name, b.Name) })
	s.changed(a)
	s.standing(a)
	s.watched(a)
	s.units(a)
	s.todo(a)
	return s
}

// changed tests each vehicle's week against its own history, after what its kind has
// in common.
func (s *Shop) changed(a *questions.Answers) {
	list := append(s.changedRates(a.Opportunities), s.changedLags(a.Days)...)
	s.ChangedTests = len(list)
	s.Changed = slices.DeleteFunc(keep(list, s.Rate), func(f Finding) bool { return !f.large(&s.Options) })
	s.batches()
}

// large says whether a change is large enough for a place in the workshop.
func (f *Finding) large(o *Options) bool {
	if f.Test == "lag" {
		return math.Abs(f.By) >= math.Log1p(o.LeastLag) && math.Abs(math.Expm1(f.By))*f.ThatS >= leastLagS
	}
	return math.Abs(f.By) >= o.LeastRate && (!f.Worse || f.This.Hits >= 2)
}

func (s *Shop) changedRates(all []questions.Opportunities) (list []Finding) {
	type key struct{ group, kind string }
	groups := map[key][]*questions.Opportunities{}
	var keys []key
	for i := range all {
		c := &all[i]
		w, b := c.Week(), c.Before()
		if !slices.Contains(Kinds, c.Kind) || b.Observable < fewestBefore || w.Observable < fewestWeek {
			continue
		}
		k := key{c.Group, c.Kind}
		if groups[k] == nil {
			keys = append(keys, k)
		}
		groups[k] = append(groups[k], c)
	}
	for _, k := range keys {
		changes, common, hits := rateChanges(groups[k])
		if len(groups[k]) >= fewestAlike && hits >= 10 && math.Abs(math.Log(common)) > max(math.Log(1.5), 3/math.Sqrt(hits)) {
			s.Common = append(s.Common, fmt.Sprintf("%s: %s %.2g times as often as in their history", s.whole(k.group, len(groups[k])), hit(k.kind), common))
		}
		for _, x := range changes {
			c := x.opportunities
			if c.Week().Hits+c.Before().Hits == 0 {
				continue
			}
			list = append(list, Finding{Vehicle: c.Vehicle, Group: c.Group, Test: "rate", Kind: c.Kind, This: c.Week(), That: c.Before(), Worse: x.by > 0, By: x.by, P: x.p})
		}
	}
	return list
}

func (s *Shop) changedLags(days []questions.Day) (list []Finding) {
	byGroup := map[string][]*lagWeeks{}
	for _, w := range lagSeries(days) {
		byGroup[w.group] = append(byGroup[w.group], w)
	}
	for _, g := range s.Groups {
		members := byGroup[g.Name]
		if len(members) == 0 {
			continue
		}
		changes, common, unsure := lagChanges(members)
		if len(members) >= fewestAlike && math.Abs(common) > max(0.03, 3*unsure) {
			way := "longer"
			if common < 0 {
				way = "shorter"
			}
			s.Common = append(s.Common, fmt.Sprintf("%s: the clutch takes %.0f %% %s to release than in their history, at like temperature", s.whole(g.Name, len(members)), 100*math.Abs(math.Expm1(common)), way))
		}
		for _, x := range changes {
			list = append(list, Finding{Vehicle: x.vehicle, Group: x.group, Test: "lag", Kind: detect.KindReleaseLag, Worse: x.by > 0, By: x.by,
				ThisS: x.weekS, ThatS: x.pastS, DaysThis: int64(x.weekDays), DaysThat: int64(x.pastDays), P: x.p})
		}
	}
	return list
}

// whole names all vehicles of a group.
func (s *Shop) whole(group string, n int) string {
	if len(s.Groups) == 1 {
		return fmt.Sprintf("all %d vehicles this week", n)
	}
	return fmt.Sprintf("all %d of the kind \"%s\" this week", n, group)
}

// batches says where so many of a kind changed in one week that they may have
// something in common.
func (s *Shop) batches() {
	for _, g := range s.Groups {
		worse := map[string]bool{}
		for i := range s.Changed {
			if f := &s.Changed[i]; f.Worse && f.Group == g.Name {
				worse[f.Vehicle] = true
			}
		}
		if len(worse) >= 3 && 5*len(worse) >= g.Vehicles {
			s.Common = append(s.Common, fmt.Sprintf("%d of %d vehicles of the kind \"%s\" became worse in the same week: look for what they have in common (a batch of parts, fluid, a software state)", len(worse), g.Vehicles, g.Name))
		}
	}
}

// standing tests each vehicle, over the week and the history, against the others
// of its group, for a higher rate.
func (s *Shop) standing(a *questions.Answers) {
	type key struct{ group, kind string }
	byGroup := map[key][]int{}
	var keys []key
	for i := range a.Opportunities {
		c := &a.Opportunities[i]
		if !slices.Contains(Kinds, c.Kind) || both(c).Observable < fewestBefore {
			continue
		}
		k := key{c.Group, c.Kind}
		if byGroup[k] == nil {
			keys = append(keys, k)
		}
		byGroup[k] = append(byGroup[k], i)
	}
	var list []Finding
	few := map[string]bool{}
	for _, k := range keys {
		members := byGroup[k]
		if len(members) < fewestAlike {
			few[k.group] = true
			continue
		}
		all := questions.Count{}
		hits, n := make([]float64, len(members)), make([]float64, len(members))
		for j, i := range members {
			c := both(&a.Opportunities[i])
			hits[j], n[j] = float64(c.Hits), float64(c.Observable)
			all.Seen, all.Observable, all.Hits = all.Seen+c.Seen, all.Observable+c.Observable, all.Hits+c.Hits
		}
		if all.Hits == 0 {
			continue // no vehicle of the group had one
		}
		for j, p := range standOut(hits, n, s.Rate) {
			c := &a.Opportunities[members[j]]
			this := both(c)
			that := questions.Count{Seen: all.Seen - this.Seen, Observable: all.Observable - this.Observable, Hits: all.Hits - this.Hits}
			list = append(list, Finding{Vehicle: c.Vehicle, Group: c.Group, Test: "rate", Kind: c.Kind, This: this, That: that, Worse: true, By: rate(this) - rate(that), P: p})
		}
	}
	for _, g := range s.Groups {
		if few[g.Name] {
			s.Remarks = append(s.Remarks, "too few vehicles of the kind \""+g.Name+"\" drove enough to tell which of them stands out")
		}
	}
	s.StandingTest = len(list)
	s.Standing = slices.DeleteFunc(keep(list, s.Rate), func(f Finding) bool { return !f.large(&s.Options) })
}

// both adds up the week and the history.
func both(c *questions.Opportunities) questions.Count {
	sum := c.Before()
	sum.Add(c.Week())
	return sum
}

// standOut returns for each vehicle the probability that one of its group shows
// as many hits or more, where the group is all but those that plainly do not
// belong: several of these must not widen the measure that they are held
// against. How many they are is found as Rosner does it (Technometrics 25, 1983):
// the one of highest rate is taken away, up to a quarter of all, and the last
// that was too high for those left tells the number. Too high is twice the level,
// shared out among them, for those with it; or, as one among few widens the
// measure very much, a tenth of the level for those without it, whose rates are
// then taken to differ by half the mean at least. The two cuts were chosen on
// simulated fleets so that sound ones stay within the level; see the tests.
func standOut(hits, n []float64, level float64) []float64 {
	order := make([]int, len(n)) // the highest rate first
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(hits[b]/n[b], hits[a]/n[a]) })
	var left sums
	for i := range n {
		left.add(hits[i], n[i], 1)
	}
	alike := left
	for _, i := range order[:len(order)/4] {
		with := left.fit()
		left.add(hits[i], n[i], -1)
		without := left.fit().varied(0.5)
		if with.atLeast(hits[i], n[i]) <= 2*level/left.vehicles || without.atLeast(hits[i], n[i]) <= 0.1*level/left.vehicles {
			alike = left
		}
	}
	d := alike.fit()
	if d.rate <= 0 {
		// None of the others had any: half a hit among them bounds the rate.
		d = spread{rate: 0.5 / alike.n}
	}
	p := make([]float64, len(n))
	for i := range n {
		p[i] = d.atLeast(hits[i], n[i])
	}
	return p
}

// keep adjusts the p-values and returns those that make the list, the surest
// first.
func keep(list []Finding, level float64) []Finding {
	p := make([]float64, len(list))
	for i := range list {
		p[i] = list[i].P
	}
	kept := []Finding{}
	for i, q := range adjust(p) {
		if q <= level {
			list[i].Q = q
			kept = append(kept, list[i])
		}
	}
	slices.SortStableFunc(kept, func(a, b Finding) int {
		if a.Worse != b.Worse {
			if a.Worse {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(a.Q, b.Q), cmp.Compare(a.P, b.P), strings.Compare(a.Vehicle, b.Vehicle), strings.Compare(a.Kind, b.Kind))
	})
	return kept
}

// watched sums up the week of the fleet and of each vehicle.
func (s *Shop) watched(a *questions.Answers) {
	fleet := map[string]*detect.Opportunity{}
	release := map[string]detect.Opportunity{}
	all := map[string]questions.Count{}
	for _, c := range a.Opportunities {
		w := c.Week()
		x := detect.Opportunity{Kind: c.Kind, Seen: uint64(w.Seen), Observable: uint64(w.Observable), Hits: uint64(w.Hits)}
		if c.Kind == detect.KindReleaseLag {
			release[c.Vehicle] = x
			all[c.Vehicle] = both(&c)
		}
		if fleet[c.Kind] == nil {
			fleet[c.Kind] = &detect.Opportunity{Kind: c.Kind}
		}
		f := fleet[c.Kind]
		f.Seen, f.Observable, f.Hits = f.Seen+x.Seen, f.Observable+x.Observable, f.Hits+x.Hits
	}
	var list []detect.Opportunity
	for _, kind := range Kinds {
		if c := fleet[kind]; c != nil && c.Seen > 0 {
			list = append(list, *c)
		}
	}
	s.Watched = (&review.Total{Opportunities: list}).Sureness()
	last := map[string]time.Time{}
	for _, u := range a.Units {
		last[u.Vehicle] = u.Last
	}
	var unclocked int64
	for _, c := range a.Coverage {
		x := release[c.Vehicle]
		x.Kind = detect.KindReleaseLag
		v := Vehicle{Coverage: c, All: all[c.Vehicle], Last: last[c.Vehicle]}
		v.Release = (&review.Total{Opportunities: []detect.Opportunity{x}}).Sureness()[0]
		s.Rows = append(s.Rows, v)
		unclocked += c.UnclockedDrives
	}
	if unclocked > 0 {
		s.Remarks = append(s.Remarks, "some drives are counted on the day that they were received, as their units did not know the time or had it wrong")
	}
}

// mostClockOff is how far a unit's clock may be off: a report is made and sent in one
// visit.
const mostClockOff = 15 * time.Minute

// units lists who is silent and who is filling up.
func (s *Shop) units(a *questions.Answers) {
	for _, u := range a.Units {
		x := Unit{Unit: u, SilentDays: max(0, s.Now.Sub(u.Last).Hours()/24), DaysLeft: math.Inf(1)}
		if u.Last.IsZero() {
			x.SilentDays = math.Inf(1)
		}
		if x.SilentDays > s.SilentDays {
			s.Silent = append(s.Silent, x)
		}
		if !u.Reported {
			continue
		}
		if x.ClockOff = u.Told.Sub(u.Arrived); !u.Told.IsZero() && x.ClockOff.Abs() > mostClockOff {
			s.WrongClock = append(s.WrongClock, x)
		}
		room, size := float64(u.FreeBytes), float64(u.FreeBytes)+float64(u.StoreBytes)
		if u.QuotaBytes > 0 {
			room, size = min(room, float64(u.QuotaBytes)-float64(u.StoreBytes)), min(size, float64(u.QuotaBytes))
		}
		room = max(room, 0)
		if size > 0 {
			x.Used = min(1, 1-room/size)
		}
		if u.BytesADay > 0 {
			x.DaysLeft = room / u.BytesADay
		}
		if x.DaysLeft < s.FullDays || x.Used > 0.9 || u.Troubles != "" {
			s.Filling = append(s.Filling, x)
		}
	}
	slices.SortStableFunc(s.Silent, func(a, b Unit) int { return cmp.Compare(b.SilentDays, a.SilentDays) })
	slices.SortStableFunc(s.Filling, func(a, b Unit) int {
		return cmp.Or(cmp.Compare(a.DaysLeft, b.DaysLeft), cmp.Compare(b.Used, a.Used))
	})
}

// hit names what counts as a hit of a kind.
func hit(kind string) string {
	if w := review.WordsOf(kind); w != nil {
		return w.Hit
	}
	return review.KindWords(kind)
}

// Words says a finding in one line.
func (f *Finding) Words() string {
	if f.Test == "lag" {
		way := "slower"
		if !f.Worse {
			way = "quicker"
		}
		return fmt.Sprintf("%s is %s: median of the days %.2f s this week (%d days), %.2f s before (%d days)", review.KindWords(f.Kind), way, f.ThisS, f.DaysThis, f.ThatS, f.DaysThat)
	}
	way := "more often"
	if !f.Worse {
		way = "less often"
	}
	return fmt.Sprintf("%s %s: %s of %d opportunities, against %s of %d", hit(f.Kind), way, review.Share(rate(f.This)), f.This.Observable, review.Share(rate(f.That)), f.That.Observable)
}

// Method says how the lists are made, a paragraph each.
func (s *Shop) Method() []string {
	var kinds []string
	for _, k := range Kinds {
		kinds = append(kinds, hit(k))
	}
	return []string{
		fmt.Sprintf("The week is the seven days (UTC) to %s; its history the %d days before. The tests were fixed beforehand. Of each list of findings, at most %.3g %% are false on average (the false-discovery rate, Benjamini and Hochberg 1995), counted over every test made.",
			s.LastDay.Format(time.DateOnly), s.HistoryDays, 100*s.Rate),
		"Rates are hits per observable opportunity of: " + strings.Join(kinds, ", ") + fmt.Sprintf(". The week is held against what the vehicle's own history predicts, at the factor by which all of its kind were off in each week, and with a swing from week to week learned from the history: a prediction with the kind as prior (DuMouchel 1999) and lognormal swings (Bulmer 1974). At least %d opportunities before and %d this week; listed is a change of %.3g in a hundred or more.", fewestBefore, fewestWeek, 100*s.LeastRate),
		fmt.Sprintf("Lags are compared week by week on the logarithm of each day's median, of days with at least 3 releases measured, at like temperature of the fluid, after what moved all of the kind in that week. The spread is that of earlier weeks or of all vehicles in this week (Efron 2004), whichever is greater, and the vehicle's own (Smyth 2004). At least %d days before and %d this week; listed is a change of %.3g %% or more.", fewestDaysBefore, fewestDaysWeek, 100*s.LeastLag),
		fmt.Sprintf("Against their own kind, vehicles are held to a beta-binomial distribution fitted to the others of the group, over the week and the history together; a group has at least %d vehicles. Only a higher rate is listed.", fewestAlike),
		"A vehicle that is not listed is not shown to be sound: see how many stops were watched. Another route, load, driver or season changes rates too.",
	}
}
