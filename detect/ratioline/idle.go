package ratioline

import (
	"math"

	"joltwatch/bus"
)

// idle learns the speed at which the engine idles: at a standstill, and as the
// vehicle rolls to one, for some engines stop themselves there.
type idle struct {
	stated float64
	rpm    float64
	before float64
	since  bus.Micros // since when it may idle, 0 not
	seen   bus.Micros // when it was last seen to run
	lo, hi float64    // since then
}

const (
	// idleSettle is how long it must stand before the engine idles, rollSettle
	// how long it must roll to a standstill.
	idleSettle = 2 * bus.Second
	rollSettle = 600_000 * bus.Micros(1)
	// idleSteady is how far it may move from one value to the next, idleRange in
	// all that time, in rpm.
	idleSteady = 40.0
	idleRange  = 60.0
	// rollKmh is the road speed below which an engine that nothing holds idles.
	rollKmh = 6.0
)

func (d *idle) see(at bus.Micros, rpm, kmh float64, p Pedal) {
	paused := at-d.seen > gap
	d.seen = at
	if kmh >= rollKmh || p == PedalOn {
		d.since = 0
		return
	}
	d.lo, d.hi = min(d.lo, rpm), max(d.hi, rpm)
	if paused || d.since == 0 || math.Abs(rpm-d.before) > idleSteady || d.hi-d.lo > idleRange {
		// An engine that is about to stop, starts, or is drawn down.
		d.since, d.lo, d.hi = at, rpm, rpm
	}
	d.before = rpm
	stands := kmh < 0.5
	if settle := at - d.since; settle < rollSettle || stands && settle < idleSettle {
		return
	}
	if d.rpm == 0 {
		d.rpm = rpm
	}
	// Cold idles are high: follow down quickly, up slowly.
	k := 0.05
	if rpm > d.rpm || !stands {
		k = 0.02
	}
	d.rpm += float64(k * (rpm - d.rpm))
}

// speed returns the idle speed in rpm and whether it is known.
func (d *idle) speed() (float64, bool) {
	if d.stated > 0 {
		return d.stated, true
	}
	return d.rpm, d.rpm > 0
}
