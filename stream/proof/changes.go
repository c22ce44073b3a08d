package proof

import (
	"fmt"

	"joltwatch/bus"
	"joltwatch/stream"
)

// limit is how fast a role can change.
type limit struct {
	role stream.Role
	// step may happen between two samples however close, perSecond beyond it.
	step, perSecond float64
}

// limits: shafts have inertia, oil has heat. A field that lies wrongly jumps
// by its high bits.
var limits = [...]limit{
	{stream.EngineSpeed, 450, 8000}, {stream.TurbineSpeed, 700, 9000}, {stream.OutputSpeed, 400, 5000},
	{stream.VehicleSpeed, 6, 60}, {stream.FluidTemperature, 6, 6}, {stream.Accelerator, 55, 700},
	{stream.SupplyVoltage, 5, 40}, {stream.Grade, 12, 40}, {stream.Acceleration, 9, 150},
}

// states change seldom; a wrong bit flickers. Values are the least mean time
// between changes in s.
var seldom = [...]struct {
	role  stream.Role
	every float64
}{
	{stream.Gear, 0.7}, {stream.Shifting, 0.25}, {stream.Brake, 0.4}, {stream.LockupState, 0.25},
}

// changes: no role changes faster than its inertia lets it.
type changes struct {
	roles [stream.NumRoles]changing
}

type changing struct {
	at       bus.Micros
	value    float64
	has      bool
	n, jumps uint64
	changes  uint64
	seconds  float64
	lo, hi   float64
	leaps    uint64 // by more than a quarter of the range so far
}

func (c *changes) sample(s *stream.Sample) {
	x := &c.roles[s.Role]
	if !s.OK {
		x.has = false
		return
	}
	if dt := (s.At - x.at).Seconds(); x.has && dt > 0 && dt < 5 {
		x.n++
		x.seconds += dt
		d := abs(s.Value - x.value)
		if d != 0 {
			x.changes++
		}
		x.lo, x.hi = min(x.lo, s.Value), max(x.hi, s.Value)
		for i := range leaping {
			if l := &leaping[i]; l.role == s.Role && d > 0.25*max(x.hi-x.lo, l.least) {
				x.leaps++
			}
		}
		for i := range limits {
			if l := &limits[i]; l.role == s.Role && d > l.step+l.perSecond*dt {
				x.jumps++
			}
		}
	}
	x.at, x.value, x.has = s.At, s.Value, true
}

// leaping are quantities that step, but not all the time; below the least range
// there is only noise.
var leaping = [...]struct {
	role  stream.Role
	least float64
}{
	{stream.ClutchPressureCommand, 60}, {stream.ClutchPressure, 60}, {stream.ClutchCommand, 20}, {stream.EngineTorque, 60},
}

// leapEvery is the least mean time between leaps of a pressure or torque, s.
const leapEvery = 0.5

// jumpShare is how many of the changes may be jumps: a controller that starts
// anew, a corrupted frame, a wheel that locks on ice.
const jumpShare = 0.01

func (c *changes) statements() []Statement {
	var out []Statement
	for _, l := range limits {
		x := &c.roles[l.role]
		if x.n > 50 && x.jumps > 3 && float64(x.jumps) > jumpShare*float64(x.n) {
			out = append(out, Statement{What: l.role.String() + " jumps", Verdict: Against,
				Says:   fmt.Sprintf("%s jumps faster than anything turns or warms, in %.1f %% of its samples", l.role, 100*float64(x.jumps)/float64(x.n)),
				Change: l.role.String() + ": its start bit, length or byte order"})
		}
	}
	for _, l := range seldom {
		x := &c.roles[l.role]
		if x.seconds > 30 && x.changes > 20 && x.seconds/float64(x.changes) < l.every {
			out = append(out, Statement{What: l.role.String() + " flickers", Verdict: Against,
				Says:   fmt.Sprintf("%s changes every %.2g s", l.role, x.seconds/float64(x.changes)),
				Change: l.role.String() + ": its start bit or message"})
		}
	}
	for _, l := range leaping {
		x, r := &c.roles[l.role], l.role
		if x.seconds > 30 && float64(x.leaps)*leapEvery > x.seconds {
			out = append(out, Statement{What: r.String() + " leaps", Verdict: Against,
				Says:   fmt.Sprintf("%s leaps by a quarter of its range every %.2g s", r, x.seconds/float64(x.leaps)),
				Change: r.String() + ": its start bit, length or byte order"})
		}
	}
	return out
}
