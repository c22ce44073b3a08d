// Package state is the state of a vehicle at a row, worked out once for all
// detectors: speeds and slip, gear, the command of the clutch, what the clutch
// does, and the separation of engine and turbine after each release. It knows
// samples and rows, and nothing of findings.
package state

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/calibrate"
	"joltwatch/detect/coupling"
	"joltwatch/detect/segment"
	"joltwatch/stream"
)

// Settings are what the state is judged by.
type Settings struct {
	Clutch ClutchSettings
	Drive  segment.Settings
	// PartedRPM is how far slip must leave what it was before the speeds have
	// parted, WatchS how long a release is watched at most.
	PartedRPM, WatchS float64
	// DragSag is the share of idle speed by which a turbine that is still
	// coupled must have drawn the engine below idle.
	DragSag float64
	// StateDelayS is how far a reported clutch state may be behind the command
	// that it copies; 0 where it is known to be the command itself.
	StateDelayS float64
	// KeyedOffS is how long after the standstill an engine that stops has been
	// turned off.
	KeyedOffS float64
}

// Clutch is what the clutch does.
type Clutch uint8

// What the clutch does. Partial: it is on and slips, asked or not. Coast: it is
// on in overrun.
const (
	Unknown Clutch = iota
	Open
	Partial
	Closed
	Coast
)

func (c Clutch) String() string {
	return [...]string{"unknown", "open", "partial", "closed", "coast"}[c]
}

// On reports whether the clutch carries torque.
func (c Clutch) On() bool { return c == Partial || c == Closed || c == Coast }

// Vehicle is the state of one vehicle. It takes samples and rows in time order,
// keeps a constant amount and allocates nothing from row to row.
type Vehicle struct {
	segment.Drives
	set    Settings
	facts  *stream.Facts
	cmd    commandTrack
	trail  coupling.Trail
	learn  calibrate.Estimator
	limits coupling.Limits
	sigma  float64 // standard deviation of the latest slip while coupled, rpm
	// The latest speeds as they came, before any interpolation.
	lastEngine, lastTurbine float64
	release                 releaseTrack
	report                  Report
	roles                   [stream.NumRoles]RoleCount
	sets                    [stream.NumRoles + 1]roleSet // by Sample.Set
	setOf                   [stream.NumRoles]*roleSet

	m    Moment
	last bus.Micros
	has  bool
	// pitch is the usual time between rows, in seconds.
	pitch float64

	stands bus.Micros // since when the vehicle stands, 0 not
	inGear bus.Micros // when a forward gear was last in with the engine running
	// stalls are the latest that were told; some come long after they happened.
	stalls  [16]bus.Micros
	stalled int

	gear      int
	hasGear   bool
	shiftEnd  bus.Micros
	gearAt    bus.Micros
	idle      float64
	idleKnown bool

	state     Clutch
	candidate Clutch
	since     bus.Micros

	revisions []Revision
	// lately are the latest clutch events, for what is tied to the nearest.
	lately [8]clutchEvent
	events int
}

// New returns the state of a vehicle with these facts.
func New(set Settings, facts *stream.Facts) *Vehicle {
	s := &Vehicle{Drives: segment.New(set.Drive, facts), set: set, facts: facts, revisions: make([]Revision, 0, 4)}
	c := &s.set.Clutch
	s.limits = coupling.Limits{PartedRPM: set.PartedRPM, WatchS: set.WatchS, RangeRPM: c.CoupledRangeRPM,
		SpreadRPM: c.CoupledSpreadRPM, Spread: c.CoupledSpread, DeadRPM: segment.StandsShare * set.Drive.RunningRPM}
	s.cmd.set, s.cmd.learned.set = c, c
	s.report.speeds.reported = true
	s.trail.Calibrate(s.learn.Chain(), s.learn.Noise(0)) // what vehicles in general have
	return s
}

// Facts are what is known of the vehicle beforehand.
func (s *Vehicle) Facts() *stream.Facts { return s.facts }

// Now is the latest row with what was worked out of it, empty before the first.
func (s *Vehicle) Now() *Moment { return &s.m }

// Begun reports whether there has been a row.
func (s *Vehicle) Begun() bool { return s.has }

// PitchS is the usual time between rows, in seconds.
func (s *Vehicle) PitchS() float64 { return s.pitch }

// Trail are the latest speeds.
func (s *Vehicle) Trail() *coupling.Trail { return &s.trail }

// Limits are those by which speeds part and move together.
func (s *Vehicle) Limits() *coupling.Limits { return &s.limits }

// Report is what is known of a reported clutch state.
func (s *Vehicle) Report() *Report { return &s.report }

// Separation is the release that was followed to its end in the latest row, nil
// where there is none.
func (s *Vehicle) Separation() *Separation {
	if !s.release.has {
		return nil
	}
	return &s.release.result
}

