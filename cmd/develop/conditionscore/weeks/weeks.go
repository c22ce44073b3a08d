// Package weeks makes weeks of an invented vehicle at the level of its releases:
// each with its conditions, which hang together as they do in driving, and late or
// not by a cause that depends on some of them. No part of the main job is in it.
package weeks

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"joltwatch/detect"
	"joltwatch/storage/review/conditions"
)

// Part is one condition of a cause: the late releases come from From to To of it.
type Part struct {
	Name     string
	From, To float64
}

// Cause is why releases are late: with the rate In where all parts hold, Out
// elsewhere. Without parts In is the rate everywhere, or, in one Clump, of a single
// day.
type Cause struct {
	Parts   []Part
	In, Out float64
	Clump   bool
}

// Week is one week with its truth.
type Week struct {
	conditions.Sample
	Cause Cause
	habit habit
}

// habit is what a vehicle, its driver and its roads have of their own.
type habit struct {
	ambient, warm, tau float64
	turbine            float64
	hills, braking     float64
	drivesADay         int
	duty               bool // the clutch is commanded by its duty, not by a pressure
}

// At returns the place of a condition in detect.Conditions.
func At(name string) int {
	return slices.IndexFunc(detect.Conditions, func(c *detect.Condition) bool { return c.Name == name })
}

// Names are the conditions that a cause may depend on.
func Names() (list []string) {
	for _, c := range detect.Conditions {
		list = append(list, c.Name)
	}
	return list
}

// stop is one release with its true probability of being late.
type stop struct {
	v   []float64
	p   float64
	day int
}

// Make makes a week of at least the given number of releases and five late ones,
// whose cause depends on the conditions named: none, one or two.
func Make(seed uint64, releases int, clump bool, names ...string) *Week {
	r := rand.New(rand.NewPCG(seed, stream(names)))
	for {
		w := &Week{habit: habit{ambient: -5 + 30*r.Float64(), warm: 78 + 14*r.Float64(), tau: 400 + 500*r.Float64(),
			turbine: 1000 + 250*r.Float64(), hills: 1 + 3*r.Float64(), braking: 0.8 + 0.5*r.Float64(), drivesADay: 3 + r.IntN(3),
			duty: slices.Contains(names, "closed_with_percent")}}
		list := w.habit.drive(r, releases)
		var ok bool
		if w.Cause, ok = cause(r, list, clump, names); !ok {
			continue
		}
		day := list[r.IntN(len(list))].day
		for i := range list {
			list[i].p = w.Cause.rate(&list[i], day)
			x := conditions.Release{Values: list[i].v, Late: r.Float64() < list[i].p, LagS: math.NaN()}
			x.LagS = 0.12 + 0.05*r.Float64()
			if x.Late {
				x.LagS = 0.7 + 0.8*r.Float64()
			}
			w.Releases = append(w.Releases, x)
		}
		if late(w.Releases) >= conditions.Fewest {
			return w
		}
	}
}

// stream is a number of its own for each cause, so that the weeks of no two of them
// have anything in common.
func stream(names []string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(strings.Join(names, " ")))
	return h.Sum64()
}

func late(list []conditions.Release) (n int) {
	for _, x := range list {
		if x.Late {
			n++
		}
	}
	return n
}

// TrueRate is the rate at which releases of this vehicle are late that are made
// within the bounds: over so many weeks like this one that chance is out of it.
func (w *Week) TrueRate(r *rand.Rand, bounds []conditions.Named) (rate float64, n int) {
	sum := 0.0
	for range 20 {
		list := w.habit.drive(r, len(w.Releases))
	next:
		for i := range list {
			for _, b := range bounds {
				if !b.Holds(list[i].v[At(b.Of.Name)]) {
					continue next
				}
			}
			sum += w.Cause.rate(&list[i], -1)
			n++
		}
	}
	return sum / float64(n), n
}

func (c *Cause) rate(s *stop, day int) float64 {
	if c.Clump {
		if s.day == day {
			return c.In
		}
		return 0
	}
	for _, p := range c.Parts {
		if v := s.v[At(p.Name)]; v < p.From || v > p.To {
			return c.Out
		}
	}
	return c.In
}

