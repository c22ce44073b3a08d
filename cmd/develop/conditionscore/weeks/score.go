package weeks

import (
	"fmt"
	"io"
	"math/rand/v2"
	"slices"

	"joltwatch/storage/review/conditions"
	"joltwatch/storage/review/stats"
)

// Pairs are the two conditions of causes that need both.
func Pairs() [][]string {
	return [][]string{{"fluid_temperature_c", "closed_before_s"}, {"fluid_temperature_c", "braking_mps2"},
		{"closed_before_s", "gear"}, {"turbine_at_fall_rpm", "stops_before"}, {"pedal_before_percent", "braking_mps2"}}
}

// Score is how well many weeks were told.
type Score struct {
	Weeks int
	// Caused are the weeks whose cause depends on conditions; Named those of
	// them in which these were named, all of them; InGroup also where another
	// stands in their place that was said not to be told apart, InTwo those of them
	// in which nothing was said to be so with more than one other.
	Caused, Named, InTwo, InGroup int
	// Informed are those that one who knows how weeks are made names rightly (see
	// Week.Informed), InformedFalse the weeks in which he names what does not matter.
	Informed, InformedFalse int
	// Pairs are the weeks whose cause needs two conditions, PairsNamed those of them in
	// which both were named; Shown those whose own counts show both, each among the
	// releases for which the other holds (Fisher's exact test, 5 %), ShownNamed as above.
	Pairs, PairsNamed, Shown, ShownNamed int
	// False are the weeks in which anything was named that does not matter.
	False int
	// Recipes are the weeks with one, Held those whose true rate is in the
	// interval.
	Recipes, Held int
	// Wrongly counts by condition how often it was named where it does not
	// matter, Could in how many weeks it could have been.
	Wrongly, Could map[string]int
	// ByLate are the caused weeks by how many were late: 5 to 9, 10 to 19, more.
	ByLate [3]struct{ Caused, Named, InGroup int }
	lates  []int
}

// Run makes weeks of a cause and has them told.
func Run(seed uint64, n, stops int, clump bool, names ...string) *Score {
	s := &Score{Wrongly: map[string]int{}, Could: map[string]int{}}
	for i := range n {
		w := Make(seed+uint64(i), stops, clump, names...)
		s.take(w, conditions.Find(&w.Sample), names)
	}
	return s
}

// Inform has the same weeks told by one who knows how they are made.
func (s *Score) Inform(seed uint64, n, stops int, names ...string) {
	for i := range n {
		said := Make(seed+uint64(i), stops, false, names...).Informed(rand.New(rand.NewPCG(seed+uint64(i), 9)))
		right := 0
		for _, x := range said {
			if slices.Contains(names, x) {
				right++
			}
		}
		if right < len(said) {
			s.InformedFalse++
		}
		if len(names) > 0 && right == len(names) {
			s.Informed++
		}
	}
}

func (s *Score) take(w *Week, a *conditions.Answer, names []string) {
	s.Weeks++
	s.lates = append(s.lates, a.Late)
	exact, group, most, wrong, clumped := 0, 0, 0, false, false
	for _, x := range a.Named {
		here := slices.Contains(names, x.Of.Name)
		if here {
			exact++
		} else {
			s.Wrongly[x.Of.Name]++
		}
		most = max(most, 1+len(x.Or))
		for _, o := range x.Or {
			here = here || slices.Contains(names, o.Of.Name)
		}
		if here {
			group++
		}
		at := At(x.Of.Name) < 0
		clumped = clumped || at
		wrong = wrong || !here && !(at && w.Cause.Clump)
	}
	for _, name := range Names() {
		if !slices.Contains(names, name) {
			s.Could[name]++
		}
	}
	if wrong {
		s.False++
	}
	if len(names) > 0 {
		s.Caused++
		by := &s.ByLate[lateBand(a.Late)]
		by.Caused++
		if exact == len(names) {
			s.Named++
			by.Named++
		}
		if len(names) == 2 {
			s.pair(w, exact == 2)
		}
		if group >= len(names) {
			s.InGroup++
			by.InGroup++
			if most <= 2 {
				s.InTwo++
			}
		}
	}
	if len(a.Named) > 0 && !clumped && !w.Cause.Clump {
		if rate, n := w.TrueRate(rand.New(rand.NewPCG(uint64(s.Weeks), 5)), a.Named); n > 0 {
			s.Recipes++
			if rate >= a.Within.Low && rate <= a.Within.High {
				s.Held++
			}
		}
	}
}

