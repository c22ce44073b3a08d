package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// coarseStop follows stops where no command is known and the turbine's speed
// follows from a road speed in coarse steps. In such a stop the downshifts hide
// when the speeds part. What can be told is an upper bound, from the last instant
// at which the clutch was certainly closed under drive to the standstill, and
// whether the engine was drawn below idle with the vehicle still rolling: an
// engine that idles on shows that nothing dragged.
type coarseStop struct {
	coarse bool // the turbine's speed is of that kind
	held   bus.Micros
	has    bool
	ctx    Context
	low    float64 // lowest engine speed since
	// Rows, one after another, in which the engine was drawn below idle by a
	// turbine that is below idle as well.
	sag        int
	sagFrom    bus.Micros
	sagEngine  float64
	sagTurbine float64
	dragged    bool
	died       bool
}

const (
	// coarseGrain is the step of a derived turbine speed, in rpm, above which
	// it is coarse: single rows say nothing then.
	coarseGrain = 5.0
	// sagRows are so many rows, over so much time, that the engine must stay
	// down.
	sagRows = 3
	sagTime = 250_000 * bus.Micros(1)
	// sagKmh is the speed below which one step of the road speed says nothing.
	sagKmh = 6.0
	// heldMost is how old the last certain instant may be, in seconds, before a
	// bound that rests on it says nothing.
	heldMost = 40.0
)

func (c *coarseStop) row(s *scene, m *moment, n *counts) (told bool) {
	if m.hasCommand || m.gap {
		*c = coarseStop{coarse: c.coarse && !m.hasCommand}
		return false
	}
	if m.hasSlip {
		c.coarse = m.grain > coarseGrain
	}
	if !c.coarse {
		return false
	}
	pedal, hasPedal := m.accelerator()
	if hasPedal && pedal >= 1 || !hasPedal {
		c.sag, c.dragged = 0, false
		if m.state == closed {
			c.held, c.has, c.ctx, c.low = m.at, true, m.context(s.seg.sinceStart(m.at)), m.row.V[stream.EngineSpeed]
		}
	}
	if m.row.Has(stream.EngineSpeed) {
		c.low = min(c.low, m.row.V[stream.EngineSpeed])
	}
	c.sagging(s, m, hasPedal && pedal < 1)
	if !m.stopped {
		return false
	}
	defer func() { *c = coarseStop{coarse: true} }()
	return c.finish(s, m, n)
}

// sagging looks for an engine that follows the turbine below idle.
func (c *coarseStop) sagging(s *scene, m *moment, lifted bool) {
	below := float64((1 - s.set.ReleaseLag.DragSag) * s.idle)
	rpm := m.row.V[stream.EngineSpeed]
	if !lifted || !m.moving || !s.idleKnown || !m.forward() || !m.row.Has(stream.EngineSpeed) {
		c.sag = 0
		return
	}
	if !m.running {
		if c.dragged && c.sag >= sagRows && !s.facts.StopStart {
			c.died = true // from below idle, with the vehicle rolling
		}
		return
	}
	turbine, ok := c.turbine(s, m, rpm)
	if rpm >= below || !ok {
		c.sag = 0
		return
	}
	if c.sag == 0 {
		c.sagFrom, c.sagEngine, c.sagTurbine = m.at, rpm, turbine
	}
	c.sag++
	c.sagEngine, c.sagTurbine = min(c.sagEngine, rpm), min(c.sagTurbine, turbine)
	c.dragged = c.dragged || c.sag >= sagRows && m.at-c.sagFrom >= sagTime
}

// turbine returns the turbine speed where that is about the engine's. Just after a
// downshift either gear may still be in.
func (c *coarseStop) turbine(s *scene, m *moment, rpm float64) (float64, bool) {
	if m.hasSlip {
		return m.turbine, abs(m.slip) <= s.set.Clutch.ClosedRPM+m.tol
	}
	per := s.facts.OutputPerKmh
	if per <= 0 || !m.hasKmh || !m.hasGear || m.kmh < sagKmh {
		return 0, false
	}
	for _, g := range [...]int{m.gear, s.oldGear} {
		if x := float64(s.facts.Ratios[g] * per); x > 0 {
			if t := float64(x * m.kmh); abs(t-rpm) <= x+float64(0.03*t) {
				return t, true
			}
		}
	}
	return 0, false
}

func (c *coarseStop) finish(s *scene, m *moment, n *counts) bool {
	bound := true
	if !c.has || (m.at-c.held).Seconds() > heldMost {
		c.ctx = m.context(s.seg.sinceStart(m.at))
		if !c.dragged {
			n.add(false, false)
			return false
		}
		bound = false
		c.held = c.sagFrom
		c.low = c.sagEngine
	}
	f := Finding{Kind: KindReleaseLag, Class: Normal, Start: c.held, End: m.at, Context: c.ctx}
	switch {
	case c.dragged && c.died && !s.stalledNear(m.at):
		f.Class, f.Severity = ReleaseStall, 1
		s.stalled = m.at
	case c.dragged:
		// An engine that idles badly could look so, once.
		f.Class, f.Severity = ReleaseDragging, 0.85
	}
	f.Keep = c.dragged
	n.add(true, c.dragged)
	f.Measures = append(f.Measures, LagMinS.of(0))
	if bound {
		f.Measures = append(f.Measures, LagMaxS.of((m.at - c.held).Seconds()))
		f.Instants = append(f.Instants, Instant{"certainly closed", c.held, c.held, c.held})
	}
	f.Measures = append(f.Measures, releaseEngineRPM.of(c.low))
	if c.dragged {
		f.Measures = append(f.Measures, releaseTurbine.of(c.sagTurbine))
		f.Instants = append(f.Instants, Instant{"drawn below idle", c.sagFrom, c.sagFrom - seconds(s.pitch), c.sagFrom})
	}
	f.Instants = append(f.Instants, Instant{"standstill", m.at, m.at - seconds(s.pitch), m.at})
	f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command", "turbine_speed")
	f.MissingInputs = append(f.MissingInputs, missingInputs(m.row, stream.Accelerator, stream.FluidTemperature)...)
	s.out.finding(&f, nil)
	return true
}
