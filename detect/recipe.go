package detect

import (
	"fmt"
	"math"
	"strings"

	"joltwatch/stream"
)

// Condition is something that was so when the clutch was told to let go, and on
// which it may depend whether it does so late.
type Condition struct {
	// Name is its key in recipes; it ends in the unit. Title is what people call it.
	Name, Unit, Title string
	// Step is what a bound on it is rounded to: as fine as anyone can drive.
	Step float64
	of   func(*Finding) (float64, bool)
}

// Of returns the condition's value at a release, and whether it was known.
func (c *Condition) Of(f *Finding) (float64, bool) { return c.of(f) }

// Conditions are all that a release has on record, in the order of tables.
var Conditions = []*Condition{
	{"fluid_temperature_c", "°C", "fluid", 5, inContext(func(c *Context) *float64 { return c.FluidTemperatureC })},
	{"since_engine_start_s", "s", "time since the engine's start", 60, func(f *Finding) (float64, bool) { return f.Context.SinceStartS, true }},
	{closedBeforeS.Name, "s", "clutch closed before", 5, measured(&closedBeforeS)},
	{pedalBefore.Name, "%", "mean pedal while closed", 2, measured(&pedalBefore)},
	{torqueBefore.Name, "N·m", "mean engine torque while closed", 10, measured(&torqueBefore)},
	{closedWithKPa.Name, "kPa", "mean clutch pressure while closed", 20, measured(&closedWithKPa)},
	{closedWithPct.Name, "%", "mean clutch command while closed", 2, measured(&closedWithPct)},
	{fallTurbine.Name, "rpm", "turbine speed at the release", 50, measured(&fallTurbine)},
	{"gear", "", "gear", 1, inContext(func(c *Context) *float64 { return c.Gear })},
	{"speed_kmh", "km/h", "road speed at the release", 5, inContext(func(c *Context) *float64 { return c.SpeedKmh })},
	{braking.Name, "m/s²", "deceleration", 0.1, measured(&braking)},
	{brakeOn.Name, "", "brake", 1, measured(&brakeOn)},
	{stopsBefore.Name, "", "stops before, in the drive", 1, measured(&stopsBefore)},
	{gradeAtFall.Name, "%", "grade", 1, measured(&gradeAtFall)},
}

func measured(q *Quantity) func(*Finding) (float64, bool) {
	return func(f *Finding) (float64, bool) { return f.Get(q.Name) }
}

func inContext(of func(*Context) *float64) func(*Finding) (float64, bool) {
	return func(f *Finding) (float64, bool) {
		if v := of(&f.Context); v != nil {
			return *v, true
		}
		return 0, false
	}
}

// ConditionOf returns the condition of that name. The error names those there are.
func ConditionOf(name string) (*Condition, error) {
	var names []string
	for _, c := range Conditions {
		if c.Name == name {
			return c, nil
		}
		names = append(names, c.Name)
	}
	return nil, fmt.Errorf("no condition is called %q; expected one of %s", name, strings.Join(names, ", "))
}

// Condition is nil where a recipe may have a bound on the condition of that name:
// package vehicle asks it of the [recipe] table.
func (*Settings) Condition(name string) error {
	_, err := ConditionOf(name)
	return err
}

// Bound keeps one condition between From and To, both included; the one that is
// not there is an infinity.
type Bound struct {
	Of       *Condition
	From, To float64
}

// Holds reports whether a value is within.
func (b *Bound) Holds(v float64) bool { return v >= b.From && v <= b.To }

// Recipe is under which conditions a late release is expected.
type Recipe []Bound

// drivenOnPct of the accelerator is a driver who drives on. Structural: above what a
// pedal reads that is let go.
const drivenOnPct = 2.0

// DrivenOn reports whether a release came as the driver drove on: the pedal pressed and
// the vehicle not slowing down, as in a kick-down. It is no stop.
func DrivenOn(f *Finding) bool {
	pedal := f.Context.AcceleratorPct
	slowing, ok := f.Get(braking.Name)
	return pedal != nil && *pedal >= drivenOnPct && ok && slowing <= 0
}

// Met reports whether a release was made under all conditions of the recipe. Where
// it was not, against is the first that stood against it, and says whether its
// value was known.
func (r Recipe) Met(f *Finding) (met bool, against *Bound, known bool) {
	for i := range r {
		v, ok := r[i].Of.Of(f)
		if !ok || !r[i].Holds(v) {
			return false, &r[i], ok
		}
	}
	return true, nil, true
}

// RecipeOf returns the recipe of a [recipe] table, in the order of Conditions.
func RecipeOf(table map[string]stream.Range) Recipe {
	var r Recipe
	for _, c := range Conditions {
		if x, ok := table[c.Name]; ok {
			b := Bound{c, math.Inf(-1), math.Inf(1)}
			if x.From != nil {
				b.From = *x.From
			}
			if x.To != nil {
				b.To = *x.To
			}
			r = append(r, b)
		}
	}
	return r
}

// TOML writes the recipe as the table that a vehicle file or a file of its own
// holds.
func (r Recipe) TOML() string {
	var b strings.Builder
	b.WriteString("[recipe]\n")
	for i := range r {
		var ends []string
		for _, e := range []struct {
			key string
			v   float64
		}{{"from", r[i].From}, {"to", r[i].To}} {
			if !math.IsInf(e.v, 0) {
				ends = append(ends, fmt.Sprintf("%s = %g", e.key, e.v))
			}
		}
		fmt.Fprintf(&b, "%s = {%s}\n", r[i].Of.Name, strings.Join(ends, ", "))
	}
	return b.String()
}
