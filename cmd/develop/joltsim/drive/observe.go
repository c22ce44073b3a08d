package drive

import "joltwatch/bus"

// observer writes down what really happens.
type observer struct {
	s *Sim
	t Truth

	// Release being watched.
	rel         *Release
	relFrom     float64 // slip at the fall
	relFor      float64
	together    bool
	pendLag     float64
	pendNm      float64
	pendCause   Cause
	apply       *Apply
	applyFor    float64
	slipOld     [5]float64
	slipAt      int
	shift       *Shift
	flareLag    float64
	lastCommand float64
	slip        *Slip
	slipSum     float64
	slipN       float64
	hill        int
	open        *Span
	state       State
	stateFrom   bus.Micros
	stateBegun  bool
	drive       *DriveTruth
	wasMoving   bool
	ran         bool
	wasMark     bool
}

func newObserver(s *Sim) *observer {
	o := &observer{s: s}
	o.t = Truth{Scenario: s.sc.Name, Vehicle: s.v.Name, Seed: s.sc.Seed, Start: s.start}
	return o
}

// injectRelease notes the fault behind the release that begins now.
func (o *observer) injectRelease(lag, nm float64) { o.pendLag, o.pendNm = lag, nm }

// caused notes what is behind the release that begins now.
func (o *observer) caused(by Cause) { o.pendCause = by }

func (o *observer) injectFlare(lag float64) { o.flareLag = lag }

func (o *observer) slipNow() float64 {
	return mul(o.s.w.p.engine-o.s.w.p.turbine, radToRPM)
}

// step watches what needs every millisecond.
func (o *observer) step() {
	p := o.s.w.p
	if o.rel == nil && o.shift == nil && o.apply == nil {
		return
	}
	slip := o.slipNow()
	if r := o.rel; r != nil {
		rpm := mul(p.engine, radToRPM)
		if rpm < r.EngineMin {
			r.EngineMin = rpm
		}
		if r.FreedS == 0 && p.capacity < 5 {
			r.FreedS = round3((o.s.now() - r.Fell).Seconds())
		}
		if o.together {
			if o.s.w.c.mode != modeOpen {
				r.Reapplied = true
			}
			d := abs(slip - o.relFrom)
			if d < 0.5 {
				r.Parted = o.s.now()
				r.TurbineMin = mul(p.turbine, radToRPM)
			}
			if d >= 5 {
				r.Parted5 = o.s.now()
				o.together = false
			}
		}
		if !p.running && o.ran {
			r.Stalled = true
		}
		o.relFor += 0.001
		if o.relFor > 6 || (o.s.w.c.mode != modeOpen && !o.together) {
			o.endRelease()
		}
	}
	if x := o.shift; x != nil {
		if a := abs(slip); a > x.SlipPeak {
			x.SlipPeak = a
		}
		if o.s.w.c.command < x.CommandMin {
			x.CommandMin = o.s.w.c.command
		}
		if p.capacity < 5 {
			x.Opened = true
		}
		old := mul(o.s.v.Ratios[x.From-1], p.wheel)
		if f := mul(p.turbine-old, radToRPM); f > x.FlareRPM && x.To > x.From {
			x.FlareRPM = f
		}
	}
	if a := o.apply; a != nil {
		rpm := mul(p.engine, radToRPM)
		if rpm < a.EngineMin {
			a.EngineMin = rpm
		}
		if a.Done == 0 {
			a.LiningJ += mul(abs(p.lockup), abs(p.engine-p.turbine)) / 1000
		}
	}
}

func (o *observer) endRelease() {
	r := o.rel
	if o.together {
		r.Parted, r.Parted5 = 0, 0
	}
	if r.Parted > 0 {
		r.LagS = round3((r.Parted - r.Fell).Seconds())
	}
	o.t.Releases = append(o.t.Releases, *r)
	o.rel = nil
}

