package elastic

import (
	"math"
	"math/rand/v2"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
)

// Sim is a drive in progress. Not safe for use from several goroutines.
type Sim struct {
	trip     *Trip
	v        *Vehicle
	layout   drive.Layout
	p        *plant
	c        *control
	d        *driver
	s        *senses
	w        *drive.Wire
	o        *observer
	rnd      *rand.Rand
	surge    *resonance
	rough    *resonance
	mishaps  []*mishap
	ms       int64
	keyOffS  float64
	silent   bool
	junk     float64 // frames a second
	done     bool
	out      []bus.Frame
	drifting float64
	watch    func() // for tests, every 10 ms
}

// New prepares a trip.
func New(t *Trip) (*Sim, error) {
	v, err := ByName(t.Vehicle)
	if err != nil {
		return nil, err
	}
	rnd := rand.New(rand.NewPCG(t.Seed, 11))
	s := &Sim{trip: t, v: v, layout: v.Layout, rnd: rnd, p: newPlant(v)}
	if t.Asked {
		s.layout = drive.Asked(t.Truncated)
	}
	s.c = &control{v: v, rnd: rnd, gear: 1}
	s.d = &driver{v: v, rnd: rand.New(rand.NewPCG(t.Seed, 12)), legs: t.Legs}
	s.s = newSenses(v, s.p, s.c, s.d, rnd)
	s.s.fluidC = t.StartC
	s.w = drive.NewWire(&s.layout, 0, t.Seed)
	s.surge = &resonance{hz: 4.2, damping: 0.4, gustS: 2, swing: 0.2, rnd: rnd}
	s.rough = &resonance{hz: 10, damping: 0.3, gustS: 1, swing: 0.4, rnd: rnd}
	s.o = newObserver(s)
	for i := range t.Mishaps {
		s.mishaps = append(s.mishaps, &mishap{m: &t.Mishaps[i], atS: t.Mishaps[i].AtS})
	}
	return s, nil
}

// Layout returns what the buses carry, Vehicle whose they are, and Truth what
// has happened so far.
func (s *Sim) Layout() *drive.Layout { return &s.layout }
func (s *Sim) Vehicle() *Vehicle     { return s.v }
func (s *Sim) Truth() *drive.Truth   { return &s.o.t }

func (s *Sim) now() bus.Micros { return bus.Micros(s.ms) * 1000 }

// Next advances the drive by one second, or less at its end, and returns the
// frames of it in order, in a slice that the next call uses again; nil, false
// after the end.
func (s *Sim) Next() ([]bus.Frame, bool) {
	if s.done {
		return nil, false
	}
	s.out = s.out[:0]
	if s.asleep() {
		return s.out, true
	}
	for range 1000 {
		if s.ms%10 == 0 && !s.tick() {
			s.done = true
			break
		}
		s.p.surgeNm, s.p.roughNm = 0, 0
		if s.p.running {
			s.p.surgeNm = s.surge.step() * 0.018 * (0.25*s.v.Engine.PeakNm + math.Abs(s.p.load))
		}
		s.p.roughNm = s.rough.step() * 0.02 * s.v.Body.MassKg * clamp(s.p.road/12, 0, 1.5)
		s.p.step()
		s.ms++
		s.s.step(s.ms)
		s.w.Tick(s.ms, s.s)
		s.flood()
		s.o.step()
	}
	before := s.now() - 150_000
	if s.done {
		before = math.MaxInt64
		for _, m := range s.mishaps {
			m.end(s)
		}
		s.o.finish()
	}
	s.out = s.w.Take(before, s.out)
	return s.out, true
}

// asleep passes a second in which key, engine and buses are off: nothing moves
// then, and nights are long.
func (s *Sim) asleep() bool {
	d := s.d
	if d.key || s.s.awake || d.at >= len(d.legs) || !d.begun || d.inS+1.5 > d.legs[d.at].ForS || s.p.engine > 1 || s.p.road != 0 || !s.w.Idle() {
		return false
	}
	if !s.trip.NoTrace {
		for range int(bus.Second / drive.TraceStep) {
			s.o.t.Trace = append(s.o.t.Trace, drive.TracePoint{})
		}
	}
	s.ms += 1000
	d.inS++
	s.s.fluidC += (20 - s.s.fluidC) * 0.0004
	s.w.Skip(1000)
	return true
}

