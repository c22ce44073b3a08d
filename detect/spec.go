package detect

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// Spec is all that the rest of the program has to know of one detector: what
// it may say, what it needs, and what it can be set to. Everything that lists
// detectors ranges over All.
type Spec struct {
	// Kind names its findings, and is the key of their wording.
	Kind string
	// Ordinary are the classes that a sound vehicle has, Alarms the others.
	// A kind and a class are the key of a wording.
	Ordinary, Alarms []Class
	// Measures are what its findings may carry.
	Measures []*Quantity
	// Chief are those that say how bad it was, the best first.
	Chief []*Quantity
	// Needs are the roles without which it is blind: one of each list.
	Needs [][]stream.Role
	// Sharpens are roles that it can do without, with less to say.
	Sharpens []stream.Role
	// Opportunity says what is counted as one opportunity; empty for what
	// makes no findings. Rate is true where a rate per opportunity means
	// something; a fault of the bus can come at any time.
	Opportunity string
	Rate        bool
	// Settings are its table in the vehicle file.
	Settings Table

	can  func(*Inputs) Ability
	make func(*counts, *stream.Plan) detector
}

// Classes returns all classes of the kind, the ordinary ones first.
func (s *Spec) Classes() []Class { return append(append([]Class(nil), s.Ordinary...), s.Alarms...) }

// Of returns the spec of a kind, nil where there is none: a store may hold
// findings of a later program.
func Of(kind string) *Spec {
	for _, s := range All {
		if s.Kind == kind {
			return s
		}
	}
	return nil
}

// Ordinary reports whether a finding is one that a sound vehicle has.
func Ordinary(kind string, c Class) bool {
	s := Of(kind)
	return c == (Class{}) || s != nil && slices.Contains(s.Ordinary, c)
}

// Class grades a finding within its kind. There are those that the detectors
// declare and no others; what a store holds is read as it is.
type Class struct{ name string }

func (c Class) String() string { return c.name }

// MarshalText and UnmarshalText are for stores and records.
func (c Class) MarshalText() ([]byte, error) { return []byte(c.name), nil }

// UnmarshalText takes any name: a store may be of a later program.
func (c *Class) UnmarshalText(b []byte) error {
	c.name = string(b)
	return nil
}

// Classes that several kinds have.
var (
	// Normal is what a sound vehicle does.
	Normal = Class{"normal"}
	// Unknown could be told apart only with signals that are not there.
	Unknown = Class{"unknown"}
	// Asked was asked for by the controller.
	Asked = Class{"asked"}
	// LateCommand let go or closed in time once it was told to, and was told later than is
	// this vehicle's habit as it rolls up or pulls away.
	LateCommand = Class{"late-command"}
)

// Quantity is a measure that findings may carry. Its name ends in its unit;
// values are rounded to the resolution.
type Quantity struct {
	Name, Unit string
	Resolution float64
}

// of returns the measure of a value.
func (q *Quantity) of(v float64) Measure { return Measure{q.Name, state.Round(v, q.Resolution)} }

// Quantities that several kinds have.
var (
	durationS   = Quantity{"duration_s", "s", 0.001}
	slipMeanRPM = Quantity{"slip_mean_rpm", "rpm", 0.1}
	slipPeakRPM = Quantity{"slip_peak_rpm", "rpm", 0.1}
	slipWasRPM  = Quantity{"slip_before_rpm", "rpm", 0.1}
	fromGear    = Quantity{"from_gear", "", 1}
	toGear      = Quantity{"to_gear", "", 1}
	shiftS      = Quantity{"shift_s", "s", 0.001}
	commandKPa  = Quantity{"command_before_kpa", "kPa", 0.1}
)

// Table is one table of settings in a vehicle file: [detect.NAME].
type Table struct {
	Name     string
	Settings []Setting
}

// Setting is one threshold: its key, unit, default, the least and the most that
// are taken, and why it is what it is. (cp) marks common practice without a
// source; the rest are choices.
type Setting struct {
	Key, Unit            string
	Default, Least, Most float64
	Reason               string
}

// Inputs are the signals that are there: the usual period of each role, in
// seconds, 0 where it is not there.
type Inputs struct {
	Period [stream.NumRoles]float64
	// Ratios is true where the gears' ratios are known.
	Ratios bool
	Set    *Settings
}

// Ability is what a detector can tell with the signals that are there.
type Ability struct {
	Kind string `json:"kind"`
	Can  bool   `json:"can"`
	// FinenessS is the width of the interval that the sample times leave, in
	// seconds; 0 where that means nothing.
	FinenessS float64 `json:"fineness_s,omitempty"`
	Says      string  `json:"says"`
	// Part is what of it cannot be told, where the rest can.
	Part string `json:"part_not,omitempty"`
}

// Abilities judges each detector by the signals that are there.
func Abilities(in *Inputs) []Ability {
	var list []Ability
	for _, s := range All {
		list = append(list, s.ability(in))
	}
	return list
}