// CommandRole is the role that the command is known by.
func (s *Vehicle) CommandRole() stream.Role { return s.cmd.role }

// CommandRest is the highest command, in the unit of its role, that is none.
func (s *Vehicle) CommandRest() float64 { return s.cmd.floor(s.cmd.role) }

// Chain is how the engine's speed comes in against the turbine's, as far as is known.
func (s *Vehicle) Chain() coupling.Chain { return s.learn.Chain() }

// Calibration is what is known of the measuring chain, to be kept.
func (s *Vehicle) Calibration() calibrate.Memory { return s.learn.Memory() }

// Levels is what is known of the commands at which the clutch lets go and holds,
// to be kept; nil where that is nothing.
func (s *Vehicle) Levels() *LevelsMemory { return s.cmd.memory() }

// Recall takes up what was kept of an earlier Vehicle; nil where nothing was.
func (s *Vehicle) Recall(chain *calibrate.Memory, report *ReportMemory, levels *LevelsMemory) {
	s.report.recall(report)
	s.cmd.recall(levels)
	if chain != nil {
		s.learn.Load(*chain)
		s.trail.Calibrate(s.learn.Chain(), s.learn.Noise(0))
	}
}

// Revision says that the clutch was in another state for the latest seconds.
type Revision struct {
	From, To Clutch
	S        float64
}

// Revise says so afterwards.
func (s *Vehicle) Revise(from, to Clutch, seconds float64) {
	s.revisions = append(s.revisions, Revision{from, to, seconds})
}

// Revisions returns, once, those that have come; they stand until the next.
func (s *Vehicle) Revisions() []Revision {
	r := s.revisions
	s.revisions = s.revisions[:0]
	return r
}

type clutchEvent struct {
	at   bus.Micros
	what string
}

// Note keeps a clutch event in mind, for Nearest.
func (s *Vehicle) Note(at bus.Micros, what string) {
	s.lately[s.events%len(s.lately)] = clutchEvent{at, what}
	s.events++
}

// Nearest returns the clutch event nearest to an instant, within a reach in
// seconds, and how many seconds the instant is after it.
func (s *Vehicle) Nearest(at bus.Micros, reach float64) (what string, off float64, ok bool) {
	for i := max(0, s.events-len(s.lately)); i < s.events; i++ {
		e := s.lately[i%len(s.lately)]
		d := (at - e.at).Seconds()
		if math.Abs(d) <= reach && (!ok || math.Abs(d) < math.Abs(off)) {
			what, off, ok = e.what, d, true
		}
	}
	return what, off, ok
}

// rowGapS is the longest time one row stands for.
const rowGapS = 1.5

// Observe works a row out. It reports what happened to the drive.
func (s *Vehicle) Observe(r *stream.Row) segment.Step {
	m := &s.m
	*m = Moment{Row: r, At: r.At}
	s.pace(m)
	m.HasSlip = r.Has(stream.EngineSpeed, stream.TurbineSpeed)
	if m.HasSlip {
		m.EngineRPM, m.TurbineRPM = r.V[stream.EngineSpeed], r.V[stream.TurbineSpeed]
		m.SlipRPM = m.EngineRPM - m.TurbineRPM
		if r.Derived&(1<<stream.TurbineSpeed) != 0 {
			m.TolRPM, m.StepRPM = r.Tol[stream.TurbineSpeed], r.StepRPM
		}
	}
	step := s.Follow(r)
	m.Running, m.Moving, m.Kmh, m.HasKmh, m.Stopped = step.Running, step.Moving, step.Kmh, step.HasKmh, step.Stopped
	if step.Began {
		s.beginRoles()
	}
	s.standing(m)
	s.gears(m)
	s.cmd.at(m)
	s.learnIdle(m)
	if s.idleKnown {
		l := &s.limits
		l.IdleRPM, l.DrawnRPM = s.idle, float64((1-s.set.DragSag)*s.idle)
		sinks, most, ok := s.trail.Overrun.SinksRPM(s.idle)
		if ok {
			l.DrawnRPM = min(sinks, l.DrawnRPM)
		}
		if l.SinksRPM = l.DrawnRPM; most {
			l.SinksRPM = sinks
		}
	}
	s.align(m)
	s.release.follow(s, m)
	s.report.follow(s, m)
	m.Holding = s.release.holding()
	s.judge(m)
	if m.Fell {
		s.Note(m.Edge.Mid(), "release commanded")
	}
	if m.Rose {
		s.Note(m.Edge.Mid(), "apply commanded")
	}
	return step
}

