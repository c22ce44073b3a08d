package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/calibrate"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// clutchState is what the clutch does.
type clutchState uint8

const (
	unknown clutchState = iota
	open
	partial
	closed
	coast
)

// scene is the computation that the detectors share: what they all need is
// worked out once a row.
type scene struct {
	set    *Settings
	facts  *stream.Facts
	seg    segment
	cmd    commandTrack
	trail  coupling.Trail
	learn  calibrate.Estimator
	limits coupling.Limits
	sigma  float64 // standard deviation of the latest slip while coupled, rpm
	// The latest speeds as they came, before any interpolation.
	lastEngine, lastTurbine float64
	part                    partingTrack
	report                  report
	out                     *emitter
	// traffic counts the frames of all sorts so far, as the caller has them.
	traffic uint64

	m    moment
	last bus.Micros
	has  bool
	// pitch is the usual time between rows, in seconds.
	pitch float64

	stands  bus.Micros // since when the vehicle stands, 0 not
	inGear  bus.Micros // when a forward gear was last in with the engine running
	stalled bus.Micros // the last stall that was told

	gear      int
	hasGear   bool
	shiftEnd  bus.Micros
	gearAt    bus.Micros
	oldGear   int // before the last change
	idle      float64
	idleKnown bool

	state     clutchState
	candidate clutchState
	since     bus.Micros

	// saysPartial: the reported state tells partial from closed.
	saysPartial bool

	// lately are the latest clutch events, for what is tied to the nearest.
	lately [8]clutchEvent
	events int
}

type clutchEvent struct {
	at   bus.Micros
	what string
}

func (s *scene) note(at bus.Micros, what string) {
	s.lately[s.events%len(s.lately)] = clutchEvent{at, what}
	s.events++
}

// nearest returns the clutch event nearest to an instant, within a reach.
func (s *scene) nearest(at bus.Micros, reach float64) (what string, off float64, ok bool) {
	for i := max(0, s.events-len(s.lately)); i < s.events; i++ {
		e := s.lately[i%len(s.lately)]
		d := (at - e.at).Seconds()
		if abs(d) <= reach && (!ok || abs(d) < abs(off)) {
			what, off, ok = e.what, d, true
		}
	}
	return what, off, ok
}

// rowGapS is the longest time one row stands for.
const rowGapS = 1.5

// observe works a row out. It reports what happened to the drive.
func (s *scene) observe(r *stream.Row) (began, ended, stopped bool) {
	m := &s.m
	*m = moment{row: r, at: r.At}
	if s.has {
		d := (r.At - s.last).Seconds()
		m.gap = d < 0 || d > max(rowGapS, float64(4*s.pitch))
		if !m.gap {
			m.dt = d
			if s.pitch == 0 {
				s.pitch = d
			}
			s.pitch += float64(0.02 * (d - s.pitch))
		}
		if d < 0 {
			s.trail.Forget()
			s.cmd.forget()
			s.part.forget()
			s.report.forget()
		}
	}
	s.last, s.has = r.At, true
	m.hasSlip = r.Has(stream.EngineSpeed, stream.TurbineSpeed)
	if m.hasSlip {
		m.engine, m.turbine = r.V[stream.EngineSpeed], r.V[stream.TurbineSpeed]
		m.slip = m.engine - m.turbine
		if r.Derived&(1<<stream.TurbineSpeed) != 0 {
			m.tol, m.grain = r.Tol[stream.TurbineSpeed], r.Grain
		}
	}
	began, ended, stopped = s.seg.follow(m)
	s.standing(m)
	s.gears(m)
	s.cmd.at(m)
	s.learnIdle(m)
	if s.idleKnown {
		s.limits.DrawnRPM = float64((1 - s.set.ReleaseLag.DragSag) * s.idle)
	}
	s.align(m)
	s.part.follow(s, m)
	s.report.follow(s, m)
	m.holding = s.part.holding()
	s.judge(m)
	if m.fell {
		s.note(m.edge.mid(), "release commanded")
	}
	if m.rose {
		s.note(m.edge.mid(), "apply commanded")
	}
	return began, ended, stopped
}

// standing follows how long the vehicle has stood, and out of gear.
func (s *scene) standing(m *moment) {
	if m.running && m.row.Has(stream.Gear) && m.row.V[stream.Gear] >= 1 {
		s.inGear = m.at
	}
	switch {
	case m.moving || !m.hasKmh || m.gap:
		s.stands = 0
	case s.stands == 0:
		s.stands = m.at
	default:
		m.stood = (m.at - s.stands).Seconds()
	}
}

// keyedOff reports whether an engine that stops now has been turned off: in park,
// for some time out of gear, or long after the stop.
func (s *scene) keyedOff(m *moment) bool {
	out := m.hasGear && (m.gear == stream.GearPark || m.at-s.inGear > outOfGear)
	return out || m.stood > s.set.EngineDied.WithinS
}

// outOfGear is how long a gear may read neutral before the selector is there.
// Structural: with the engine going down the gear reads neutral within a second.
const outOfGear = 2 * bus.Second

// stalledNear reports whether a stall was told at about that instant: one is told
// once, by whom it is found first.
func (s *scene) stalledNear(at bus.Micros) bool {
	return s.stalled != 0 && abs((at-s.stalled).Seconds()) < stallOnceS
}

// stallOnceS is how far apart two stalls are at least, in seconds. Structural: it
// takes longer to start the engine and drive off.
const stallOnceS = 8.0

