package vehicle

import (
	"sort"
	"strings"

	"joltwatch/stream"
)

// conversion gives the role's unit from another: role = scale*x + offset.
type conversion struct{ scale, offset float64 }

// units gives, for each unit of a role, the other units that are understood.
// The factors are exact by definition (BIPM, The International System of
// Units; the international mile, the pound-force and standard gravity as in
// NIST Special Publication 811, appendix B) and rounded to float64.
var units = map[string]map[string]conversion{
	"rpm": {
		"rpm": {1, 0}, "1/min": {1, 0}, "min-1": {1, 0}, "r/min": {1, 0}, "min^-1": {1, 0}, "u/min": {1, 0}, "rev/min": {1, 0},
		"rad/s": {9.549296585513721, 0}, "hz": {60, 0}, "rps": {60, 0}, "1/s": {60, 0},
	},
	"km/h": {
		"km/h": {1, 0}, "kph": {1, 0}, "kmh": {1, 0}, "km/hour": {1, 0},
		"mph": {1.609344, 0}, "mile/h": {1.609344, 0}, "miles/h": {1.609344, 0}, "mi/h": {1.609344, 0},
		"m/s": {3.6, 0}, "cm/s": {0.036, 0},
	},
	"kPa": {
		"kpa": {1, 0}, "bar": {100, 0}, "mbar": {0.1, 0}, "hpa": {0.1, 0}, "mpa": {1000, 0}, "pa": {0.001, 0},
		"psi": {6.894757293168361, 0}, "lbf/in2": {6.894757293168361, 0},
	},
	"%": {"%": {1, 0}, "percent": {1, 0}, "pct": {1, 0}, "ratio": {100, 0}},
	"N·m": {
		"n·m": {1, 0}, "nm": {1, 0}, "n*m": {1, 0}, "n.m": {1, 0}, "n m": {1, 0},
		"lbf·ft": {1.3558179483314004, 0}, "lb-ft": {1.3558179483314004, 0}, "ft-lb": {1.3558179483314004, 0}, "lbft": {1.3558179483314004, 0}, "ft·lbf": {1.3558179483314004, 0},
	},
	"°C": {
		"°c": {1, 0}, "c": {1, 0}, "degc": {1, 0}, "deg c": {1, 0}, "celsius": {1, 0},
		"°f": {5.0 / 9, -160.0 / 9}, "f": {5.0 / 9, -160.0 / 9}, "degf": {5.0 / 9, -160.0 / 9}, "deg f": {5.0 / 9, -160.0 / 9},
		"k": {1, -273.15}, "kelvin": {1, -273.15},
	},
	"m/s²": {
		"m/s²": {1, 0}, "m/s2": {1, 0}, "m/s^2": {1, 0}, "m/s/s": {1, 0}, "mps2": {1, 0},
		"g": {9.80665, 0}, "mg": {0.00980665, 0},
	},
	"V": {"v": {1, 0}, "volt": {1, 0}, "volts": {1, 0}, "mv": {0.001, 0}},
}

// convert returns the conversion from a unit, as written, to the role's.
func convert(unit string, role stream.Role) (conversion, bool) {
	c, ok := units[role.Unit()][strings.ToLower(strings.TrimSpace(unit))]
	return c, ok
}

// understood lists the units that a role takes, for messages.
func understood(role stream.Role) string {
	var names []string
	for n := range units[role.Unit()] {
		names = append(names, n)
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
}

// Convert turns a value in a unit into the role's.
func Convert(v float64, unit string, role stream.Role) (float64, bool) {
	c, ok := convert(unit, role)
	return float64(v*c.scale) + c.offset, ok
}
