package review

import (
	"fmt"
	"strings"
	"time"

	"joltwatch/bus"
	"joltwatch/detect"
)

// Units are those in which a reader thinks.
type Units string

// The systems of units. What is stored is metric; only what is shown changes.
const (
	Metric Units = "metric"
	US     Units = "us"
)

// customary lists what US customary readers use in place of a metric unit:
// value*factor + offset. Factors: NIST Special Publication 811, appendix B.
var customary = map[string]struct {
	unit           string
	factor, offset float64
}{
	"km/h": {"mph", 1 / 1.609344, 0},
	"kPa":  {"psi", 1 / 6.894757, 0},
	"°C":   {"°F", 1.8, 32},
	"N·m":  {"lbf·ft", 1 / 1.355818, 0},
}

// In returns a value of a metric unit in the reader's unit, and that unit's
// name; a unit that both share comes back as it is.
func (u Units) In(v float64, unit string) (float64, string) {
	if c, ok := customary[unit]; ok && u == US {
		return v*c.factor + c.offset, c.unit
	}
	return v, unit
}

// Quantity writes a value of a metric unit as the reader thinks, with its
// unit: "1.71 s", "32 mph".
func (u Units) Quantity(v float64, unit string) string {
	v, unit = u.In(v, unit)
	return strings.TrimSpace(Digits(v, unit) + " " + unit)
}

// Measure writes one number of a finding: "lag 1.71 s".
func (u Units) Measure(m detect.Measure) string {
	words, unit := MeasureWords(m.Name)
	return words + " " + u.Quantity(m.Value, unit)
}

// Optional writes a value, or a dash where it is not known.
func (u Units) Optional(v *float64, unit string) string {
	if v == nil {
		return "–"
	}
	return u.Quantity(*v, unit)
}

// Times writes instants in the place's own time. The zero value writes UTC.
type Times struct{ Zone *time.Location }

// NewTimes returns Times for a zone by its name in the IANA time zone
// database, such as Europe/Berlin; "" or "local" is the computer's own. The
// error says what was expected.
func NewTimes(zone string) (Times, error) {
	if zone == "" || zone == "local" {
		return Times{time.Local}, nil
	}
	z, err := time.LoadLocation(zone)
	if err != nil {
		return Times{}, fmt.Errorf("--zone %q: expected a name of the IANA time zone database, such as Europe/Berlin, UTC, or local", zone)
	}
	return Times{z}, nil
}

func (t Times) zone() *time.Location {
	if t.Zone == nil {
		return time.UTC
	}
	return t.Zone
}

// Wall returns an instant in the zone, and whether wall time is known.
func (t Times) Wall(c bus.Clock, at bus.Micros) (time.Time, bool) {
	w, ok := Wall(c, at)
	return w.In(t.zone()), ok
}

// When writes an instant for people, to the second, or as seconds from the
// start of the recording where wall time is not known.
func (t Times) When(c bus.Clock, at bus.Micros) string {
	if w, ok := t.Wall(c, at); ok {
		return w.Format("2006-01-02 15:04:05")
	}
	return fmt.Sprintf("%.1f s", at.Seconds())
}

// Spoken writes an instant as one says it: "Tuesday 3 March, 17:42:05".
func (t Times) Spoken(c bus.Clock, at bus.Micros) string {
	if w, ok := t.Wall(c, at); ok {
		return w.Format("Monday 2 January, 15:04:05")
	}
	return fmt.Sprintf("%.1f s into the recording", at.Seconds())
}

// Name says which zone the times are in, as it was at that instant:
// "CET, UTC+01:00".
func (t Times) Name(c bus.Clock, at bus.Micros) string {
	w, ok := t.Wall(c, at)
	if !ok {
		return "time unknown"
	}
	name, offset := w.Zone()
	if name == "UTC" && offset == 0 {
		return "UTC"
	}
	of := w.Format("UTC-07:00")
	if strings.HasPrefix(name, "+") || strings.HasPrefix(name, "-") {
		return of
	}
	return name + ", " + of
}
