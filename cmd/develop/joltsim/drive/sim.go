package drive

import (
	"fmt"

	"joltwatch/bus"
	"joltwatch/stream"
)

// world is everything in one drive, as the encoder sees it.
type world struct {
	p      *plant
	c      *controller
	d      *driver
	v      *Vehicle
	fluidC float64
	awake  bool // the buses are awake
	asleep float64
	noise  float64
	// brakeHides: the brake signal does not come.
	brakeHides bool
}

// Awake, NoiseFactor, RoadKmh and LoadNm make the world a Source.
func (w *world) Awake() bool          { return w.awake }
func (w *world) NoiseFactor() float64 { return w.noise }
func (w *world) RoadKmh() float64     { return w.p.kmh() }
func (w *world) LoadNm() float64      { return w.p.load }

// Value returns the true value of a role; not ok where there is none.
func (w *world) Value(r stream.Role) (float64, bool) {
	switch r {
	case stream.EngineSpeed:
		return mul(w.p.engine, radToRPM), true
	case stream.TurbineSpeed:
		return mul(w.p.turbine, radToRPM), true
	case stream.OutputSpeed:
		return mul(w.p.wheel, radToRPM), true
	case stream.VehicleSpeed:
		return mul(mul(w.p.wheel, w.p.toForce), 3.6), true
	case stream.ClutchPressureCommand:
		return w.c.command, true
	case stream.ClutchPressure:
		return w.p.pressure, true
	case stream.ClutchCommand:
		return clamp(w.c.command/6, 0, 100), true
	case stream.LockupState:
		switch w.c.mode {
		case modeOpen:
			return stream.LockupOpen, true
		case modePartial:
			return stream.LockupPartial, true
		}
		return stream.LockupClosed, true
	case stream.SlipCommand:
		if w.c.mode != modePartial {
			return 0, true
		}
		return w.c.slipWant, true
	case stream.SlipReported:
		return mul(w.p.engine-w.p.turbine, radToRPM), true
	case stream.Gear:
		switch w.c.selector {
		case selectPark:
			return stream.GearPark, true
		case selectNeutral:
			return stream.GearNeutral, true
		case selectReverse:
			return stream.GearReverse, true
		}
		return float64(w.c.gear), true
	case stream.Shifting:
		if w.c.shift == shiftInertia || w.c.shift == shiftPrepare {
			return 1, true
		}
		return 0, true
	case stream.Accelerator:
		return mul(w.d.pedal, 100), true
	case stream.EngineTorque:
		return w.p.load, true
	case stream.Brake:
		if w.d.braking && !w.brakeHides {
			return 1, true
		}
		return 0, true
	case stream.FluidTemperature:
		return w.fluidC, true
	case stream.Grade:
		return w.d.grade, true
	case stream.Acceleration:
		return w.p.accel, true
	case stream.DriverMark:
		if w.d.mark > 0 {
			return 1, true
		}
		return 0, true
	case stream.SupplyVoltage:
		if w.p.running {
			return 14.1, true
		}
		if w.p.cranking {
			return 10.4, true
		}
		return 12.4, true
	}
	return 0, false
}

// Sim is a drive in progress.
type Sim struct {
	sc     Scenario
	v      *Vehicle
	layout *Layout
	w      world
	enc    *encoder
	rnd    *random
	ms     int64
	start  bus.Micros
	obs    *observer
	faults []faultState
	done   bool
	out    []bus.Frame
	watch  func() // for tests, every 10 ms
}

// New prepares a drive.
func New(sc Scenario) (*Sim, error) {
	if err := sc.check(); err != nil {
		return nil, err
	}
	v, err := VehicleByName(sc.Vehicle)
	if err != nil {
		return nil, err
	}
	s := &Sim{sc: sc, v: v, rnd: newRandom(sc.Seed, 1)}
	s.start = bus.Micros(sc.StartUnix) * bus.Second
	s.layout = sc.layout
	if sc.Asked {
		l := Asked(sc.Truncated)
		s.layout = &l
	}
	if s.layout == nil {
		l := v.Layout.withOther(sc.Other, newRandom(sc.Seed, 2))
		s.layout = &l
	}
	if err := s.layout.hide(sc.Hide); err != nil {
		return nil, fmt.Errorf("scenario %q: %w", sc.Name, err)
	}
	p := newPlant(v, sc.LoadKg)
	s.w = world{p: p, v: v, fluidC: or(sc.FluidC, 70), noise: 1}
	s.w.c = &controller{v: v, gear: 1, selector: selectPark}
	s.w.d = &driver{v: v, rnd: newRandom(sc.Seed, 3), steps: sc.Steps, friction: 0.9}
	s.enc = newEncoder(&sc, s.layout, s.start, newRandom(sc.Seed, 4))
	s.obs = newObserver(s)
	for i := range sc.Faults {
		s.faults = append(s.faults, faultState{f: &sc.Faults[i]})
	}
	return s, nil
}

