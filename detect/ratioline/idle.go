package ratioline

import (
	"math"

	"joltwatch/bus"
)

// idle learns the speed at which the engine idles at a standstill.
type idle struct {
	stated float64
	rpm    float64
	before float64
	stood  bus.Micros // since when it stands, 0 not
}

// idleSettle is how long it must stand before the engine idles.
const (
	idleSettle = 2 * bus.Second
	// idleSteady is how far it may move from one value to the next, in rpm.
	idleSteady = 40.0
)

func (d *idle) see(at bus.Micros, rpm, kmh, rate float64, p Pedal) {
	if kmh >= 0.5 || p == PedalOn {
		d.stood = 0
		return
	}
	if d.stood == 0 || math.Abs(rpm-d.before) > idleSteady {
		d.stood = at // also an engine that is about to stop does not idle
	}
	d.before = rpm
	if at-d.stood < idleSettle {
		return
	}
	if d.rpm == 0 {
		d.rpm = rpm
	}
	// Cold idles are high: follow down quickly, up slowly.
	k := 0.05
	if rpm > d.rpm {
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