// sample looks for the quantisation steps of the two speeds.
func (s *scene) sample(x *stream.Sample) {
	engine := x.Role == stream.EngineSpeed
	if !x.OK || !engine && x.Role != stream.TurbineSpeed {
		return
	}
	last := &s.lastTurbine
	if engine {
		last = &s.lastEngine
	}
	if *last > 0 && x.Value > 0 {
		s.learn.Step(engine, abs(x.Value-*last))
	}
	*last = x.Value
}

// align adds the row's speeds to the trail, forms the slip of it, and learns how
// the speeds come in.
func (s *scene) align(m *moment) {
	if !m.hasSlip {
		return
	}
	r := m.row
	p := coupling.Point{
		At:     m.at,
		Early:  min(r.Prev[stream.EngineSpeed], r.Prev[stream.TurbineSpeed]),
		Late:   max(r.Next[stream.EngineSpeed], r.Next[stream.TurbineSpeed], m.at),
		Engine: m.engine, Turbine: m.turbine, Tol: m.tol, Grain: m.grain,
		Shifting: m.shifting || m.sinceShift < shiftTailS || m.sinceGear < gearTailS,
	}
	kept := s.trail.Add(&p)
	m.slip, s.sigma = p.Slip, p.Sigma
	if !kept {
		return
	}
	closed := s.state == closed || s.state == coast
	// Without a command what aligns well shows that the two go together.
	if s.learn.Point(&s.trail, closed, closed || !m.hasCommand && m.forward()) || s.trail.End()%calibrateEvery == 0 {
		s.trail.Calibrate(s.learn.Chain(), s.learn.Noise(m.engine))
	}
}

const (
	// shiftTailS and gearTailS are how long a shift goes on after the last
	// report of it, and after a gear that may have been announced (cp).
	shiftTailS, gearTailS = 0.3, 0.6
	// calibrateEvery points what is known of ripple is taken for the engine
	// speed of the time.
	calibrateEvery = 64
)

func (s *scene) gears(m *moment) {
	r := m.row
	m.hasGear = r.Has(stream.Gear)
	if m.hasGear {
		m.gear = int(r.V[stream.Gear])
		if m.gear != stream.GearShifting {
			if s.hasGear && m.gear != s.gear {
				s.oldGear = s.gear
				s.gearAt, s.shiftEnd = m.at, m.at
				s.note(m.at, "gear changed")
			}
			if !s.hasGear {
				s.gearAt = m.at
			}
			s.gear = m.gear
		}
		s.hasGear = true
	} else {
		s.hasGear = false
	}
	if r.Has(stream.Shifting) && r.V[stream.Shifting] != 0 || m.hasGear && m.gear == stream.GearShifting {
		m.shifting = true
		s.shiftEnd = m.at
	}
	m.sinceShift = (m.at - s.shiftEnd).Seconds()
	m.sinceGear = (m.at - s.gearAt).Seconds()
}

// learnIdle takes the engine's speed at a standstill for idle where the
// vehicle file does not say it.
func (s *scene) learnIdle(m *moment) {
	if s.facts.IdleRPM > 0 {
		s.idle, s.idleKnown = s.facts.IdleRPM, true
		return
	}
	if !m.running || m.moving || !m.row.Has(stream.EngineSpeed) || !m.hasKmh {
		return
	}
	a, ok := m.accelerator()
	if ok && a > 1 || s.seg.sinceStart(m.at) < 10 {
		return
	}
	rpm := m.row.V[stream.EngineSpeed]
	if s.idle == 0 {
		s.idle = rpm
	}
	// Cold idles are high: follow down quickly, up slowly.
	rate := 0.02
	if rpm > s.idle {
		rate = 0.001
	}
	s.idle += float64(rate * (rpm - s.idle))
	s.idleKnown = true
}

// judge settles the state of the clutch, with hysteresis and dwell.
func (s *scene) judge(m *moment) {
	next := s.raw(m)
	if next != s.candidate || m.gap {
		s.candidate, s.since = next, m.at
	}
	// The command and missing signals count at once; slip after a dwell.
	quick := next == unknown || next == open && m.hasCommand || s.state == unknown || s.state == open && m.hasCommand
	if s.state != next && (quick || (m.at-s.since).Seconds() >= min(s.set.Clutch.DwellS, float64(2*s.pitch))) {
		s.state = next
	}
	m.state = s.state
}

func (s *scene) raw(m *moment) clutchState {
	set := &s.set.Clutch
	if !s.seg.inDrive {
		return unknown
	}
	if m.hasGear && (m.gear <= stream.GearNeutral) {
		return open
	}
	if m.hasCommand && !m.engaged && !m.holding {
		return open
	}
	if !m.hasSlip {
		return unknown
	}
	limit := set.ClosedRPM
	if s.state == closed || s.state == coast {
		limit *= 1.5
	}
	if m.tol > 0 {
		limit += m.tol
		if m.tol > tolUsable {
			limit = -1
		}
	}
	overrun := m.slip < -limit
	if a, ok := m.accelerator(); ok {
		overrun = overrun || a < 1
	}
	if m.row.Has(stream.EngineTorque) {
		overrun = overrun || m.row.V[stream.EngineTorque] < 0
	}
	if m.hasCommand {
		switch {
		case m.tol > 0 && limit < 0:
			return unknown
		case overrun:
			return coast
		case abs(m.slip) <= limit:
			return closed
		}
		return partial
	}
	// Without a command only coupling proves a clutch that holds.
	return s.part.bare(s, m, limit, overrun)
}

// tolUsable is the half-width of a derived turbine speed above which slip
// tells nothing of the clutch: regulated slip is of that size.
const tolUsable = 90.0
