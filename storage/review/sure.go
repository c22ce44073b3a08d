package review

import (
	"fmt"
	"strings"
	"time"

	"joltwatch/detect"
	"joltwatch/storage/review/stats"
)

// Sureness says what the opportunities of one kind tell about its true rate.
type Sureness struct {
	detect.Opportunity
	// Low and High bound the rate per observable opportunity with 95 % confidence.
	Low, High float64
	Method    string
	// Bound says the same in words: "below 1.2 %".
	Bound string
}

// Sureness returns what is known of the rate of each kind that had opportunities.
func (t *Total) Sureness() []Sureness {
	var list []Sureness
	for _, c := range t.Opportunities {
		if !countable(c.Kind) {
			continue
		}
		x := Sureness{Opportunity: c}
		switch {
		case c.Observable == 0 && t.Cannot[c.Kind] != "":
			x.High, x.Method = 1, "none"
			x.Bound = "could not be seen: " + strings.TrimPrefix(t.Cannot[c.Kind], "not observable: ")
		case c.Observable == 0 && c.Seen == 0:
			x.High, x.Method = 1, "none"
			x.Bound = "not known: there was no opportunity to see one"
		case c.Observable == 0:
			x.High, x.Method = 1, "none"
			x.Bound = "not known: no opportunity could be observed with these signals"
		case c.Hits == 0:
			x.High, x.Method = stats.UpperIfNone(c.Observable), "one-sided 95 %, exact"
			x.Bound = "below " + Share(x.High)
		default:
			i := stats.Proportion(min(c.Hits, c.Observable), c.Observable)
			x.Low, x.High, x.Method = i.Low, i.High, "two-sided 95 %, Clopper-Pearson"
			x.Bound = fmt.Sprintf("between %s and %s", Share(x.Low), Share(x.High))
		}
		list = append(list, x)
	}
	return list
}

// countable reports whether a kind has opportunities that a rate can be told of: a
// mark and a fault of the bus or of a signal can come at any time.
func countable(kind string) bool {
	s := detect.Of(kind)
	return s == nil || s.Rate
}

// Share writes a share of one as a percentage with two significant digits or
// so.
func Share(x float64) string {
	switch p := 100 * x; {
	case p >= 10:
		return fmt.Sprintf("%.0f %%", p)
	case p >= 1:
		return fmt.Sprintf("%.1f %%", p)
	case p == 0:
		return "0 %"
	case p < 0.01:
		return fmt.Sprintf("%.1g %%", p)
	default:
		return fmt.Sprintf("%.2f %%", p)
	}
}

// Percent writes a part of a whole; a dash where there is no whole.
func Percent(part, whole float64) string {
	if whole <= 0 {
		return "–"
	}
	return fmt.Sprintf("%.1f %%", 100*part/whole)
}

// StateTime is the moving time in one state of the clutch.
type StateTime struct {
	Name    string
	Seconds float64
}

// States lists the moving time by state of the clutch, in the usual order.
func (t *Total) States() []StateTime {
	return []StateTime{{"closed", t.ClosedS}, {"partial", t.PartialS}, {"coast", t.CoastS}, {"open", t.OpenS}, {"unknown", t.UnknownS}}
}

// DurationText writes seconds as people say them.
func DurationText(s float64) string {
	switch d := time.Duration(s * float64(time.Second)).Round(time.Second); {
	case s < 120:
		return fmt.Sprintf("%.1f s", s)
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min %02d s", d/time.Minute, d%time.Minute/time.Second)
	default:
		return fmt.Sprintf("%d h %02d min", d/time.Hour, d%time.Hour/time.Minute)
	}
}

// Period writes the time between two values.
func Period(s float64) string {
	if s <= 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f ms", 1000*s)
}

// GearText writes a gear; nil is unknown.
func GearText(v *float64) string {
	if v == nil {
		return "–"
	}
	switch *v {
	case -2:
		return "P"
	case -1:
		return "R"
	case 0:
		return "N"
	case 99:
		return "shifting"
	}
	return fmt.Sprintf("%g", *v)
}

// Title names the stay.
func (s *Stay) Title() string {
	if s.Label != "" {
		return s.Label
	}
	if s.Plan != nil && s.Plan.Vehicle != "" {
		return s.Plan.Vehicle
	}
	return "stay without a label"
}

// Span says from when to when the drives of the stay ran.
func (s *Stay) Span(t Times) string {
	if len(s.Drives) == 0 {
		return "no drive on file"
	}
	first, last := &s.Drives[0], &s.Drives[len(s.Drives)-1]
	from, known1 := t.Wall(first.Clock, first.Account.Start)
	to, known2 := t.Wall(last.Clock, last.Account.End)
	if known1 && known2 {
		return fmt.Sprintf("%s to %s (%s)", from.Format("2006-01-02 15:04"), to.Format("2006-01-02 15:04"), t.Name(first.Clock, first.Account.Start))
	}
	return "time unknown: times are seconds since the recording began, or since the board was switched on"
}
