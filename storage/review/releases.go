package review

import (
	"fmt"
	"math"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"joltwatch/detect"
	"joltwatch/storage/review/conditions"
	"joltwatch/storage/review/stats"
	"joltwatch/stream"
)

// Releases are the releases that were judged, each with its conditions. Those made as
// the driver drove on are no stops and are left out.
func (s *Stay) Releases() *conditions.Sample {
	x := &conditions.Sample{}
	inTime := 0
	for i := range s.Events {
		e := &s.Events[i]
		if e.Kind != detect.KindReleaseLag {
			continue
		}
		if detect.DrivenOn(&e.Finding) {
			x.DrivenOn.Of++
			if !detect.Ordinary(e.Kind, e.Class) {
				x.DrivenOn.Late++
			}
			continue
		}
		r := conditions.Release{Late: !detect.Ordinary(e.Kind, e.Class), LagS: math.NaN()}
		if !r.Late {
			inTime++
		}
		if v, ok := e.Get(detect.LagS.Name); ok {
			r.LagS = v
		}
		for _, c := range detect.Conditions {
			v, ok := c.Of(&e.Finding)
			if !ok {
				v = math.NaN()
			}
			r.Values = append(r.Values, v)
		}
		x.Releases = append(x.Releases, r)
	}
	if s.goneReleases > 0 {
		x.Kept = float64(inTime) / (float64(inTime) + float64(s.goneReleases))
	}
	return x
}

// Conditions is on what it depends in this stay whether the clutch lets go late. It
// is worked out once.
func (s *Stay) Conditions() *conditions.Answer {
	if s.conditions == nil {
		s.conditions = conditions.Find(s.Releases())
	}
	return s.conditions
}

// Recipe is the one that the stay was recorded with; nil where there was none.
func (s *Stay) Recipe() detect.Recipe {
	var doc struct {
		Recipe map[string]stream.Range `toml:"recipe"`
	}
	if err := toml.Unmarshal([]byte(s.Settings), &doc); err != nil {
		return nil
	}
	return detect.RecipeOf(doc.Recipe)
}

// Tries are the releases that were made under the conditions of a recipe, and how
// many of them were late.
func (s *Stay) Tries(r detect.Recipe) (tries, late int) {
	for i := range s.Events {
		e := &s.Events[i]
		if e.Kind != detect.KindReleaseLag {
			continue
		}
		if met, _, _ := r.Met(&e.Finding); met && !detect.DrivenOn(&e.Finding) {
			tries++
			if !detect.Ordinary(e.Kind, e.Class) {
				late++
			}
		}
	}
	return tries, late
}

// Tried says how the tries of the recipe went that the stay was recorded with; "" where
// there was none.
func (s *Stay) Tried(u Units) string {
	r := s.Recipe()
	if len(r) == 0 {
		return ""
	}
	var list []string
	for _, b := range r {
		list = append(list, conditions.Text(b, u.Quantity))
	}
	n, late := s.Tries(r)
	text := fmt.Sprintf("Recorded with a recipe (%s): %s", strings.Join(list, "; "), Plural(n, "stop"))
	if n == 0 {
		return text + " made under it."
	}
	rate := conditions.Rate{Late: late, Of: n, Interval: stats.Proportion(uint64(late), uint64(n))}
	return text + " made under it, late " + rate.Text() + "."
}

// NeverMet says under which usual conditions no release was made, and what to ask
// the driver for; "" where there is nothing to ask for.
func (s *Stay) NeverMet(u Units) string {
	list := conditions.NeverMet(s.Releases(), u.Quantity)
	if len(list) == 0 {
		return ""
	}
	if len(list) > mostUnmet {
		list = list[:mostUnmet]
	}
	var never, ask []string
	for _, x := range list {
		never, ask = append(never, x.Never), append(ask, x.Ask)
	}
	return "Not met so far: " + strings.Join(never, "; ") + ". Ask the driver to " + strings.Join(ask, "; ") + "."
}

// AskDriver is the first thing of these to ask the driver for; "" where there is
// nothing.
func (s *Stay) AskDriver() string {
	if list := conditions.NeverMet(s.Releases(), Metric.Quantity); len(list) > 0 {
		return list[0].Ask
	}
	return ""
}

// mostUnmet is as many as fit into one line that is read.
const mostUnmet = 3
