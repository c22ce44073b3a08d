package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// commandTrack follows what the clutch is told. It takes the first of clutch
// pressure command, clutch command and lockup state that the plan maps, and
// keeps the instants between which the command crossed the release level.
type commandTrack struct {
	role  stream.Role
	has   bool
	level float64

	last    stream.Sample
	hasLast bool
	queue   [16]crossing
	n       int

	now int8 // at the row in work
	// fell and rose are the last crossings, as of the row in work.
	fell, rose Instant
	fellNow    bool // the row in work is the first after the fall
	value      float64
}

type crossing struct {
	at          bus.Micros // when it takes effect for rows
	early, late bus.Micros
	to          int8
}

func (c *commandTrack) init(set ClutchSettings, plan *stream.Plan) {
	for _, x := range []struct {
		r     stream.Role
		level float64
	}{{stream.ClutchPressureCommand, set.ReleaseKPa}, {stream.ClutchCommand, set.ReleasePercent}, {stream.LockupState, 0.5}} {
		if len(plan.Sources[x.r.String()]) > 0 {
			c.role, c.level, c.has = x.r, x.level, true
			return
		}
	}
}

func (c *commandTrack) sample(s *stream.Sample) {
	if !c.has || s.Role != c.role {
		return
	}
	if !s.OK {
		if c.hasLast {
			c.push(crossing{at: s.At, to: 0})
		}
		c.hasLast = false
		return
	}
	to := int8(-1)
	if s.Value >= c.level {
		to = 1
	}
	if !c.hasLast {
		c.push(crossing{at: s.At, early: s.At, late: s.At, to: to})
	} else if was := c.last.Value >= c.level; was != (to > 0) {
		c.push(crossing{at: s.At, early: c.last.At - bus.Micros(c.last.Early), late: s.At, to: to})
	}
	c.last, c.hasLast = *s, true
}

func (c *commandTrack) push(x crossing) {
	if c.n == len(c.queue) {
		copy(c.queue[:], c.queue[1:])
		c.n--
	}
	c.queue[c.n] = x
	c.n++
}

// advance applies the crossings up to a row.
func (c *commandTrack) advance(at bus.Micros) {
	c.fellNow = false
	k := 0
	for ; k < c.n && c.queue[k].at <= at; k++ {
		x := c.queue[k]
		switch {
		case x.to < 0 && c.now > 0:
			c.fell = Instant{"command fell", (x.early + x.late) / 2, x.early, x.late}
			c.fellNow = true
		case x.to > 0 && c.now < 0:
			c.rose = Instant{"command rose", (x.early + x.late) / 2, x.early, x.late}
			c.fellNow = false
		}
		c.now = x.to
	}
	c.n = copy(c.queue[:], c.queue[k:c.n])
}
