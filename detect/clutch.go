package detect

import (
	"math"

	"joltwatch/stream"
)

// State is the state of the clutch.
type State uint8

const (
	Unknown State = iota
	Open
	Partial
	Closed
	Coast
)

func (s State) String() string {
	return [...]string{"unknown", "open", "partial", "closed", "coast"}[s]
}

// coastRPM is the largest negative slip of an engaged clutch in overrun.
const coastRPM = 100

// clutchState decides the state from slip, its spread and the command, with a
// minimum dwell.
type clutchState struct {
	state, next State
	nextS       float64
	mean, dev   float64 // of slip, over about 0.3 s
	filled      bool
}

func (c *clutchState) forget() { *c = clutchState{} }

func (c *clutchState) row(m *Monitor) State {
	n := &m.now
	if !n.known {
		c.forget()
		return Unknown
	}
	k := 1.0
	if c.filled && n.dt > 0 {
		k = min(1, n.dt/0.3)
	}
	c.filled = true
	c.mean += float64(k * (n.slip - c.mean))
	c.dev += float64(k * (math.Abs(n.slip-c.mean) - c.dev))
	raw := c.judge(m)
	switch {
	case c.state == Unknown || raw == c.state:
		c.state, c.nextS = raw, 0
	case raw != c.next:
		c.next, c.nextS = raw, 0
	default:
		if c.nextS += n.dt; c.nextS >= m.set.Clutch.DwellS {
			c.state, c.nextS = raw, 0
		}
	}
	return c.state
}

// judge is the state without dwell.
func (c *clutchState) judge(m *Monitor) State {
	n, set := &m.now, &m.set.Clutch
	closed := set.ClosedRPM + n.tol
	if c.state == Closed || c.state == Coast {
		closed *= 1.25
	}
	overrun := n.row.Has(stream.Accelerator) && n.row.V[stream.Accelerator] < 1
	if n.row.Has(stream.EngineTorque) && !overrun {
		overrun = n.row.V[stream.EngineTorque] < 0
	}
	if n.command < 0 && !m.release.together() {
		return Open
	}
	switch {
	case math.Abs(c.mean) <= closed:
		if overrun {
			return Coast
		}
		return Closed
	case n.command > 0 && c.mean < 0 && c.mean > -coastRPM:
		return Coast
	case n.command > 0 && c.mean > 0:
		return Partial
	case n.command == 0 && c.mean > 0 && c.mean < set.PartialRPM && c.dev < 15 && m.segment.moving:
		return Partial
	}
	return Open
}