// flood sends frames that nobody has mapped.
func (s *Sim) flood() {
	if s.junk > 0 && s.rnd.Float64() < s.junk/1000 {
		f := bus.Frame{At: s.now() + bus.Micros(s.rnd.IntN(900)), ID: 0x600 + uint32(s.rnd.IntN(0x80)), Len: 8}
		if s.layout.J1939 {
			f.ID, f.Flags = 0x18FF0000|f.ID, bus.Extended
		}
		f.Data[0] = byte(s.rnd.IntN(256))
		s.w.Put(f)
	}
}

// tick is the task of every 10 ms; false at the end of the trip.
func (s *Sim) tick() bool {
	if !s.d.run(s.p) {
		return false
	}
	if s.d.fresh {
		s.d.fresh = false
		if m := s.d.legs[s.d.at].Mishap; m != nil {
			s.mishaps = append(s.mishaps, &mishap{m: m, atS: float64(s.ms)/1000 + m.AtS})
		}
	}
	s.c.selector = s.d.selector
	p := s.p
	p.pedal, p.brakeN, p.gradePct = s.d.pedal, s.d.brakeN, s.d.grade
	// The point of touch wanders with oil and wear.
	s.drifting += s.rnd.NormFloat64()*0.02 - s.drifting*0.0005
	p.touch = s.v.Clutch.Touch + s.v.Clutch.Drift*clamp(s.drifting/0.45, -1, 1)
	p.oilFactor = 1 + 0.022*math.Max(0, 55-s.s.fluidC)
	s.c.run(p, s.d.pedal, s.d.braking, s.s.fluidC)
	if p.running {
		s.s.fluidC += (88 - s.s.fluidC) * 0.000011
	}
	s.key()
	for _, m := range s.mishaps {
		m.tick(s)
	}
	s.o.tick()
	if s.watch != nil {
		s.watch()
	}
	return true
}

// key wakes the buses with the key and lets them sleep after it.
func (s *Sim) key() {
	if s.d.key {
		s.keyOffS, s.s.awake = 0, true
		return
	}
	if s.keyOffS == 0 && s.s.awake && s.o.everOn {
		s.o.keyOff()
	}
	s.keyOffS += tick
	if s.silent || s.keyOffS > 5 {
		s.s.awake = false
	}
}

// mishap is one at work.
type mishap struct {
	m        *Mishap
	atS      float64
	on, over bool
	armed    bool
	untilS   float64
	truth    int // index of Injected
	memo     float64
}

func (x *mishap) tick(s *Sim) {
	t := float64(s.ms) / 1000
	if !x.on && !x.over && t >= x.atS {
		x.on = true
		x.begin(s)
	}
	if !x.on {
		return
	}
	if x.m.ForS > 0 && t >= x.atS+x.m.ForS {
		x.end(s)
		return
	}
	if x.ofRelease() {
		x.release(s, t)
		return
	}
	switch x.m.What {
	case "die", "one-way":
		x.armed = x.armed && s.p.running || s.p.kmh() > 10 // once a stop
		if x.armed && s.d.braking && s.p.kmh() < 1.5 && s.p.running && !s.p.stuck && s.c.mode == modeOpen {
			s.p.lossNm += 6 // it chokes
		}
		if !s.p.running {
			s.p.lossNm = 0
			if x.m.What == "die" {
				x.end(s)
			}
		}
	case "slip":
		x.slip(s)
	case "gearset":
		x.gearset(s)
	case "push":
		if t >= x.atS+0.15 {
			x.end(s)
		}
	}
}

func (x *mishap) begin(s *Sim) {
	m := x.m
	at := s.now()
	s.o.t.Injected = append(s.o.t.Injected, drive.Injected{From: at,
		Fault: drive.Fault{Kind: m.What, Value: m.Value, On: m.On, AtS: m.AtS, ForS: m.ForS}})
	x.truth = len(s.o.t.Injected) - 1
	for _, y := range s.mishaps {
		// One that waits for a release in vain gives way to the next.
		if y != x && y.on && !y.armed && x.ofRelease() && y.ofRelease() {
			y.end(s)
		}
	}
	switch m.What {
	case "push":
		s.p.pushMps2 = m.Value
	case "dropout":
		s.w.Mute(m.On, true)
	case "missing":
		s.w.Unavailable(m.On, true)
	case "freeze":
		s.w.Freeze(m.On, true)
	case "one-way":
		s.p.pumpFactor = m.Value
	case "quiet":
		s.w.Mute("", true)
	case "flood":
		s.w.Mute("", true)
		s.junk = m.Value
	case "clock":
		s.w.Put(bus.NewNotice(at, 0, bus.NoticeClockJump, int64(m.Value*1e6)))
		x.end(s)
	case "silent-key":
		s.silent = true
	case "late-close":
		s.c.closeLateS = m.Value
	case "late-word", "late-brake":
		s.c.lateDecisionS = m.Value
		s.s.brakeHides = m.What == "late-brake"
	}
}

