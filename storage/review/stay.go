// Package review gathers everything that a page or a command says of a stay:
// its drives and their accounts, its events, how much was covered, how sure
// "nothing" is, and the traces behind each event.
package review

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/detect/calibrate"
	"joltwatch/detect/ratioline"
	"joltwatch/storage"
	"joltwatch/storage/review/conditions"
	"joltwatch/stream"
)

// Stay is one period in one vehicle, read from its store.
type Stay struct {
	// Dir is the directory it was read from.
	Dir string
	// Label is the user's own name for it.
	Label string
	// Plan is what the frames were decoded with; nil where the store holds
	// none, and then there are no traces.
	Plan *stream.Plan
	// Settings is the text of the settings in use.
	Settings string
	// Program is what wrote the store, one entry a version, in order.
	Programs []string
	// Drives are in order of time.
	Drives []Drive
	// Events are in order of time, numbered from 1.
	Events []Event
	// Remarks say what is missing or damaged, for people.
	Remarks []string
	// Ratios are the ratios of the gears that were learned in the vehicle,
	// stable or not; empty where the turbine's speed is mapped.
	Ratios []stream.LearnedRatio
	// Calibration is what was learned of the speeds' measuring chain, nil
	// where nothing was.
	Calibration *calibrate.Summary
	// Habits are how closely the vehicle keeps to where it lets go.
	Habits detect.Habits
	// Lines are those of engine over road speed that were learned where these
	// two are all there is; nil where there is more, or nothing.
	Lines *ratioline.Memory
	// Asking is how asking stood when that last changed, in the latest run, whose
	// number and clock these are.
	Asking      storage.Asking
	AskingBoot  uint32
	AskingClock bus.Clock
	// Card is what the unit has asked of its medium.
	Card storage.Usage
	// Damaged is true where a part of the store could not be read.
	Damaged bool

	plans    map[uint32]*stream.Plan // by run, where they are known
	settings map[uint32]detect.Settings
	evidence func(boot uint32, from, to bus.Micros) ([]bus.Frame, error)
	// goneReleases are those in time that are kept as counts only.
	goneReleases uint64
	conditions   *conditions.Answer
}

// Drive is one drive of the stay.
type Drive struct {
	// Number counts the drives of the stay from 1; Boot says in which run of
	// the unit it was, Account.Drive which drive of that run.
	Number  int
	Boot    uint32
	Clock   bus.Clock
	Account detect.Account
}

// Event is one finding with what is kept of its evidence.
type Event struct {
	// Number counts the events of the stay from 1, in order of time.
	Number int
	// ID is the store's own name for it.
	ID          string
	Boot        uint32
	Clock       bus.Clock
	Drive       int // Number of its Drive; 0 where that drive is not on file
	Percentiles []detect.Percentile
	detect.Finding
	// From and To bound the evidence kept; equal where there is none.
	From, To bus.Micros
}

// HasEvidence reports whether traces were kept.
func (e *Event) HasEvidence() bool { return e.To > e.From }

// LinesText says what was learned of the lines of engine over road speed, a
// line each, the highest gear last.
func (s *Stay) LinesText() []string {
	if s.Lines == nil || len(s.Lines.Lines) == 0 {
		return nil
	}
	m := s.Lines
	list := []string{fmt.Sprintf("road speed comes %.2f s after engine speed, in steps of %g km/h", m.DelayS, m.StepKmh)}
	for i := len(m.Lines) - 1; i >= 0; i-- {
		l := m.Lines[i]
		list = append(list, fmt.Sprintf("line %d from the lowest gear: %.2f rpm for 1 km/h, ±%.1f %%, from %s at %.0f to %.0f km/h",
			len(m.Lines)-i, l.Ratio, 100*l.Spread, DurationText(l.Seconds), l.KmhMin, l.KmhMax))
	}
	return list
}