// slow watches the rest, every 10 ms, after the controller has run.
func (o *observer) slow() {
	s := o.s
	p, c, d := s.w.p, s.w.c, s.w.d
	now := s.now()
	slip := o.slipNow()
	kmh := abs(p.kmh())
	turbine := mul(p.turbine, radToRPM)

	// Engine starts and stops.
	switch {
	case p.running && o.drive == nil:
		o.drive = &DriveTruth{From: now}
	case !p.running && o.drive != nil && !p.cranking:
		o.drive.To = now
		if o.ran && !p.fuelOff {
			o.t.Stalls = append(o.t.Stalls, Stall{At: now, Holding: p.capacity > 20})
		}
		if p.fuelOff && !d.keyOn {
			o.t.KeyOffs = append(o.t.KeyOffs, now)
		}
		// An engine that stops itself at a standstill does not end a drive.
		if !(p.fuelOff && d.keyOn) {
			o.endDrive()
		}
	}
	o.ran = p.running

	// State of the clutch.
	st := StateOpen
	if p.capacity >= 8 {
		switch {
		case p.load < -2 || slip < -3:
			st = StateCoast
		case abs(slip) < 5:
			st = StateClosed
		default:
			st = StatePartial
		}
	}
	if c.selector != selectDrive {
		st = StateOpen
	}
	if !o.stateBegun {
		o.state, o.stateFrom, o.stateBegun = st, now, true
	} else if st != o.state && !s.sc.NoTrace {
		o.t.Intervals = append(o.t.Intervals, Interval{o.stateFrom, now, o.state})
		o.state, o.stateFrom = st, now
	}
	if o.drive != nil {
		x := o.drive
		x.EngineS += controlStep
		if kmh >= MovingKmh {
			x.MovingS += controlStep
			switch st {
			case StateOpen:
				x.OpenS += controlStep
			case StatePartial:
				x.PartialS += controlStep
			case StateClosed:
				x.ClosedS += controlStep
			case StateCoast:
				x.CoastS += controlStep
			}
			if (c.mode == modeOpen) != (st == StateOpen) {
				x.FaultedS += controlStep
			}
		}
	}
	if !s.sc.NoTrace && s.ms%(int64(TraceStep)/1000) == 0 {
		o.t.Trace = append(o.t.Trace, TracePoint{float32(mul(p.engine, radToRPM)), float32(turbine), float32(kmh), st})
	}

	// Stops.
	if kmh > 5 {
		o.wasMoving = true
	}
	if o.wasMoving && kmh < 0.05 {
		o.wasMoving = false
		o.t.Stops = append(o.t.Stops, now)
	}

	// Marks.
	if (d.mark > 0) && !o.wasMark {
		o.t.Marks = append(o.t.Marks, now)
	}
	o.wasMark = d.mark > 0

	// Releases.
	if c.fell != "" {
		if o.rel != nil {
			o.endRelease()
		}
		o.relFrom, o.relFor, o.together = slip, 0, true
		o.rel = &Release{
			Reason: c.fell, Fell: now, Parted: now, State: st, SlipRPM: round3(slip),
			Gear: c.gear, Kmh: round3(kmh), TurbineRPM: round3(turbine), TurbineMin: turbine,
			FluidC: round3(s.w.fluidC), InjectedS: o.pendLag, InjectedNm: o.pendNm,
			EngineMin: mul(p.engine, radToRPM), BrakingMps2: round3(-p.accel),
			PedalPct: round3(mul(d.pedal, 100)), Cause: o.pendCause,
		}
		if o.apply != nil {
			o.apply = nil // never got there
		}
	}
	o.pendLag, o.pendNm, o.pendCause = 0, 0, ""

	// Applies.
	if c.mode == modePartial && c.modeFor == 0 && o.lastCommand < 20 {
		o.apply = &Apply{Rise: now, Gear: c.gear, Kmh: round3(kmh), SlipBefore: round3(slip),
			EngineAt: mul(p.engine, radToRPM), EngineMin: mul(p.engine, radToRPM)}
		o.applyFor = 0
		for i := range o.slipOld {
			o.slipOld[i] = slip
		}
	}
	if a := o.apply; a != nil {
		if rate := (o.slipOld[o.slipAt] - slip) / 0.050; rate > a.SlipRate && a.Done == 0 {
			a.SlipRate = rate
		}
		o.slipOld[o.slipAt] = slip
		o.slipAt = (o.slipAt + 1) % len(o.slipOld)
		if c.command > a.CommandMax {
			a.CommandMax = c.command
		}
		target := s.v.Control.PartialSlip
		if a.Done == 0 && c.mode != modeOpen && slip < target+10 {
			a.Done = now
			a.AskedSlip = target
			o.applyFor = 0
		}
		if a.Done > 0 {
			o.applyFor += controlStep
			if o.applyFor > 0.5 {
				o.t.Applies = append(o.t.Applies, *a)
				o.apply = nil
			}
		} else if o.applyFor += controlStep; o.applyFor > 8 {
			o.t.Applies = append(o.t.Applies, *a)
			o.apply = nil
		}
	}

	// Shifts.
	switch {
	case c.shift == shiftPrepare && o.shift == nil:
		o.shift = &Shift{Begin: now, From: c.shiftFrom, To: c.shiftTo, Engaged: c.mode != modeOpen && p.capacity > 8,
			CommandWas: o.lastCommand, CommandMin: o.lastCommand, InjectedS: o.flareLag,
			PedalPct: round3(mul(d.pedal, 100)), EngineBefore: round3(mul(p.engine, radToRPM))}
	case c.shift == shiftInertia && c.shiftFor == 0 && o.shift != nil:
		o.shift.Begin = now
	case c.shift == shiftSettle && o.shift != nil:
		x := o.shift
		if x.End == 0 {
			x.End = now
		}
		if c.shiftFor > 0.1 {
			x.CommandNext = c.command
		}
	case c.shift == shiftNone && o.shift != nil:
		if o.shift.End > 0 {
			o.shift.InjectedS = o.flareLag
			o.flareLag = 0
			o.t.Shifts = append(o.t.Shifts, *o.shift)
		}
		o.shift = nil
	}

	o.held(now, slip, kmh)
	if c.secondOpen && o.open == nil {
		o.open = &Span{From: now, What: "asked"}
	}
	if o.open != nil {
		if slip > o.open.Value {
			o.open.Value = slip
		}
		if !c.secondOpen {
			o.open.To = now
			o.t.Opens = append(o.t.Opens, *o.open)
			o.open = nil
		}
	}
	o.lastCommand = c.command
}

