package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// tries counts the releases that are made under the conditions of a recipe.
type tries struct {
	recipe  detect.Recipe
	n, late int
	out     io.Writer
	warm    bool
}

func newTries(file *vehicle.File) *tries { return &tries{recipe: detect.RecipeOf(file.Recipe)} }

// wanted reports whether there is a recipe.
func (t *tries) wanted() bool { return t != nil && len(t.recipe) > 0 }

// guide says at the start what is watched for.
func (t *tries) guide(w io.Writer) {
	if !t.wanted() {
		return
	}
	t.out = w
	var list []string
	for i := range t.recipe {
		list = append(list, boundText(&t.recipe[i]))
	}
	fmt.Fprintf(w, "The recipe: %s.\nOnly on an empty road, by local rules and the maker's instructions; a second person reads.\nEach release is told as a try or not; Ctrl-C ends.\n", strings.Join(list, "; "))
}

// boundText writes a condition with its bound.
func boundText(b *detect.Bound) string { return b.Of.Title + " " + rangeText(b) }

// rangeText writes a bound as the recipe has it, with its unit.
func rangeText(b *detect.Bound) string {
	switch {
	case math.IsInf(b.To, 1):
		return valueText(b.From, b.Of) + " or more"
	case math.IsInf(b.From, -1):
		return valueText(b.To, b.Of) + " or less"
	case b.From == b.To:
		return valueText(b.From, b.Of)
	}
	return fmt.Sprintf("%g to %s", b.From, valueText(b.To, b.Of))
}

// valueText writes a value as it is on file, with its unit.
func valueText(v float64, c *detect.Condition) string {
	return strings.TrimSpace(fmt.Sprintf("%g %s", v, c.Unit))
}

// take counts a finding and says what it was; "" for what is no release.
func (t *tries) take(f *detect.Finding) string {
	if !t.wanted() || f.Kind != detect.KindReleaseLag {
		return ""
	}
	if detect.DrivenOn(f) {
		return fmt.Sprintf("a release (%s), and no try: the driver drove on", f.Class)
	}
	late := !detect.Ordinary(f.Kind, f.Class)
	met, against, known := t.recipe.Met(f)
	switch {
	case !known:
		return fmt.Sprintf("a release (%s), and no try: %s was not known", f.Class, against.Of.Title)
	case !met:
		v, _ := against.Of.Of(f)
		return fmt.Sprintf("a release (%s), and no try: %s %s, and the recipe wants %s", f.Class, against.Of.Title, valueText(v, against.Of), rangeText(against))
	}
	t.n++
	if late {
		t.late++
	}
	return fmt.Sprintf("try %d: %s; late so far %d", t.n, f.Class, t.late)
}

// row says when the fluid comes to what the recipe wants, or leaves it: what
// takes longest to reach.
func (t *tries) row(r *stream.Row) {
	if !t.wanted() || t.out == nil || !r.Has(stream.FluidTemperature) {
		return
	}
	for i := range t.recipe {
		b := &t.recipe[i]
		if b.Of.Name != "fluid_temperature_c" {
			continue
		}
		v := r.V[stream.FluidTemperature]
		if warm := b.Holds(v); warm != t.warm {
			t.warm = warm
			fmt.Fprintf(t.out, "fluid %.0f °C: %s\n", v, map[bool]string{true: "as the recipe wants it", false: "no longer as the recipe wants it"}[warm])
		}
	}
}

// total says how many tries there were; "" without a recipe.
func (t *tries) total() string {
	if !t.wanted() {
		return ""
	}
	return fmt.Sprintf("tries under the conditions of the recipe: %d, late: %d", t.n, t.late)
}