// pair counts a week of two conditions.
func (s *Score) pair(w *Week, named bool) {
	s.Pairs++
	if named {
		s.PairsNamed++
	}
	if !w.showsBoth() {
		return
	}
	s.Shown++
	if named {
		s.ShownNamed++
	}
}

// showsBoth reports whether the week's counts, by the true bounds, show that each of
// two conditions matters where the other holds.
func (w *Week) showsBoth() bool {
	var late, of [2][2]uint64 // by whether each holds
	for i := range w.Releases {
		r := &w.Releases[i]
		var holds [2]int
		for k, p := range w.Cause.Parts {
			if v := r.Values[At(p.Name)]; v >= p.From && v <= p.To {
				holds[k] = 1
			}
		}
		of[holds[0]][holds[1]]++
		if r.Late {
			late[holds[0]][holds[1]]++
		}
	}
	const level = 0.05
	return stats.Fisher(late[1][1], of[1][1], late[0][1], of[0][1]) < level && stats.Fisher(late[1][1], of[1][1], late[1][0], of[1][0]) < level
}

func lateBand(n int) int {
	switch {
	case n < 10:
		return 0
	case n < 20:
		return 1
	}
	return 2
}

// Add adds up.
func (s *Score) Add(x *Score) {
	s.Weeks += x.Weeks
	s.Caused += x.Caused
	s.Named += x.Named
	s.Informed += x.Informed
	s.InformedFalse += x.InformedFalse
	s.InTwo += x.InTwo
	s.InGroup += x.InGroup
	s.Pairs += x.Pairs
	s.PairsNamed += x.PairsNamed
	s.Shown += x.Shown
	s.ShownNamed += x.ShownNamed
	s.False += x.False
	s.Recipes += x.Recipes
	s.Held += x.Held
	s.lates = append(s.lates, x.lates...)
	if s.Wrongly == nil {
		s.Wrongly, s.Could = map[string]int{}, map[string]int{}
	}
	for k, v := range x.Wrongly {
		s.Wrongly[k] += v
	}
	for k, v := range x.Could {
		s.Could[k] += v
	}
	for i := range s.ByLate {
		s.ByLate[i].Caused += x.ByLate[i].Caused
		s.ByLate[i].Named += x.ByLate[i].Named
		s.ByLate[i].InGroup += x.ByLate[i].InGroup
	}
}

// MiddleLate is the median number of late releases.
func (s *Score) MiddleLate() int {
	v := slices.Clone(s.lates)
	slices.Sort(v)
	return v[len(v)/2]
}

// Of writes a count out of a whole with its share.
func Of(n, of int) string {
	if of == 0 {
		return "–"
	}
	i := stats.Proportion(uint64(n), uint64(of))
	return fmt.Sprintf("%d of %d, %.1f %% (%.1f … %.1f)", n, of, 100*i.Estimate, 100*i.Low, 100*i.High)
}

// Print writes what is not in the table of causes.
func (s *Score) Print(w io.Writer) {
	for i, name := range []string{"5 to 9", "10 to 19", "20 and more"} {
		by := &s.ByLate[i]
		fmt.Fprintf(w, "%s late: true named %s; or told with others that it cannot be told from %s\n", name, Of(by.Named, by.Caused), Of(by.InGroup, by.Caused))
	}
	fmt.Fprintf(w, "two together: both named in %s; in weeks whose counts show both (Fisher, 5 %%, each where the other holds), in %s; in the others, in %s\n",
		Of(s.PairsNamed, s.Pairs), Of(s.ShownNamed, s.Shown), Of(s.PairsNamed-s.ShownNamed, s.Pairs-s.Shown))
	for _, name := range append(Names(), "release_number") {
		if of := s.Could[name]; of > 0 {
			fmt.Fprintf(w, "named where it does not matter: %s, %s\n", name, Of(s.Wrongly[name], of))
		} else {
			fmt.Fprintf(w, "named where it does not matter: %s, %d weeks\n", name, s.Wrongly[name])
		}
	}
}
