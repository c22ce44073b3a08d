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
	if o.rel == nil && o.shift == nil && o.apply == nil {
		return
	}
	slip := o.slipNow()
	if o.rel != nil {
		o.releaseStep(slip)
	}
	if o.shift != nil {
		o.shiftStep(slip)
	}
	if o.apply != nil {
		o.applyStep()
	}
}

func (o *observer) releaseStep(slip float64) {
	r, p, open := o.rel, o.s.w.p, o.s.w.c.mode == modeOpen
	r.EngineMin = min(r.EngineMin, mul(p.engine, radToRPM))
	if r.FreedS == 0 && p.capacity < 5 {
		r.FreedS = round3((o.s.now() - r.Fell).Seconds())
	}
	if o.together {
		if !open {
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
	if o.relFor > 6 || !open && !o.together {
		o.endRelease()
	}
}

func (o *observer) shiftStep(slip float64) {
	x, p := o.shift, o.s.w.p
	x.SlipPeak = max(x.SlipPeak, abs(slip))
	x.CommandMin = min(x.CommandMin, o.s.w.c.command)
	if p.capacity < 5 {
		x.Opened = true
	}
	old := mul(o.s.v.Ratios[x.From-1], p.wheel)
	if f := mul(p.turbine-old, radToRPM); x.To > x.From {
		x.FlareRPM = max(x.FlareRPM, f)
	}
}

func (o *observer) applyStep() {
	a, p := o.apply, o.s.w.p
	a.EngineMin = min(a.EngineMin, mul(p.engine, radToRPM))
	if a.Done == 0 {
		a.LiningJ += mul(abs(p.lockup), abs(p.engine-p.turbine)) / 1000
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

// sight is what the watches of 10 ms look at.
type sight struct {
	now                bus.Micros
	slip, turbine, kmh float64 // rpm, rpm, road speed
	state              State
}

// slow watches the rest, every 10 ms, after the controller has run.
func (o *observer) slow() {
	p, c := o.s.w.p, o.s.w.c
	x := sight{now: o.s.now(), slip: o.slipNow(), turbine: mul(p.turbine, radToRPM), kmh: abs(p.kmh())}
	x.state = o.clutchState(x.slip)
	o.engineRuns(x.now)
	o.inState(&x)
	o.stopsAndMarks(&x)
	o.releases(&x)
	o.applies(&x)
	o.shifts(x.now)
	o.held(x.now, x.slip, x.kmh)
	o.secondGear(&x)
	o.lastCommand = c.command
}

// engineRuns watches engine starts and stops.
func (o *observer) engineRuns(now bus.Micros) {
	p, d := o.s.w.p, o.s.w.d
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
}

func (o *observer) clutchState(slip float64) State {
	p := o.s.w.p
	switch {
	case p.capacity < 8 || o.s.w.c.selector != selectDrive:
		return StateOpen
	case p.load < -2 || slip < -3:
		return StateCoast
	case abs(slip) < 5:
		return StateClosed
	}
	return StatePartial
}

// inState notes the time in each state of the clutch, and the trace.
func (o *observer) inState(x *sight) {
	s := o.s
	if !o.stateBegun {
		o.state, o.stateFrom, o.stateBegun = x.state, x.now, true
	} else if x.state != o.state && !s.sc.NoTrace {
		o.t.Intervals = append(o.t.Intervals, Interval{o.stateFrom, x.now, o.state})
		o.state, o.stateFrom = x.state, x.now
	}
	if d := o.drive; d != nil {
		d.EngineS += controlStep
		if x.kmh >= MovingKmh {
			d.MovingS += controlStep
			*d.In(x.state) += controlStep
			if (s.w.c.mode == modeOpen) != (x.state == StateOpen) {
				d.FaultedS += controlStep
			}
		}
	}
	if !s.sc.NoTrace && s.ms%(int64(TraceStep)/1000) == 0 {
		o.t.Trace = append(o.t.Trace, TracePoint{float32(mul(s.w.p.engine, radToRPM)), float32(x.turbine), float32(x.kmh), x.state})
	}
}

func (o *observer) stopsAndMarks(x *sight) {
	if x.kmh > 5 {
		o.wasMoving = true
	}
	if o.wasMoving && x.kmh < 0.05 {
		o.wasMoving = false
		o.t.Stops = append(o.t.Stops, x.now)
	}
	mark := o.s.w.d.mark > 0
	if mark && !o.wasMark {
		o.t.Marks = append(o.t.Marks, x.now)
	}
	o.wasMark = mark
}

// releases begins to watch a release.
func (o *observer) releases(x *sight) {
	s := o.s
	if p, c := s.w.p, s.w.c; c.fell != "" {
		if o.rel != nil {
			o.endRelease()
		}
		o.relFrom, o.relFor, o.together = x.slip, 0, true
		o.rel = &Release{
			Reason: c.fell, Fell: x.now, Parted: x.now, State: x.state, SlipRPM: round3(x.slip),
			Gear: c.gear, Kmh: round3(x.kmh), TurbineRPM: round3(x.turbine), TurbineMin: x.turbine,
			FluidC: round3(s.w.fluidC), InjectedS: o.pendLag, InjectedNm: o.pendNm,
			EngineMin: mul(p.engine, radToRPM), BrakingMps2: round3(-p.accel),
			PedalPct: round3(mul(s.w.d.pedal, 100)), Cause: o.pendCause,
		}
		o.apply = nil // never got there
	}
	o.pendLag, o.pendNm, o.pendCause = 0, 0, ""
}

// applies watches an apply from the command's rise until half a second after it is
// done, or 8 s.
func (o *observer) applies(x *sight) {
	p, c := o.s.w.p, o.s.w.c
	if c.mode == modePartial && c.modeFor == 0 && o.lastCommand < 20 {
		o.apply = &Apply{Rise: x.now, LateS: round3(c.closedLateS), Gear: c.gear, Kmh: round3(x.kmh), SlipBefore: round3(x.slip),
			EngineAt: mul(p.engine, radToRPM), EngineMin: mul(p.engine, radToRPM)}
		o.applyFor = 0
		for i := range o.slipOld {
			o.slipOld[i] = x.slip
		}
	}
	a := o.apply
	if a == nil {
		return
	}
	if rate := (o.slipOld[o.slipAt] - x.slip) / 0.050; rate > a.SlipRate && a.Done == 0 {
		a.SlipRate = rate
	}
	o.slipOld[o.slipAt] = x.slip
	o.slipAt = (o.slipAt + 1) % len(o.slipOld)
	a.CommandMax = max(a.CommandMax, c.command)
	most := 8.0
	if target := o.s.v.Control.PartialSlip; a.Done == 0 && c.mode != modeOpen && x.slip < target+10 {
		a.Done, a.AskedSlip = x.now, target
		o.applyFor = 0
	}
	if a.Done > 0 {
		most = 0.5
	}
	if o.applyFor += controlStep; o.applyFor > most {
		o.t.Applies = append(o.t.Applies, *a)
		o.apply = nil
	}
}

func (o *observer) shifts(now bus.Micros) {
	p, c := o.s.w.p, o.s.w.c
	switch {
	case c.shift == shiftPrepare && o.shift == nil:
		o.shift = &Shift{Begin: now, From: c.shiftFrom, To: c.shiftTo, Engaged: c.mode != modeOpen && p.capacity > 8,
			CommandWas: o.lastCommand, CommandMin: o.lastCommand, InjectedS: o.flareLag,
			PedalPct: round3(mul(o.s.w.d.pedal, 100)), EngineBefore: round3(mul(p.engine, radToRPM))}
	case o.shift == nil:
	case c.shift == shiftInertia && c.shiftFor == 0:
		o.shift.Begin = now
	case c.shift == shiftSettle:
		if o.shift.End == 0 {
			o.shift.End = now
		}
		if c.shiftFor > 0.1 {
			o.shift.CommandNext = c.command
		}
	case c.shift == shiftNone:
		if o.shift.End > 0 {
			o.shift.InjectedS = o.flareLag
			o.flareLag = 0
			o.t.Shifts = append(o.t.Shifts, *o.shift)
		}
		o.shift = nil
	}
}

// secondGear watches the clutch that is held open in second gear.
func (o *observer) secondGear(x *sight) {
	asked := o.s.w.c.secondOpen
	if asked && o.open == nil {
		o.open = &Span{From: x.now, What: "asked"}
	}
	if o.open == nil {
		return
	}
	o.open.Value = max(o.open.Value, x.slip)
	if !asked {
		o.open.To = x.now
		o.t.Opens = append(o.t.Opens, *o.open)
		o.open = nil
	}
}

// held watches slip that is held on the road.
func (o *observer) held(now bus.Micros, slip, kmh float64) {
	s := o.s
	c, p := s.w.c, s.w.p
	asked := c.mode == modePartial && c.hill > 0
	unasked := p.capLimit < 1e8 && !asked && c.mode != modeOpen && slip > 15 && kmh > 15
	if o.slip != nil && (o.slip.Asked != asked || o.hill != c.hill || (!asked && !unasked)) {
		o.endSlip(now, bus.Second/2)
	}
	if o.slip == nil && (asked || unasked) {
		o.slip = &Slip{From: now, Asked: asked, Gear: c.gear, Kmh: round3(kmh)}
		o.slipSum, o.slipN, o.hill = 0, 0, c.hill
	}
	if o.slip != nil {
		o.slip.Kmh = min(o.slip.Kmh, round3(kmh))
		o.slipSum += slip
		o.slipN++
		if slip > o.slip.Peak {
			o.slip.Peak = round3(slip)
		}
		if c.mode == modePartial {
			o.slip.Target = round3(c.slipWant)
		}
	}
}

// endSlip writes down a held slip that was longer than shortest.
func (o *observer) endSlip(now, shortest bus.Micros) {
	o.slip.To = now
	if o.slipN > 0 {
		o.slip.Mean = round3(o.slipSum / o.slipN)
	}
	if now-o.slip.From > shortest {
		o.t.Slips = append(o.t.Slips, *o.slip)
	}
	o.slip = nil
}

func (o *observer) endDrive() {
	o.t.Drives = append(o.t.Drives, o.drive.Rounded())
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
		o.endSlip(now, -1)
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