// ofRelease reports whether it waits for a release.
func (x *mishap) ofRelease() bool {
	switch x.m.What {
	case "held", "drawn", "slow-oil", "late-valve", "late-word", "late-brake":
		return true
	}
	return false
}

// release holds the next release in overrun.
func (x *mishap) release(s *Sim, t float64) {
	p := s.p
	if !x.armed && s.c.fell == "stop" {
		x.armed, x.untilS = true, t+x.m.Value
		switch x.m.What {
		case "held", "drawn":
			p.heldNm = math.Max(p.capacity, x.m.Share*s.v.Engine.PeakNm)
			s.o.inject(x.m.Value, drive.CausePlates)
			if x.m.What == "drawn" {
				x.untilS = t + 20
			}
		case "slow-oil":
			s.o.inject(0, drive.CauseOil)
			x.untilS = t + 5
		case "late-valve":
			s.o.inject(0, drive.CauseValve)
			p.valveS = x.m.Value
			x.untilS = t + 5
		case "late-word", "late-brake":
			s.o.inject(0, drive.CauseCommand)
			x.end(s)
		}
		return
	}
	if x.armed && x.m.What == "slow-oil" {
		p.oilFactor = x.m.Value
	}
	drawn := x.m.What == "drawn" && p.engineRPM() < x.m.Value*s.v.Engine.IdleRPM
	if x.armed && (t >= x.untilS || drawn || s.c.mode != modeOpen || !s.d.key || p.cranking) {
		x.end(s)
	}
}

// slip lets the closed clutch carry just so little that it slips.
func (x *mishap) slip(s *Sim) {
	p := s.p
	slip := p.slipRPM()
	if s.c.mode == modeOpen || p.load < 12 || s.c.phase != phaseNone {
		p.mostNm = math.Inf(1)
		x.memo = 0
		return
	}
	if x.memo == 0 {
		x.memo = math.Max(15, math.Abs(p.carried))
	}
	gain := s.v.Engine.PeakNm / 290
	x.memo = clamp(x.memo+0.5*gain*(slip-x.m.Value)*tick, 4, 3000)
	p.mostNm = math.Max(2, x.memo+0.2*gain*(slip-x.m.Value))
}

// gearset lets the turbine run ahead of the gear, under load and in no shift.
func (x *mishap) gearset(s *Sim) {
	p, c := s.p, s.c
	if c.phase != phaseNone || c.selector != forward {
		x.memo = 0
		return
	}
	to := 1.0
	if p.load > 12 {
		to = x.m.Value
	}
	if x.memo == 0 {
		x.memo = 1
	}
	step := clamp(to-x.memo, -0.15*tick, 0.15*tick)
	x.memo += step
	p.ratio = s.v.Box.Ratios[c.gear-1] * x.memo
	p.ratioRate = s.v.Box.Ratios[c.gear-1] * step / tick
}

func (x *mishap) end(s *Sim) {
	if !x.on || x.over {
		return
	}
	x.on, x.over = false, true
	s.o.t.Injected[x.truth].To = s.now()
	switch x.m.What {
	case "held", "drawn":
		s.p.heldNm = 0
	case "late-close":
		s.c.closeLateS = 0
	case "late-word", "late-brake":
		s.c.lateDecisionS, s.s.brakeHides = 0, false
	case "late-valve":
		s.p.valveS = 0
	case "one-way":
		s.p.pumpFactor, s.p.lossNm = 0, 0
	case "die":
		s.p.lossNm = 0
	case "slip":
		s.p.mostNm = math.Inf(1)
	case "push":
		s.p.pushMps2 = 0
	case "dropout":
		s.w.Mute(x.m.On, false)
	case "missing":
		s.w.Unavailable(x.m.On, false)
	case "freeze":
		s.w.Freeze(x.m.On, false)
	case "quiet", "flood":
		s.w.Mute("", false)
		s.junk = 0
	}
}
