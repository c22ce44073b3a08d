package detect

import (
	"math"

	"joltwatch/detect/state"
	"joltwatch/stream"
)

// carried is what a clutch that holds has carried at each command: with more it
// carries no less.
type carried struct {
	at             [commandBands]float32 // most load with no more, in the unit of what tells it
	torque         bool                  // it is the engine's torque, else the pedal
	closedS        float64               // for how long it has been closed
	load           float64               // of the last second; NaN where nothing tells it
	level, highest float64               // command of the last second, and the most of it
}

const (
	// commandBands share the commands, each bandKPa or bandPct wide. Structural.
	commandBands     = 256
	bandKPa, bandPct = 10.0, 0.5
	// carriedSame is as much as it slips at, by how closely loads are followed, and
	// carriedMore is how much more it must have carried with as much command: torque is
	// told to some percent, and friction falls as the fluid warms (cp).
	carriedSame, carriedMore = 0.98, 1.2
)

// loadOf is the engine's torque, or the pedal where that is not told.
func (c *carried) loadOf(m *state.Moment) (load float64, ok bool) {
	if m.Row.Has(stream.EngineTorque) {
		if !c.torque {
			*c = carried{torque: true, highest: c.highest, level: c.level}
		}
		return m.Row.V[stream.EngineTorque], true
	}
	load, ok = m.Accelerator()
	return load, ok && !c.torque
}

// row takes any row; closed says that the clutch was, under load.
func (c *carried) row(m *state.Moment, closed bool) {
	load, ok := c.loadOf(m)
	switch {
	case !ok:
		c.load = math.NaN()
	case math.IsNaN(c.load):
		c.load = load
	default:
		c.load += float64(min(1, m.DtS) * (load - c.load))
	}
	if !m.HasLevel || !m.Engaged {
		c.level, c.closedS = 0, 0
		return
	}
	c.level += float64(min(1, m.DtS) * (m.Level - c.level))
	c.highest = max(c.highest, c.level)
	if !closed {
		c.closedS = 0
		return
	}
	if c.closedS += m.DtS; c.closedS < holdLeastS || !ok {
		return
	}
	v := float32(min(load, c.load))
	for i := band(max(m.Level, c.level), m.HasPressure); i < commandBands && c.at[i] < v; i++ {
		c.at[i] = v
	}
}

// most is the most that it has carried with no more than a command.
func (c *carried) most(level float64, pressure bool) float64 {
	return float64(c.at[band(level, pressure)])
}

func band(level float64, pressure bool) int {
	width := bandPct
	if pressure {
		width = bandKPa
	}
	return int(max(0, min(commandBands-1, level/width)))
}