// Next advances the drive by one second (less at its end) and returns the
// frames of that second, in order. The slice is used again by the next call.
// It returns nil, false after the end.
func (s *Sim) Next() ([]bus.Frame, bool) {
	if s.done {
		return nil, false
	}
	s.out = s.out[:0]
	w := &s.w
	if s.asleep() {
		return s.out, true
	}
	for range 1000 {
		if s.ms%10 == 0 {
			s.slow()
			if s.done {
				break
			}
		}
		for i := range s.faults {
			if s.faults[i].on {
				s.faults[i].fast(s)
			}
		}
		w.p.step(0.001)
		s.ms++
		s.enc.tick(s.ms, w)
		s.obs.step()
	}
	before := s.now() - 60_000
	if s.done {
		before = 1 << 62
		for i := range s.faults {
			if s.faults[i].on {
				s.faults[i].mark(s)
			}
		}
		s.obs.finish()
	}
	s.out = s.enc.take(before, s.out)
	return s.out, true
}

// asleep passes a second in which key, engine and buses are off: nothing moves
// then, and nights are long.
func (s *Sim) asleep() bool {
	d := s.w.d
	if d.keyOn || s.w.awake || d.at >= len(d.steps) || !d.begun || d.steps[d.at].Do != "off" ||
		d.inFor+1.5 > d.steps[d.at].ForS || s.w.p.engine > 1 || len(s.enc.pending) > 0 {
		return false
	}
	if !s.sc.NoTrace {
		for k := s.ms; k < s.ms+1000; k++ {
			if k%(int64(TraceStep)/1000) == 0 {
				s.obs.t.Trace = append(s.obs.t.Trace, TracePoint{})
			}
		}
	}
	s.ms += 1000
	d.inFor++
	s.w.fluidC += mul(20-s.w.fluidC, 0.0004)
	for i := range s.enc.msgs {
		s.enc.msgs[i].due += 1000
	}
	s.enc.pollDue += 1000
	s.enc.asker.due += 1000
	for i := range s.faults {
		s.faults[i].slow(s)
	}
	return true
}

// Truth returns what has happened so far; complete after the last Next.
func (s *Sim) Truth() *Truth { return &s.obs.t }

// Layout returns what the buses carry in this drive.
func (s *Sim) Layout() *Layout { return s.layout }

func (s *Sim) now() bus.Micros { return s.start + bus.Micros(s.ms)*1000 }

// slow is the 10 ms task: driver, controller, faults.
func (s *Sim) slow() {
	w := &s.w
	if !w.d.run(w.p) {
		s.done = true
		return
	}
	if w.d.fresh {
		w.d.fresh = false
		if f := w.d.steps[w.d.at].Fault; f != nil {
			at := *f
			at.AtS += float64(s.ms) / 1000
			s.faults = append(s.faults, faultState{f: &at})
		}
	}
	w.c.selector = w.d.selector
	w.p.pedal, w.p.brake, w.p.grade, w.p.friction = w.d.pedal, w.d.brake, w.d.grade, w.d.friction
	w.c.run(w.p, w.d.pedal, w.d.braking, w.fluidC)
	if w.c.fell != "" {
		// No two releases vent alike; cold oil leaves later.
		p := w.p
		p.ventFactor = s.rnd.between(0.75, 1.3) + mul(0.012, clamp(60-w.fluidC, 0, 100))
	}
	// The fluid warms towards 85 °C while the engine runs.
	if w.p.running {
		w.fluidC += mul(85-w.fluidC, 0.000012)
		if w.c.mode == modeOpen {
			w.fluidC += 0.0002
		}
	}
	// The buses sleep some seconds after the key.
	if w.d.keyOn {
		w.awake, w.asleep = true, 0
	} else {
		w.asleep += controlStep
		if w.asleep > 4 {
			w.awake = false
		}
	}
	for i := range s.faults {
		s.faults[i].slow(s)
	}
	s.obs.slow()
	if s.watch != nil {
		s.watch()
	}
}

// Result is a whole drive in memory.
type Result struct {
	Scenario Scenario
	Vehicle  *Vehicle
	Layout   *Layout
	Frames   []bus.Frame
	// Log is the traffic as a text log (without notices), nil with NoLog.
	Log []byte
	// DBC is the definition file of each bus, VehicleTOML the vehicle file
	// that refers to them by the names in DBCNames.
	DBC         []string
	DBCNames    []string
	VehicleTOML string
	Truth       *Truth
}

// Run drives the scenario to its end.
func Run(sc Scenario) (*Result, error) {
	s, err := New(sc)
	if err != nil {
		return nil, err
	}
	r := &Result{Scenario: sc, Vehicle: s.v, Layout: s.layout}
	for {
		frames, ok := s.Next()
		if !ok {
			break
		}
		r.Frames = append(r.Frames, frames...)
	}
	r.Truth = s.Truth()
	if !sc.NoLog {
		r.Log = AppendLog(nil, r.Frames, s.layout.Buses)
	}
	r.DBC, r.DBCNames = s.layout.DBC(s.v.Name)
	r.VehicleTOML = s.layout.VehicleTOML(s.v, r.DBCNames)
	return r, nil
}