// pace follows the time between rows.
func (s *Vehicle) pace(m *Moment) {
	if s.has {
		d := (m.At - s.last).Seconds()
		m.Gap = d < 0 || d > max(rowGapS, float64(4*s.pitch))
		if !m.Gap {
			m.DtS = d
			if s.pitch == 0 {
				s.pitch = d
			}
			s.pitch += float64(0.02 * (d - s.pitch))
		}
		if d < 0 {
			s.trail.Forget()
			s.cmd.forget()
			s.release.forget()
			s.report.forget()
		}
	}
	s.last, s.has = m.At, true
}

// standing follows how long the vehicle has stood, and out of gear.
func (s *Vehicle) standing(m *Moment) {
	if m.Running && m.Row.Has(stream.Gear) && m.Row.V[stream.Gear] >= 1 {
		s.inGear = m.At
	}
	switch {
	case m.Moving || !m.HasKmh || m.Gap:
		s.stands = 0
	case s.stands == 0:
		s.stands = m.At
	default:
		m.StoodS = (m.At - s.stands).Seconds()
	}
}

// KeyedOff reports whether an engine that stops now has been turned off: in park,
// for some time out of gear, or long after the stop.
func (s *Vehicle) KeyedOff(m *Moment) bool {
	out := m.HasGear && (m.Gear == stream.GearPark || m.At-s.inGear > outOfGear)
	return out || m.StoodS > s.set.KeyedOffS
}

// outOfGear is how long a gear may read neutral before the selector is there.
// Structural: with the engine going down the gear reads neutral within a second.
const outOfGear = 2 * bus.Second

// StalledNear reports whether a stall was told at about that instant: one is told
// once, by whom it is found first.
func (s *Vehicle) StalledNear(at bus.Micros) bool {
	for _, x := range s.stalls[:min(s.stalled, len(s.stalls))] {
		if math.Abs((at - x).Seconds()) < stallOnceS {
			return true
		}
	}
	return false
}

// TellStall notes that a stall at that instant is told.
func (s *Vehicle) TellStall(at bus.Micros) {
	s.stalls[s.stalled%len(s.stalls)] = at
	s.stalled++
}

// stallOnceS is how far apart two stalls are at least, in seconds. Structural: it
// takes longer to start the engine and drive off.
const stallOnceS = 8.0

// Samples takes the decoded values of a frame, before the rows that they lead to.
func (s *Vehicle) Samples(of []stream.Sample) {
	if n := int(of[0].Set); n > 0 && n < len(s.sets) {
		g := &s.sets[n]
		g.count(s, of)
		for _, i := range g.speeds {
			s.step(&of[i])
		}
		for _, i := range g.commands {
			s.cmd.take(&of[i])
		}
		return
	}
	s.countRoles(of)
	for i := range of {
		switch r := of[i].Role; {
		case r <= stream.TurbineSpeed:
			s.step(&of[i])
		case 1<<r&commandRoles != 0:
			s.cmd.take(&of[i])
		}
	}
}

// step looks for the quantisation steps of the two speeds.
func (s *Vehicle) step(x *stream.Sample) {
	engine := x.Role == stream.EngineSpeed
	if !x.OK {
		return
	}
	last := &s.lastTurbine
	if engine {
		last = &s.lastEngine
	}
	if *last > 0 && x.Value > 0 {
		s.learn.Step(engine, math.Abs(x.Value-*last))
	}
	*last = x.Value
}

// align adds the row's speeds to the trail, forms the slip of it, and learns how
// the speeds come in.
func (s *Vehicle) align(m *Moment) {
	if !m.HasSlip {
		return
	}
	r := m.Row
	p := coupling.Point{
		At:     m.At,
		Early:  min(r.Prev[stream.EngineSpeed], r.Prev[stream.TurbineSpeed]),
		Late:   max(r.Next[stream.EngineSpeed], r.Next[stream.TurbineSpeed], m.At),
		Engine: m.EngineRPM, Turbine: m.TurbineRPM, Tol: m.TolRPM, StepRPM: m.StepRPM, Torque: math.NaN(),
		Shifting: m.masked() || m.SinceGearS < gearTailS, Overrun: m.overrun(),
	}
	if r.Has(stream.EngineTorque) {
		p.Torque = r.V[stream.EngineTorque]
	}
	kept := s.trail.Add(&p)
	m.SlipRPM, s.sigma = p.Slip, p.Sigma
	if !kept {
		return
	}
	s.coasting(m, &p)
	on := s.state == Closed || s.state == Coast
	// Without a command what aligns well shows that the two go together.
	if s.learn.Point(&s.trail, on, on || !m.HasCommand && m.Forward()) || s.trail.End()%calibrateEvery == 0 {
		s.trail.Calibrate(s.learn.Chain(), s.learn.Noise(m.EngineRPM))
	}
}

