package bus

// deviceClock puts the stamps of a device's own counter on the host's clock. A
// frame reaches the host later than its stamp by a delay that varies, so the
// smallest difference seen is the best estimate of how the clocks relate; it may
// grow again by what two crystals can drift apart.
type deviceClock struct {
	// modulus is where the counter starts again, in microseconds.
	modulus Micros

	set     bool
	offset  Micros // host minus device
	grown   Micros // when offset was last let grow
	last    Micros // the last instant given out
	strange int    // stamps in a row that do not fit
}

const (
	// Crystals are good to 100 ppm each (common practice, no source).
	driftPerSecond = 200
	clockAhead     = 50_000 // a stamp this far ahead of its time is a jump
	clockBehind    = Second // one this far behind may be held up; several are a jump
	clockStrange   = 8
)

// instant returns when the frame with stamp was received, given that it is now
// now, and by how much the device's clock has jumped, 0 where it has not.
// Instants never run backwards.
func (c *deviceClock) instant(stamp, now Micros) (at, jump Micros) {
	if !c.set {
		c.set, c.offset, c.grown, c.last = true, now-stamp, now, max(now, c.last)
		return c.last, 0
	}
	if step := now - c.grown; step >= 10_000 {
		c.offset += step * driftPerSecond / Second
		c.grown = now
	}
	// The counter has started again as often as fits best.
	t := stamp + (now-c.offset-stamp+c.modulus/2)/c.modulus*c.modulus
	switch d := now - t; {
	case d < c.offset-clockAhead:
		jump = c.offset - d
		c.offset, c.strange = d, 0
	case d < c.offset:
		c.offset, c.strange = d, 0
	case d > c.offset+clockBehind:
		if c.strange++; c.strange < clockStrange {
			t = now - c.offset // until it is known which, the host's time
			break
		}
		jump = c.offset - d
		c.offset, c.strange = d, 0
	default:
		c.strange = 0
	}
	c.last = max(min(t+c.offset, now), c.last)
	return c.last, jump
}
