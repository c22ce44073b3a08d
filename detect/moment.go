package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// moment is one row with what is worked out of it once for all detectors.
type moment struct {
	row *stream.Row
	at  bus.Micros
	// dt is the time since the row before, in seconds; 0 after a gap.
	dt float64
	// gap is true where rows are missing before this one.
	gap bool

	// stopped is true in the row in which the vehicle came to a stop.
	stopped bool
	// stood is how long the vehicle has stood, in seconds; 0 where it moves.
	stood float64

	running bool // the engine runs
	moving  bool
	hasKmh  bool
	kmh     float64 // without sign

	hasSlip bool
	// engine, turbine and slip in rpm; tol is the half-width of the slip
	// where the turbine speed is derived, grain the part of it that differs
	// from row to row.
	engine, turbine, slip, tol, grain float64

	hasGear  bool
	gear     int
	shifting bool // the controller says so, or the gear has just changed
	// sinceShift and sinceGear are seconds since the last shift and since the
	// last change of the gear or selector.
	sinceShift, sinceGear float64

	// hasCommand says whether the command is known; engaged whether it is
	// above the release level. fell and rose are set in the first row at or
	// after the edge.
	hasCommand bool
	engaged    bool
	fell, rose bool
	edge       edge
	// command is the pressure command in kPa where there is one.
	hasPressure bool
	command     float64
	// level is the command in use where it has levels: pressure in kPa, else
	// duty in percent.
	hasLevel bool
	level    float64

	state clutchState
	// holding is true while the plates are still together although the
	// command has fallen.
	holding bool
}

// edge is an instant at which the command crossed its level, and the samples
// between which it did.
type edge struct {
	early, late bus.Micros
	rise        bool
	from        float64 // the command before, in the role's unit
}

func (e *edge) mid() bus.Micros { return e.early + (e.late-e.early)/2 }

// accelerator returns the pedal and whether it is known.
func (m *moment) accelerator() (float64, bool) {
	return m.row.V[stream.Accelerator], m.row.Has(stream.Accelerator)
}

// forward reports whether a forward gear is in, as far as is known.
func (m *moment) forward() bool { return !m.hasGear || m.gear >= 1 && m.gear != stream.GearShifting }

// context is the state of the vehicle at the moment.
func (m *moment) context(sinceStart float64) Context {
	c := Context{SinceStartS: round(sinceStart, 0.1)}
	put := func(to **float64, ok bool, v, step float64) {
		if ok {
			x := round(v, step)
			*to = &x
		}
	}
	put(&c.Gear, m.hasGear, float64(m.gear), 1)
	put(&c.SpeedKmh, m.hasKmh, m.kmh, 0.1)
	put(&c.FluidTemperatureC, m.row.Has(stream.FluidTemperature), m.row.V[stream.FluidTemperature], 0.1)
	a, ok := m.accelerator()
	put(&c.AcceleratorPct, ok, a, 0.1)
	return c
}

// round rounds to a multiple of a step (0.1, 0.001 …), so that machines which
// fuse multiplication and addition report the same digits.
func round(v, step float64) float64 {
	n := math.Round(1 / step)
	r := math.Round(float64(v*n)) / n
	if r == 0 {
		return 0 // without a sign
	}
	return r
}