// AskingText says how values are asked for, a line each: the rates as the latest
// drive's account has them, and a silence that is not in it yet, or has ended since.
func (s *Stay) AskingText(times Times) []string {
	list := []string{}
	newer := s.Asking.At > 0
	if n := len(s.Drives); n > 0 {
		d := &s.Drives[n-1]
		list = append(list, d.Account.Asking...)
		newer = newer && (s.AskingBoot != d.Boot || s.Asking.At > d.Account.End)
	}
	if !newer {
		return list
	}
	for _, x := range s.Asking.Silent {
		list = append(list, fmt.Sprintf("%s: nothing is asked since %s: %s", x.Bus, times.When(s.AskingClock, x.Since), x.Why))
	}
	if len(s.Asking.Silent) == 0 {
		list = append(list, "all is asked again since "+times.When(s.AskingClock, s.Asking.At))
	}
	return list
}

// Strange reports whether the event is out of the ordinary, or the driver's
// own mark.
func (e *Event) Strange() bool { return !detect.Ordinary(e.Kind, e.Class) || e.Kind == detect.KindMark }

// OrdinaryCounts counts the ordinary events in words.
func (s *Stay) OrdinaryCounts() string {
	var list []string
	for _, c := range s.Counts() {
		if detect.Ordinary(c.Kind, c.Class) && c.Kind != detect.KindMark {
			list = append(list, fmt.Sprintf("%d × %s", c.N, Finding(c.Kind, c.Class)))
		}
	}
	return strings.Join(list, ", ")
}

// Wall returns the wall time of an instant, and whether it is known.
func Wall(c bus.Clock, at bus.Micros) (time.Time, bool) {
	if !c.Known {
		return time.Time{}, false
	}
	return time.UnixMicro(int64(c.Zero + at)).UTC(), true
}

// When returns an instant as RFC 3339 text with microseconds where wall time
// is known, else as the seconds from the start of the recording.
func When(c bus.Clock, at bus.Micros) any {
	if t, ok := Wall(c, at); ok {
		return t.Format("2006-01-02T15:04:05.000000Z07:00")
	}
	return at.Seconds()
}

// Find returns the event of that number, or nil.
func (s *Stay) Find(number int) *Event {
	if number < 1 || number > len(s.Events) {
		return nil
	}
	return &s.Events[number-1]
}

// Worst returns the events in order of severity, the most severe first; equals stay
// in order of time.
func (s *Stay) Worst() []*Event {
	list := make([]*Event, len(s.Events))
	for i := range s.Events {
		list[i] = &s.Events[i]
	}
	slices.SortStableFunc(list, func(a, b *Event) int {
		return cmp.Compare(b.Severity, a.Severity)
	})
	return list
}

// Remark adds a line on what is missing.
func (s *Stay) Remark(text string) {
	if !slices.Contains(s.Remarks, text) {
		s.Remarks = append(s.Remarks, text)
	}
}

// number sorts drives and events by time and gives them their numbers.
func (s *Stay) number() {
	slices.SortStableFunc(s.Drives, func(a, b Drive) int {
		return order(a.Boot, b.Boot, a.Account.Start, b.Account.Start)
	})
	for i := range s.Drives {
		s.Drives[i].Number = i + 1
	}
	slices.SortStableFunc(s.Events, func(a, b Event) int {
		return order(a.Boot, b.Boot, a.Start, b.Start)
	})
	for i := range s.Events {
		e := &s.Events[i]
		e.Number = i + 1
		for j := range s.Drives {
			if d := &s.Drives[j]; d.Boot == e.Boot && d.Account.Drive == e.Finding.Drive {
				e.Drive = d.Number
			}
		}
	}
}

func order(bootA, bootB uint32, a, b bus.Micros) int {
	return cmp.Or(cmp.Compare(bootA, bootB), cmp.Compare(a, b))
}

// Build numbers the drives and events of a stay whose parts are filled in, and
// sets where its frames come from (nil: nowhere).
func (s *Stay) Build(evidence func(boot uint32, from, to bus.Micros) ([]bus.Frame, error)) *Stay {
	s.evidence = evidence
	s.number()
	return s
}

// PlanOf returns what the frames of that run are decoded with; nil where the
// store holds none.
func (s *Stay) PlanOf(boot uint32) *stream.Plan {
	if p := s.plans[boot]; p != nil {
		return p
	}
	return s.Plan
}

// SettingsOf returns what the detectors of that run were set to; the defaults
// where the store does not say.
func (s *Stay) SettingsOf(boot uint32) detect.Settings {
	if set, ok := s.settings[boot]; ok {
		return set
	}
	return detect.DefaultSettings()
}