// coasting learns what the open converter does in overrun, from where the speeds have
// been seen to part.
func (s *Vehicle) coasting(m *Moment, p *coupling.Point) {
	r := &s.release
	apart := r.parted != 0 && m.HasCommand && !m.Engaged && (m.At-max(r.parted, r.lifted)).Seconds() > settledS
	if !apart || !p.Overrun || p.Tol > 0 || !m.Running || !s.idleKnown {
		s.trail.Overrun.Break()
		return
	}
	s.trail.Overrun.Sinks(p.Engine, s.idle)
	if m.Forward() && !p.Shifting && p.Engine > float64(governedShare*s.idle) {
		s.trail.Overrun.Add(p)
	}
}

const (
	// settledS is how long an engine that is let go, by clutch or pedal, takes to go over
	// to what the fluid holds it at, governedShare of idle speed the engine speed from
	// which no governor holds it up (cp).
	settledS, governedShare = 0.5, 1.15
	// shiftTailS and gearTailS are how long a shift goes on after the last
	// report of it, and after a gear that may have been announced (cp).
	shiftTailS, gearTailS = 0.3, 0.6
	// calibrateEvery points what is known of ripple is taken for the engine
	// speed of the time.
	calibrateEvery = 64
)

// gears follows the gear and shifts.
func (s *Vehicle) gears(m *Moment) {
	r := m.Row
	m.HasGear = r.Has(stream.Gear)
	if m.HasGear {
		m.Gear = int(r.V[stream.Gear])
		if m.Gear != stream.GearShifting {
			if s.hasGear && m.Gear != s.gear {
				s.gearAt, s.shiftEnd = m.At, m.At
				s.Note(m.At, "gear changed")
			}
			if !s.hasGear {
				s.gearAt = m.At
			}
			s.gear = m.Gear
		}
		s.hasGear = true
	} else {
		s.hasGear = false
	}
	if r.Has(stream.Shifting) && r.V[stream.Shifting] != 0 || m.HasGear && m.Gear == stream.GearShifting {
		m.Shifting = true
		s.shiftEnd = m.At
	}
	m.SinceShiftS = (m.At - s.shiftEnd).Seconds()
	m.SinceGearS = (m.At - s.gearAt).Seconds()
}

// learnIdle takes the engine's speed at a standstill for idle where the
// vehicle file does not say it.
func (s *Vehicle) learnIdle(m *Moment) {
	if s.facts.IdleRPM > 0 {
		s.idle, s.idleKnown = s.facts.IdleRPM, true
		return
	}
	if !m.Running || m.Moving || !m.Row.Has(stream.EngineSpeed) || !m.HasKmh {
		return
	}
	a, ok := m.Accelerator()
	if ok && a > 1 || s.SinceStart(m.At) < 10 {
		return
	}
	rpm := m.Row.V[stream.EngineSpeed]
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
func (s *Vehicle) judge(m *Moment) {
	next := s.raw(m)
	if next != s.candidate || m.Gap {
		s.candidate, s.since = next, m.At
	}
	// The command and missing signals count at once; slip after a dwell.
	quick := next == Unknown || next == Open && m.HasCommand || s.state == Unknown || s.state == Open && m.HasCommand
	if s.state != next && (quick || (m.At-s.since).Seconds() >= min(s.set.Clutch.DwellS, float64(2*s.pitch))) {
		s.state = next
	}
	m.State = s.state
}

// raw is the state by this row alone.
func (s *Vehicle) raw(m *Moment) Clutch {
	if !s.InDrive() {
		return Unknown
	}
	if m.HasGear && (m.Gear <= stream.GearNeutral) {
		return Open
	}
	if m.HasCommand && !m.Engaged && !m.Holding {
		return Open
	}
	if !m.HasSlip {
		return Unknown
	}
	limit := s.slipLimit(m)
	overrun := m.SlipRPM < -limit || m.overrun()
	if m.HasCommand {
		switch {
		case m.TolRPM > 0 && limit < 0:
			return Unknown
		case overrun:
			return Coast
		case math.Abs(m.SlipRPM) <= limit:
			return Closed
		}
		return Partial
	}
	// Without a command only coupling proves a clutch that holds.
	return s.release.speeds.state(s, m, limit, overrun)
}

// slipLimit is the slip up to which the clutch counts as closed, in rpm; -1 where
// slip tells nothing of it.
func (s *Vehicle) slipLimit(m *Moment) float64 {
	limit := s.set.Clutch.ClosedRPM
	if s.state == Closed || s.state == Coast {
		limit *= 1.5
	}
	if m.TolRPM > TolUsableRPM {
		return -1
	}
	return limit + m.TolRPM
}

// TolUsableRPM is the half-width of a derived turbine speed above which slip
// tells nothing of the clutch: regulated slip is of that size.
const TolUsableRPM = 90.0

// Dragged reports whether engine and turbine have gone below idle together.
func (s *Vehicle) Dragged(engineLowRPM, turbineLowRPM float64) bool {
	return s.idleKnown && engineLowRPM < s.limits.DrawnRPM && turbineLowRPM < s.limits.DrawnRPM
}
