package conditions

import (
	"fmt"
	"math"

	"joltwatch/detect"
)

// reach is an end of a condition that a stay should have been at before anyone says
// that the fault does not show: what is usual in a week (common practice, no source).
type reach struct {
	name  string
	bound float64
	below bool
	// never says that it was not: %s is how far it went. ask asks the driver
	// for it.
	never, ask string
}

var reaches = []reach{
	{"fluid_temperature_c", 75, false, "the fluid never above %s", "drive until it is warm through, half an hour or more"},
	{"fluid_temperature_c", 30, true, "the fluid never below %s", "start once from cold"},
	{"closed_before_s", 60, false, "the clutch never closed for more than %s before a release", "hold a steady speed for minutes, then stop"},
	{"braking_mps2", 2.0, false, "never slowed down harder than %s", "brake firmly once where the road is empty"},
	{"braking_mps2", 0.6, true, "never slowed down more gently than %s", "let it roll out and brake gently"},
	{"stops_before", 10, false, "never more than %s stops in a drive", "drive in traffic with many stops"},
	{"grade_percent", 4, false, "never on a grade above %s", "stop uphill"},
	{"grade_percent", -4, true, "never on a grade below %s", "stop downhill"},
}

// fewestMet releases must have been made under a condition for it to have been met.
const fewestMet = 5

// Unmet is a condition that was not met in a stay.
type Unmet struct{ Never, Ask string }

// NeverMet lists the usual conditions under which fewer than five releases were
// made. What was not recorded is not listed.
func NeverMet(s *Sample, q Quantity) (list []Unmet) {
	q = asSaid(q)
	for _, r := range reaches {
		j := 0
		for detect.Conditions[j].Name != r.name {
			j++
		}
		sign := 1.0
		if r.below {
			sign = -1
		}
		met, known, far := 0, 0, math.Inf(-1)
		for i := range s.Releases {
			v := sign * s.Releases[i].Values[j]
			if math.IsNaN(v) {
				continue
			}
			known++
			if v >= sign*r.bound {
				met++
			}
			if v > far {
				far = v
			}
		}
		far *= sign
		switch {
		case known < fewestMet || met >= fewestMet:
		case met > 0:
			list = append(list, Unmet{fmt.Sprintf(r.never, q(r.bound, detect.Conditions[j].Unit)) + fmt.Sprintf(" (but for %d)", met), r.ask})
		default:
			list = append(list, Unmet{fmt.Sprintf(r.never, q(far, detect.Conditions[j].Unit)), r.ask})
		}
	}
	return list
}
