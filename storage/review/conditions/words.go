package conditions

import (
	"fmt"
	"math"
	"strings"

	"joltwatch/detect"
)

// Quantity writes a value with its unit, as the reader wants it.
type Quantity func(v float64, unit string) string

// do is what to do to meet a condition; %s stands for its bounds. Common practice, no
// source.
var do = map[string]string{
	"fluid_temperature_c":  "drive until the fluid is at %s",
	"since_engine_start_s": "wait until the engine has run for %s",
	"closed_before_s":      "hold a steady speed, so that the clutch stays closed for %s",
	"pedal_before_percent": "hold the pedal, while the clutch is closed, at %s on average",
	"torque_before_nm":     "load the engine, while the clutch is closed, with %s on average",
	"closed_with_kpa":      "have the clutch, while it is closed, held with %s on average: more torque mostly takes more",
	"closed_with_percent":  "have the clutch, while it is closed, commanded to %s on average: more torque mostly takes more",
	"turbine_at_fall_rpm":  "let the release come at a turbine speed of %s",
	"gear":                 "come to the release in gear %s",
	"speed_kmh":            "let the release come at a road speed of %s",
	"braking_mps2":         "slow down with %s",
	"brake_on":             "slow down with the brake %s",
	"stops_before":         "make stops until there have been %s in the drive",
	"grade_percent":        "use a road whose grade is %s (uphill counts as more)",
	when.Name:              "nothing: it came in one part of the stay (releases %s)",
}

// Bounds says those of a condition: "at least 75 °C", "20 to 40 s", "on".
func Bounds(b detect.Bound, write Quantity) string {
	q := asSaid(write)
	if b.Of.Name == "brake_on" {
		if b.From > 0 {
			return "on"
		}
		return "off"
	}
	low, high := math.IsInf(b.From, -1), math.IsInf(b.To, 1)
	switch {
	case low && high:
		return "any"
	case high:
		return q(b.From, b.Of.Unit) + " or more"
	case low:
		return q(b.To, b.Of.Unit) + " or less"
	case b.From == b.To:
		return q(b.From, b.Of.Unit)
	}
	from, to := q(b.From, b.Of.Unit), q(b.To, b.Of.Unit)
	if _, unit, ok := strings.Cut(to, " "); ok {
		from = strings.TrimSuffix(from, " "+unit)
	}
	return from + " to " + to
}

// asSaid writes round numbers as one says them.
func asSaid(write Quantity) Quantity {
	return func(v float64, unit string) string {
		if unit == "s" && v >= 10 {
			v = math.Round(v)
		}
		return strings.TrimSuffix(strings.NewReplacer(".00 ", " ", ".0 ", " ").Replace(write(v, unit)), ".00")
	}
}

// Text says a bound with its condition: "fluid 75 °C or more".
func Text(b detect.Bound, q Quantity) string { return b.Of.Title + " " + Bounds(b, q) }

// Do says what to do so that a bound holds.
func Do(b detect.Bound, q Quantity) string {
	return fmt.Sprintf(do[b.Of.Name], Bounds(b, q))
}

// Text says what is named, and what cannot be told apart from it.
func (n *Named) Text(q Quantity) string {
	t := Text(n.Bound, q)
	var or []string
	for _, o := range n.Or {
		or = append(or, Text(o, q))
	}
	if len(or) > 0 {
		t += " (which in this stay cannot be told from " + strings.Join(or, ", nor from ") + ")"
	}
	return t
}

// Recipe is what is named as a recipe; empty where nothing is, or where it only came
// in one part of the stay.
func (a *Answer) Recipe() detect.Recipe {
	var r detect.Recipe
	for _, n := range a.Named {
		if n.Of == when {
			return nil
		}
		r = append(r, n.Bound)
	}
	return r
}

// Says answers in a sentence, and one on what was not asked where there were late ones
// among it.
func (a *Answer) Says(q Quantity) string {
	if n := &a.DrivenOn; n.Late > 0 {
		return a.says(q) + fmt.Sprintf(" Not asked, for they were no stops: %d releases as the driver drove on, %d of them late.", n.Of, n.Late)
	}
	return a.says(q)
}

func (a *Answer) says(q Quantity) string {
	var list []string
	for i := range a.Named {
		list = append(list, a.Named[i].Text(q))
	}
	named := strings.Join(list, ", together with ")
	switch {
	case a.Late == 0:
		return fmt.Sprintf("No release of %d was late: there is nothing to find a condition of.", a.Releases)
	case a.Few:
		return fmt.Sprintf("Too few to tell: %d of %d releases late; %d of each kind are needed to ask what they have in common.", a.Late, a.Releases, Fewest)
	case len(a.Named) == 0:
		return fmt.Sprintf("No condition can be named: the %d late of %d releases are spread over all that was recorded as chance would have it, or are too few to show what they have in common.", a.Late, a.Releases)
	case a.Recipe() == nil:
		return fmt.Sprintf("They came together in one part of the stay (%s): %s there, %s otherwise. What was special about it is not on record; no condition can be named beside it.", named, a.Within.Text(), a.Otherwise.Text())
	}
	return fmt.Sprintf("Late releases depend on: %s. Expected %s under these conditions, %s otherwise.", named, a.Within.Text(), a.Otherwise.Text())
}

// Text writes a rate as people count: "1 in 4 (95 in 100: 1 in 9 to 5 in 10; 7 of 28)",
// "not once in 28 (95 in 100: at most 1 in 7)".
func (r *Rate) Text() string {
	switch {
	case r.Of == 0:
		return "not known"
	case r.Late == 0:
		return fmt.Sprintf("not once in %d (95 in 100: at most %s)", r.Of, often(r.High))
	}
	return fmt.Sprintf("%s (95 in 100: %s to %s; %d of %d)", often(r.Estimate), often(r.Low), often(r.High), r.Late, r.Of)
}

// often writes a share as people count, to as many digits as anyone can tell.
func often(p float64) string {
	switch {
	case p < 0.001:
		return "hardly ever"
	case p < 0.01:
		return fmt.Sprintf("1 in %.0f", 10*math.Round(0.1/p))
	case p < 0.3:
		return fmt.Sprintf("1 in %.0f", 1/p)
	case p > 0.95:
		return "nearly always"
	}
	return fmt.Sprintf("%.0f in 10", 10*p)
}
