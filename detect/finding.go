// Package detect turns aligned rows into findings. A detector knows samples in
// and findings out; it knows no file, no clock and no bus.
package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
)

// Kinds of findings. One detector, one file, one kind (a few have two).
const (
	KindReleaseLag     = "release-lag"
	KindHillSlip       = "hill-slip"
	KindSlipTrend      = "slip-trend"
	KindApply          = "apply"
	KindShift          = "shift-with-clutch"
	KindOpenUnderDrive = "open-under-drive"
	KindGearsetSlip    = "gearset-slip"
	KindFlare          = "flare"
	KindShudder        = "shudder"
	KindJolt           = "jolt"
	KindEngineDied     = "engine-died"
	KindMark           = "mark"
	KindBusFault       = "bus-fault"
	KindRoleStale      = "role-stale"
)

// Finding is one thing that a detector saw. Its instants are on the clock of
// the frames.
type Finding struct {
	Kind string `json:"kind"`
	// Class grades the finding within its kind: late, dragging, stall,
	// normal, asked, unasked, …
	Class Class      `json:"class"`
	Start bus.Micros `json:"-"`
	End   bus.Micros `json:"-"`
	// Drive counts engine starts within the boot, from 1.
	Drive int `json:"drive"`
	// Severity orders findings when room runs out: 0 an ordinary repeat, 1 what
	// the stay was for.
	Severity float64 `json:"severity"`
	// Measures are in a fixed order for each kind; names end in their unit.
	Measures []Measure `json:"measures"`
	// Instants are the named moments of the finding and how far each may be
	// off ("command fell", "speeds parted").
	Instants []Instant `json:"instants"`
	// MissingInputs names what the detector would have used and did not have.
	MissingInputs []string `json:"missing_inputs"`
	// Codes are the trouble codes that controllers reported around the
	// finding, each with its controller. The program fills them in; a
	// detector does not know them.
	Codes []string `json:"codes,omitempty"`
	// Context is the state of the vehicle at Start.
	Context Context `json:"context"`
	// Keep asks storage to keep the samples of [Start-before, End+after]
	// anyhow; ordinary repeats of a normal kind set it to false.
	Keep bool `json:"keep"`
}

// Measure is one number of a finding. The name ends in the unit: lag_s,
// slip_peak_rpm. The value is rounded by the detector to its stated
// resolution, so that every machine writes the same digits.
type Measure struct {
	Name  string
	Value float64
}

// Get returns the named measure.
func (f *Finding) Get(name string) (float64, bool) {
	for _, m := range f.Measures {
		if m.Name == name {
			return m.Value, true
		}
	}
	return 0, false
}

// put adds a measure where its value is known, and not NaN.
func (f *Finding) put(q *Quantity, v float64) {
	if !math.IsNaN(v) {
		f.Measures = append(f.Measures, q.of(v))
	}
}

// Instant is a moment and the interval that the sample times allow for it.
type Instant struct {
	Name            string
	At, Early, Late bus.Micros
}

// Context is the state of the vehicle when a finding began.
type Context = state.Context

// Percentile is where a measure of a finding falls in this vehicle's own history.
type Percentile struct {
	Measure string `json:"measure"`
	// Share is the share of earlier values below this one, 0…1; N how many
	// there were.
	Share float64 `json:"share_below"`
	N     uint64  `json:"n"`
}