// cause draws a cause; ok is false where it holds in too few or too many stops for
// anyone to call it one.
func cause(r *rand.Rand, list []stop, clump bool, names []string) (c Cause, ok bool) {
	c = Cause{In: 0.15 + 0.35*r.Float64(), Out: 0.01 * r.Float64(), Clump: clump}
	if len(names) == 0 {
		if !clump {
			c.In = 0.02 + 0.06*r.Float64()
		}
		return c, true
	}
	for _, name := range names {
		c.Parts = append(c.Parts, part(r, list, name, shareOf(r, len(names))))
	}
	n := 0
	for i := range list {
		if c.rate(&list[i], -1) == c.In {
			n++
		}
	}
	share := float64(n) / float64(len(list))
	return c, share >= leastShare && share <= mostShare
}

// leastShare and mostShare of the stops are those that a cause may hold in.
const leastShare, mostShare = 0.08, 0.5

// shareOf draws in what share of the stops a condition holds, one of so many.
func shareOf(r *rand.Rand, parts int) float64 {
	if parts == 2 {
		return 0.3 + 0.2*r.Float64()
	}
	return 0.10 + 0.15*r.Float64()
}

// part is the end of a condition that holds in that share of stops; of gears, one.
func part(r *rand.Rand, list []stop, name string, share float64) Part {
	j := At(name)
	var v []float64
	for i := range list {
		v = append(v, list[i].v[j])
	}
	slices.Sort(v)
	switch name {
	case "gear":
		g := v[r.IntN(len(v))]
		return Part{name, g, g}
	case "brake_on":
		return Part{name, 0, 0} // in traffic most are made with the brake on
	}
	if r.IntN(2) == 0 {
		return Part{name, math.Inf(-1), v[int(share*float64(len(v)))]}
	}
	return Part{name, v[int((1-share)*float64(len(v)))], math.Inf(1)}
}

// drive makes at least so many stops, day by day.
func (h *habit) drive(r *rand.Rand, stops int) (list []stop) {
	for day := 0; len(list) < stops; day++ {
		fluid := h.ambient
		for range h.drivesADay {
			list = append(list, h.once(r, day, &fluid)...)
			// Some hours' rest.
			fluid = h.ambient + (fluid-h.ambient)*math.Exp(-(0.5+5*r.Float64())/3)
		}
	}
	return list
}

// perKmh is the turbine's speed by road speed in each gear, rpm.
var perKmh = [...]float64{0, 120, 68, 44, 32, 26, 21}

// once is one drive.
func (h *habit) once(r *rand.Rand, day int, fluid *float64) (list []stop) {
	t, length := 0.0, 600+3000*r.Float64()
	load, hill := 0.0, 0.0
	for n := 0; ; n++ {
		leg := 25 + 120*r.ExpFloat64()
		if t += leg; t > length {
			return list
		}
		load = 0.7*load + 4*r.NormFloat64()
		hill = 0.8*hill + 0.6*h.hills*r.NormFloat64()
		target := h.warm + 0.5*load
		*fluid = target + (*fluid-target)*math.Exp(-leg/h.tau)
		grade := math.Round(10*hill) / 10
		pedal := max(1, 14+2*grade+5*r.NormFloat64())
		gear := float64(min(6, max(1, int(2+leg/60+1.1*r.NormFloat64()))))
		torque := 6*pedal + 15*r.NormFloat64()
		kPa, pct := 350+1.5*max(0, torque)+25*r.NormFloat64(), math.NaN()
		if h.duty {
			kPa, pct = math.NaN(), kPa/8
		}
		turbine := h.turbine + 110*r.NormFloat64()
		brake := h.braking * math.Exp(0.5*r.NormFloat64()+0.03*grade)
		on := 0.0
		if brake > 0.4 && r.Float64() < 0.95 {
			on = 1
		}
		list = append(list, stop{day: day, v: values(*fluid, t, max(0.6, 0.7*leg*r.Float64()), pedal, torque, kPa, pct, turbine,
			gear, turbine/perKmh[int(gear)], brake, on, float64(n), grade)})
	}
}

// values are in the order of detect.Conditions, as fine as findings have them.
func values(fluid, since, closed, pedal, torque, kPa, pct, turbine, gear, kmh, brake, on, stops, grade float64) []float64 {
	v := []float64{fluid, since, closed, pedal, torque, kPa, pct, turbine, gear, kmh, brake, on, stops, grade}
	for i, x := range v {
		v[i] = math.Round(100*x) / 100
	}
	return v
}
