package state

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Moment is one row with what is worked out of it once for all detectors.
type Moment struct {
	Row *stream.Row
	At  bus.Micros
	// DtS is the time since the row before, in seconds; 0 after a gap.
	DtS float64
	// Gap is true where rows are missing before this one.
	Gap bool

	// Stopped is true in the row in which the vehicle came to a stop.
	Stopped bool
	// StoodS is how long the vehicle has stood, in seconds; 0 where it moves.
	StoodS float64

	Running bool // the engine runs
	Moving  bool
	HasKmh  bool
	Kmh     float64 // without sign

	HasSlip bool
	// TolRPM is the half-width of the slip where the turbine speed is derived,
	// StepRPM the quantisation step in it, which differs from row to row.
	EngineRPM, TurbineRPM, SlipRPM, TolRPM, StepRPM float64

	HasGear  bool
	Gear     int
	Shifting bool // the controller says so, or the gear has just changed
	// SinceShiftS and SinceGearS are seconds since the last shift and since the
	// last change of the gear or selector.
	SinceShiftS, SinceGearS float64

	// HasCommand says whether the command is known; Engaged whether it is
	// above the release level. Fell and Rose are set in the first row at or
	// after the Edge.
	HasCommand bool
	Engaged    bool
	Fell, Rose bool
	Edge       Edge
	// PressureKPa is the pressure command where there is one.
	HasPressure bool
	PressureKPa float64
	// Level is the command in use where it has levels: pressure in kPa, else
	// duty in percent.
	HasLevel bool
	Level    float64

	State Clutch
	// Holding is true while the plates are still together although the
	// command has fallen.
	Holding bool
}

// Edge is an instant at which the command crossed its level, and the samples
// between which it did.
type Edge struct {
	Early, Late bus.Micros
	Rise        bool
	From        float64 // the command before, in the role's unit
}

// Mid is the middle of the two samples.
func (e *Edge) Mid() bus.Micros { return e.Early + (e.Late-e.Early)/2 }

// Accelerator returns the pedal in percent and whether it is known.
func (m *Moment) Accelerator() (float64, bool) {
	return m.Row.V[stream.Accelerator], m.Row.Has(stream.Accelerator)
}

// Forward reports whether a forward gear is in, as far as is known.
func (m *Moment) Forward() bool { return !m.HasGear || m.Gear >= 1 && m.Gear != stream.GearShifting }

// Loaded reports whether the engine drives the vehicle along.
func (m *Moment) Loaded() bool {
	pedal, ok := m.Accelerator()
	return ok && pedal >= cruisePedal && m.HasKmh && m.Kmh >= cruiseKmh && m.Running && m.Forward()
}

// overrun reports whether the driver or the engine says that the vehicle drives
// the engine.
func (m *Moment) overrun() bool {
	a, ok := m.Accelerator()
	return ok && a < 1 || m.Row.Has(stream.EngineTorque) && m.Row.V[stream.EngineTorque] < 0
}

// drives reports whether the driver or the engine says that the engine drives the
// vehicle.
func (m *Moment) drives() bool {
	a, ok := m.Accelerator()
	return ok && a >= 1 || !ok && m.Row.Has(stream.EngineTorque) && m.Row.V[stream.EngineTorque] > 0
}

// Context is the state of the vehicle when a finding began; a field is nil
// where its role was unknown.
type Context struct {
	Gear              *float64 `json:"gear,omitempty"`
	SpeedKmh          *float64 `json:"speed_kmh,omitempty"`
	FluidTemperatureC *float64 `json:"fluid_temperature_c,omitempty"`
	AcceleratorPct    *float64 `json:"accelerator_percent,omitempty"`
	SinceStartS       float64  `json:"since_engine_start_s"`
}

// Context is the state of the vehicle at the moment, so many seconds after the
// engine's start.
func (m *Moment) Context(sinceStartS float64) Context {
	c := Context{SinceStartS: Round(sinceStartS, 0.1)}
	put := func(to **float64, ok bool, v, step float64) {
		if ok {
			x := Round(v, step)
			*to = &x
		}
	}
	put(&c.Gear, m.HasGear, float64(m.Gear), 1)
	put(&c.SpeedKmh, m.HasKmh, m.Kmh, 0.1)
	put(&c.FluidTemperatureC, m.Row.Has(stream.FluidTemperature), m.Row.V[stream.FluidTemperature], 0.1)
	a, ok := m.Accelerator()
	put(&c.AcceleratorPct, ok, a, 0.1)
	return c
}

// Round rounds to a multiple of a step (0.1, 0.001 …), so that machines which
// fuse multiplication and addition report the same digits.
func Round(v, step float64) float64 {
	n := math.Round(1 / step)
	r := math.Round(float64(v*n)) / n
	if r == 0 {
		return 0 // without a sign
	}
	return r
}