func (s *Spec) ability(in *Inputs) Ability {
	a := Ability{}
	if why := in.missing(s.Needs); why != "" {
		a.Says = why
	} else {
		a = s.can(in)
	}
	a.Kind = s.Kind
	a.FinenessS = state.Round(a.FinenessS, 0.001)
	return a
}

// Roles that several detectors need.
var (
	needsEngine  = []stream.Role{stream.EngineSpeed}
	needsTurbine = []stream.Role{stream.TurbineSpeed}
	needsRoad    = []stream.Role{stream.VehicleSpeed, stream.OutputSpeed}
	needsGear    = []stream.Role{stream.Gear}
	needsOutput  = []stream.Role{stream.OutputSpeed}
	commandRoles = []stream.Role{stream.ClutchPressureCommand, stream.ClutchCommand, stream.LockupState}
	// needsSlip is what slip is formed of; the turbine's speed may be worked
	// out: see turbine.
	needsSlip = [][]stream.Role{needsEngine, needsTurbine}
)

func (in *Inputs) has(r stream.Role) bool { return in.Period[r] > 0 }

// first returns the first of the roles that is there.
func (in *Inputs) first(roles []stream.Role) (stream.Role, bool) {
	for _, r := range roles {
		if in.has(r) {
			return r, true
		}
	}
	return 0, false
}

// turbine returns the period of the turbine's speed, and whether that is worked
// out of the gear's ratio and a shaft's or the road's speed.
func (in *Inputs) turbine() (period float64, derived bool) {
	if p := in.Period[stream.TurbineSpeed]; p > 0 {
		return p, false
	}
	if !in.has(stream.Gear) || !in.Ratios {
		return 0, false
	}
	if p := in.Period[stream.OutputSpeed]; p > 0 {
		return p, true
	}
	return in.Period[stream.VehicleSpeed], true
}

// slipPeriod is the slower of the two speeds that make slip.
func (in *Inputs) slipPeriod() float64 {
	p, _ := in.turbine()
	return max(in.Period[stream.EngineSpeed], p)
}

// derivedNote ends what is said where the turbine's speed is worked out.
func (in *Inputs) derivedNote() string {
	if _, derived := in.turbine(); derived {
		return "; turbine speed worked out from the gear's ratio: wider limits, fewer stops observable"
	}
	return ""
}

// command returns the best command that is there.
func (in *Inputs) command() (r stream.Role, ok bool) { return in.first(commandRoles) }

// missing says which of the needs is not met, or nothing.
func (in *Inputs) missing(needs [][]stream.Role) string {
	for _, any := range needs {
		if _, ok := in.first(any); ok {
			continue
		}
		if len(any) == 1 && any[0] == stream.TurbineSpeed {
			if p, _ := in.turbine(); p > 0 {
				continue
			}
			return "not observable: needs engine_speed and turbine_speed, or gear with ratios and a shaft or road speed"
		}
		var names []string
		for _, r := range any {
			names = append(names, r.String())
		}
		return "not observable: needs " + strings.Join(names, " or ")
	}
	return ""
}

// able is the ability to tell at a fineness.
func able(finenessS float64, format string, a ...any) Ability {
	return Ability{Can: true, FinenessS: finenessS, Says: fmt.Sprintf(format, a...)}
}

// detector is what runs. It takes every row; the interfaces below are for those
// that take more. What it finds it hands to the scene's out.
type detector interface {
	row(s *scene, m *state.Moment)
}

// sampler takes each decoded value of some roles before the rows that it leads to.
type sampler interface {
	samples(stream.Role) bool
	sample(s *scene, x *stream.Sample)
}

// noticer takes notices and error frames of the bus.
type noticer interface {
	notice(s *scene, f *bus.Frame)
}

// beginner is told of the beginning of a drive.
type beginner interface{ begin(s *scene) }

// ender finishes what is under way at the end of a drive, which came at an
// instant.
type ender interface {
	end(s *scene, at bus.Micros)
}

// flusher finishes what is under way at the end of the input.
type flusher interface{ flush(s *scene) }

// accounter adds what it has counted to the account of the drive.
type accounter interface{ account(a *Account) }

// learner keeps what it has learned from drive to drive, in the history.
type learner interface {
	keep(h *history)
	recall(h *history)
}

// scene is what a detector is given: the state of the vehicle, the thresholds,
// this vehicle's own normal, and where findings go.
type scene struct {
	*state.Vehicle
	set     *Settings
	history *history
	out     *emitter
	// saysPartial: the reported state tells partial from closed.
	saysPartial bool
	// traffic counts the frames of all sorts so far, as the caller has them.
	traffic uint64
	// ownStarts are those of an engine that stops itself.
	ownStarts ownStarts
}

// counts are the opportunities of one kind in the drive under way. Each
// detector has its own.
type counts struct{ Opportunity }

// add counts an opportunity.
func (c *counts) add(observable, hit bool) {
	c.Seen++
	if observable || hit {
		c.Observable++
	}
	if hit {
		c.Hits++
	}
}

// ranged reports whether a value may be taken.
func (x *Setting) ranged(v float64) bool {
	return !math.IsNaN(v) && v >= x.Least && v <= x.Most
}
