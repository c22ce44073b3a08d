package detect

import (
	"math"
	"slices"

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
	// slid is the most that it has carried with no more, slipping too: one that slips
	// steadily carries what it is given.
	slid        [commandBands]float32
	slip, slidS float64 // slip of the last second, and for how long it has been steady
	// over is how many times the command that is needed was there in the latest stretches
	// of slip that was asked for: what moves friction, or load by pedal, moves that.
	over     [overLast]float64
	overN    int
	overMost float64 // more is no habit; 0 where that is not known
}

const (
	// commandBands share the commands, each bandKPa or bandPct wide. Structural.
	commandBands     = 256
	bandKPa, bandPct = 10.0, 0.5
	// carriedSame is as much as it slips at, by how closely loads are followed, and
	// carriedMore is how much more it must have carried with as much command: torque is
	// told to some percent, and friction falls as the fluid warms (cp).
	carriedSame, carriedMore = 0.98, 1.2
	// steadyRPM is by how much slip may be off its last second's mean where the engine
	// takes no torque itself. Structural: 10 rpm/s are 0.2 N·m of a car's engine.
	steadyRPM = 10.0
	// overLast stretches are kept, overFewest tell, and overSpreads times what lies between
	// the middle and nine in ten is no habit any more. Structural. Nor is overLeast at the
	// least: friction differs by up to a third between cold fluid and hot (cp).
	overLast, overFewest, overSpreads, overLeast = 32, 10, 4, 1.3
)

// loadOf is the engine's torque, or the pedal where that is not told.
func (c *carried) loadOf(m *state.Moment) (load float64, ok bool) {
	if m.Row.Has(stream.EngineTorque) {
		if !c.torque {
			*c = carried{torque: true, highest: c.highest, level: c.level, slip: c.slip}
		}
		return m.Row.V[stream.EngineTorque], true
	}
	load, ok = m.Accelerator()
	return load, ok && !c.torque
}

// row takes any row; usable says that slip under load can be seen in it, closed that the
// clutch was, under load.
func (c *carried) row(m *state.Moment, usable, closed bool) {
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
	c.slides(m, load, ok && usable)
	if !closed {
		c.closedS = 0
		return
	}
	if c.closedS += m.DtS; c.closedS < holdLeastS || !ok {
		return
	}
	raise(&c.at, m, c.level, min(load, c.load))
}

// slides takes a row with a command: where usable, of a clutch that slips or is closed.
func (c *carried) slides(m *state.Moment, load float64, usable bool) {
	c.slip += float64(min(1, m.DtS) * (m.SlipRPM - c.slip))
	if !usable || math.Abs(m.SlipRPM-c.slip) > steadyRPM {
		c.slidS = 0
		return
	}
	if c.slidS += m.DtS; c.slidS >= holdLeastS {
		raise(&c.slid, m, c.level, min(load, c.load))
	}
}

func raise(at *[commandBands]float32, m *state.Moment, level, load float64) {
	v := float32(load)
	for i := band(max(m.Level, level), m.HasPressure); i < commandBands && at[i] < v; i++ {
		at[i] = v
	}
}

// times is how many times the least command with which it has carried a load, slipping or
// closed, another is; 0 where it has never carried so much.
func (c *carried) times(level, load float64, pressure bool) float64 {
	width := bandPct
	if pressure {
		width = bandKPa
	}
	for i, most := range c.slid {
		if float64(most) >= load {
			return level / float64((float64(i)+0.5)*width)
		}
	}
	return 0
}

// asked takes a stretch of slip that was asked for.
func (c *carried) asked(level, load float64, pressure bool) {
	x := c.times(level, load, pressure)
	if x == 0 {
		return
	}
	c.over[c.overN%overLast] = x
	c.overN++
	if n := min(c.overN, overLast); n >= overFewest {
		of := c.over
		slices.Sort(of[:n])
		middle, high := of[n/2], of[n*9/10]
		c.overMost = max(overLeast, middle+float64(overSpreads*(high-middle)))
	}
}

// strained reports whether slip is held with far more than it takes: a controller that
// wants slip would take that away, so it asks for less of it in vain.
func (c *carried) strained(level, load float64, pressure bool) bool {
	return c.overMost > 0 && c.times(level, load, pressure) > c.overMost
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