// held watches slip that is held on the road.
func (o *observer) held(now bus.Micros, slip, kmh float64) {
	s := o.s
	c, p := s.w.c, s.w.p
	asked := c.mode == modePartial && c.hill > 0
	unasked := p.capLimit < 1e8 && !asked && c.mode != modeOpen && slip > 15 && kmh > 15
	if o.slip != nil && (o.slip.Asked != asked || o.hill != c.hill || (!asked && !unasked)) {
		o.slip.To = now
		if o.slipN > 0 {
			o.slip.Mean = round3(o.slipSum / o.slipN)
		}
		if o.slip.To-o.slip.From > bus.Second/2 {
			o.t.Slips = append(o.t.Slips, *o.slip)
		}
		o.slip = nil
	}
	if o.slip == nil && (asked || unasked) {
		o.slip = &Slip{From: now, Asked: asked, Gear: c.gear, Kmh: round3(kmh)}
		o.slipSum, o.slipN, o.hill = 0, 0, c.hill
		if asked {
			o.slip.Target = c.slipWant
		}
	}
	if o.slip != nil {
		o.slip.Kmh = min(o.slip.Kmh, round3(kmh))
		o.slipSum += slip
		o.slipN++
		if slip > o.slip.Peak {
			o.slip.Peak = round3(slip)
		}
		if asked {
			o.slip.Target = round3(c.slipWant)
		}
	}
}

func (o *observer) endDrive() {
	x := o.drive
	for _, f := range []*float64{&x.EngineS, &x.MovingS, &x.OpenS, &x.PartialS, &x.ClosedS, &x.CoastS, &x.FaultedS} {
		*f = round3(*f)
	}
	o.t.Drives = append(o.t.Drives, *x)
	o.drive = nil
}

// finish closes what is open at the end of the input.
func (o *observer) finish() {
	now := o.s.now()
	o.t.End = now
	if o.rel != nil {
		o.endRelease()
	}
	if o.drive != nil {
		o.drive.To = now
		o.endDrive()
	}
	if o.slip != nil {
		o.slip.To = now
		if o.slipN > 0 {
			o.slip.Mean = round3(o.slipSum / o.slipN)
		}
		o.t.Slips = append(o.t.Slips, *o.slip)
		o.slip = nil
	}
	if o.stateBegun {
		o.t.Intervals = append(o.t.Intervals, Interval{o.stateFrom, now, o.state})
	}
	for i := range o.t.Injected {
		if o.t.Injected[i].To == 0 {
			o.t.Injected[i].To = now
		}
	}
}
