package proof

import (
	"math"

	"joltwatch/stream"
)

// Step is one part of a drive that has to have been seen before anything can
// be said to be ready.
type Step struct {
	Name string
	Seen bool
	// Hidden says why these signals cannot show it, where they cannot; it is
	// not waited for then.
	Hidden string
	Says   string
}

// steps watches for a stop, a shift and an apply in the speeds themselves, so
// that a detector that says nothing does not hide them.
type steps struct {
	stop, shift, apply bool
	gear               int
	hasGear            bool
	openS, closedS     float64
	opened             bool
	last               float64
}

func (p *steps) row(s *scene) {
	if s.stopped {
		p.stop = true
	}
	if s.r.Has(stream.Gear) && s.gear >= 1 && s.gear < stream.GearShifting && s.hasRoad && s.road > standKmh {
		if p.hasGear && s.gear != p.gear && s.road > 5 {
			p.shift = true
		}
		p.gear, p.hasGear = s.gear, true
	}
	p.closing(s)
}

// closing: the clutch was clearly open under way, then engine and turbine turn
// as one for a second.
func (p *steps) closing(s *scene) {
	at := s.r.At.Seconds()
	dt := min(at-p.last, 1)
	p.last = at
	if dt <= 0 || !s.slipKnown || !s.hasRoad || s.road < 3 {
		p.openS, p.closedS = 0, 0
		return
	}
	slip := math.Abs(s.engine - s.turbine)
	if slip > 80 {
		p.openS += dt
		p.closedS = 0
		p.opened = p.opened || p.openS > 0.5
		return
	}
	p.openS = 0
	if slip < 25+0.02*s.engine {
		if p.closedS += dt; p.closedS > 1 && p.opened && s.road > 8 {
			p.apply = true
		}
	}
}

// Steps returns what of a stop, a shift and an apply has been seen.
func (o *Observer) Steps() []Step {
	p, m := &o.steps, &o.scene.mapped
	road := m[stream.VehicleSpeed] || m[stream.OutputSpeed]
	out := []Step{
		{Name: "stop", Seen: p.stop, Says: "from driving to a standstill"},
		{Name: "shift", Seen: p.shift, Says: "from gear to gear under way"},
		{Name: "apply", Seen: p.apply, Says: "the clutch closing after pulling away"},
	}
	if !road {
		out[0].Hidden = "needs vehicle_speed or output_speed"
	}
	if !m[stream.Gear] || !road {
		out[1].Hidden = "needs gear, and a road or shaft speed"
	}
	if !m[stream.TurbineSpeed] || !road {
		out[2].Hidden = "needs turbine_speed, and a road or shaft speed"
	}
	return out
}
