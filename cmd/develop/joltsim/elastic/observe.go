package elastic

import (
	"math"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
)

// observer writes down what really happens.
type observer struct {
	s *Sim
	t drive.Truth

	everOn, ran bool
	gripS       float64 // since the clutch last carried anything
	drive       *drive.DriveTruth

	rel         *drive.Release
	relFrom     float64
	relS, doneS float64
	gripped     bus.Micros // last stuck since the release began
	pendS       float64
	pendCause   drive.Cause

	apply    *drive.Apply
	applyS   float64
	shift    *drive.Shift
	slip     *drive.Slip
	slipN    float64
	slipSlow float64
	wasKmh   bool

	mean       [81]float64 // of the body's acceleration, every 10 ms
	at         int
	state      drive.State
	stateFrom  bus.Micros
	stateBegun bool
}

func newObserver(s *Sim) *observer {
	return &observer{s: s, t: drive.Truth{Scenario: s.trip.Name, Vehicle: s.v.Name, Seed: s.trip.Seed}}
}

// inject notes what is behind the release that begins now.
func (o *observer) inject(lagS float64, by drive.Cause) {
	o.pendS, o.pendCause = lagS, by
}

func (o *observer) keyOff() { o.t.KeyOffs = append(o.t.KeyOffs, o.s.now()) }

func milli(x float64) float64 { return math.Round(1000*x) / 1000 }

// step watches what needs every millisecond.
func (o *observer) step() {
	p := o.s.p
	if r := o.rel; r != nil {
		o.release(r)
	}
	if x := o.shift; x != nil {
		x.SlipPeak = math.Max(x.SlipPeak, math.Abs(p.slipRPM()))
		x.Opened = x.Opened || p.capacity < 5
		x.CommandMin = math.Min(x.CommandMin, p.command)
	}
	if a := o.apply; a != nil && a.Done == 0 {
		a.LiningJ += math.Abs(p.carried*(p.engine-p.turbine)) * step
	}
}

// release follows one release until the clutch is free and the speeds are
// apart for good.
func (o *observer) release(r *drive.Release) {
	p := o.s.p
	o.relS += step
	r.EngineMin = math.Min(r.EngineMin, p.engineRPM())
	if o.ran && !p.running && o.s.d.key && o.doneS == 0 {
		// It held to the end: the lag is at least this.
		r.Stalled, r.Parted, r.Parted5, o.doneS = true, o.s.now(), o.s.now(), step
		o.endRelease()
		return
	}
	if p.stuck {
		o.gripped = o.s.now()
	}
	if p.capacity < 5 && r.FreedS == 0 {
		// It has slipped since it stuck last: what it still carries meanwhile
		// does not hold the speeds together.
		free := o.gripped
		if free < r.Fell {
			free = o.s.now()
		}
		r.FreedS = milli((free - r.Fell).Seconds())
	}
	away := math.Abs(p.slipRPM() - o.relFrom)
	switch {
	case p.stuck || away < 0.5:
		r.Parted, o.doneS = o.s.now(), 0
		r.TurbineMin = p.turbineRPM()
	case away >= 5 && o.doneS == 0:
		r.Parted5 = o.s.now()
		o.doneS = step
	case o.doneS > 0:
		o.doneS += step
	}
	r.Reapplied = r.Reapplied || o.s.c.mode != modeOpen && o.doneS == 0
	if o.doneS > 1.2 && r.FreedS > 0 || o.relS > 30 || o.s.c.mode != modeOpen || !o.s.d.key {
		o.endRelease()
	}
}

func (o *observer) endRelease() {
	r := o.rel
	o.rel = nil
	if o.doneS == 0 {
		r.Parted, r.Parted5 = 0, 0 // never came apart
	} else {
		r.LagS = milli((r.Parted - r.Fell).Seconds())
	}
	o.t.Releases = append(o.t.Releases, *r)
}

// tick watches the rest, every 10 ms.
func (o *observer) tick() {
	o.engine()
	o.stateOf()
	if !o.s.trip.NoTrace && o.s.ms%(int64(drive.TraceStep)/1000) == 0 {
		o.t.Trace = append(o.t.Trace, drive.TracePoint{Engine: float32(o.s.p.engineRPM()), Turbine: float32(o.s.p.turbineRPM()),
			Kmh: float32(o.s.p.kmh()), State: o.state})
	}
	if kmh := o.s.p.kmh(); kmh > 5 {
		o.wasKmh = true
	} else if o.wasKmh && kmh < 0.05 {
		o.wasKmh = false
		o.t.Stops = append(o.t.Stops, o.s.now())
	}
	o.releases()
	o.applies()
	o.shifts()
	o.slips()
	o.jolts()
}

func (o *observer) engine() {
	s, p, now := o.s, o.s.p, o.s.now()
	if p.capacity > 20 {
		o.gripS = 0
	} else {
		o.gripS += tick
	}
	o.everOn = o.everOn || p.running
	if p.running && o.drive == nil {
		o.drive = &drive.DriveTruth{From: now}
	}
	if o.ran && !p.running && s.d.key {
		o.t.Stalls = append(o.t.Stalls, drive.Stall{At: now, Holding: o.gripS < 0.3})
	}
	o.ran = p.running
	if o.drive == nil {
		return
	}
	if !p.running && !p.cranking && (!s.d.key || p.engineRPM() < 1) {
		o.endDrive()
		return
	}
	x := o.drive
	x.EngineS += tick
	if math.Abs(p.kmh()) < drive.MovingKmh {
		return
	}
	x.MovingS += tick
	*x.In(o.state) += tick
}

func (o *observer) endDrive() {
	o.drive.To = o.s.now()
	o.t.Drives = append(o.t.Drives, o.drive.Rounded())
	o.drive = nil
}

// stateOf works out the clutch's true state.
func (o *observer) stateOf() {
	p, c := o.s.p, o.s.c
	st := drive.StateOpen
	if p.capacity >= 8 && c.selector == forward && p.linked {
		switch {
		case p.load < -2 && p.slipRPM() < 5:
			st = drive.StateCoast
		case p.stuck || math.Abs(p.slipRPM()) < 5:
			st = drive.StateClosed
		default:
			st = drive.StatePartial
		}
	}
	if o.stateBegun && st != o.state && !o.s.trip.NoTrace {
		o.t.Intervals = append(o.t.Intervals, drive.Interval{From: o.stateFrom, To: o.s.now(), State: o.state})
	}
	if !o.stateBegun || st != o.state {
		o.state, o.stateFrom, o.stateBegun = st, o.s.now(), true
	}
}

func (o *observer) releases() {
	p, c, d := o.s.p, o.s.c, o.s.d
	if c.fell == "" {
		return
	}
	if o.rel != nil {
		o.endRelease()
	}
	o.relFrom, o.relS, o.doneS = p.slipRPM(), 0, 0
	now := o.s.now()
	o.rel = &drive.Release{Reason: c.fell, Fell: now, Parted: now, State: o.state, SlipRPM: milli(p.slipRPM()), Gear: c.gear,
		Kmh: milli(p.kmh()), TurbineRPM: milli(p.turbineRPM()), TurbineMin: p.turbineRPM(), FluidC: milli(o.s.s.fluidC),
		EngineMin: p.engineRPM(), BrakingMps2: milli(-p.accel), PedalPct: milli(100 * d.pedal), InjectedS: o.pendS, Cause: o.pendCause}
	o.pendS, o.pendCause = 0, ""
	o.apply = nil
}

func (o *observer) applies() {
	p, c := o.s.p, o.s.c
	if c.mode == modeSlip && c.modeS == 0 && c.fillS > 0.10 {
		o.apply = &drive.Apply{Rise: o.s.now(), LateS: milli(c.closedLateS), Gear: c.gear, Kmh: milli(p.kmh()), SlipBefore: milli(p.slipRPM()),
			EngineAt: p.engineRPM(), EngineMin: p.engineRPM()}
		o.applyS = 0
	}
	a := o.apply
	if a == nil {
		return
	}
	a.EngineMin = math.Min(a.EngineMin, p.engineRPM())
	a.CommandMax = math.Max(a.CommandMax, c.command)
	o.applyS += tick
	if a.Done == 0 && p.slipRPM() < o.s.v.Clutch.SlipRPM+10 {
		a.Done, a.AskedSlip, o.applyS = o.s.now(), o.s.v.Clutch.SlipRPM, 0
	}
	if a.Done > 0 && o.applyS > 0.5 || o.applyS > 8 {
		o.t.Applies = append(o.t.Applies, *a)
		o.apply = nil
	}
}

func (o *observer) shifts() {
	p, c := o.s.p, o.s.c
	switch {
	case c.phase == phasePrepare && o.shift == nil:
		o.shift = &drive.Shift{Begin: o.s.now(), From: c.gear, To: c.target, Engaged: c.mode != modeOpen && p.capacity > 8,
			CommandWas: c.command, CommandMin: c.command, PedalPct: milli(100 * o.s.d.pedal), EngineBefore: milli(p.engineRPM())}
	case c.phase == phaseRatio && c.phaseS == 0 && o.shift != nil:
		o.shift.Begin = o.s.now()
	case c.phase == phaseSettle && o.shift != nil && o.shift.End == 0:
		o.shift.End = o.s.now()
	case c.phase == phaseNone && o.shift != nil:
		if o.shift.End > 0 {
			o.t.Shifts = append(o.t.Shifts, *o.shift)
		}
		o.shift = nil
	}
}

// slips watches slip that is held on the road.
func (o *observer) slips() {
	p, c := o.s.p, o.s.c
	slip := p.slipRPM()
	o.slipSlow += (slip - o.slipSlow) * tick / 0.4
	asked := c.mode == modeSlip && c.hill
	from := 15.0
	if o.slip != nil {
		from = 8 // it may come and go
	}
	// A clutch that is still closing slips as it should.
	applying := o.apply != nil && o.apply.Done == 0
	unasked := !math.IsInf(p.mostNm, 1) && !asked && c.mode != modeOpen && !applying && o.slipSlow > from && p.kmh() > 15
	if x := o.slip; x != nil && (x.Asked != asked || !asked && !unasked) {
		o.endSlip()
	}
	if o.slip == nil && (asked || unasked) {
		o.slip = &drive.Slip{From: o.s.now(), Asked: asked, Gear: c.gear, Kmh: milli(p.kmh())}
		o.slipN = 0
	}
	if x := o.slip; x != nil {
		x.Kmh = math.Min(x.Kmh, milli(p.kmh()))
		x.Mean += slip
		x.Peak = math.Max(x.Peak, milli(slip))
		x.Target = milli(c.want)
		o.slipN++
	}
}

func (o *observer) endSlip() {
	x := o.slip
	o.slip = nil
	x.To, x.Mean = o.s.now(), milli(x.Mean/o.slipN)
	if x.To-x.From > bus.Second/2 {
		o.t.Slips = append(o.t.Slips, *x)
	}
}

// feltMps2 is the burst of the body's acceleration from which it is felt:
// passengers notice 0.5 to 1 m/s² (common practice, no source).
const feltMps2 = 0.9

// jolts watches bursts of the body's acceleration: by how much it leaves the
// mean of what it was 0.4 s before and what it is 0.4 s after.
func (o *observer) jolts() {
	n := len(o.mean)
	o.mean[o.at] = o.s.p.accel
	o.at = (o.at + 1) % n
	burst := o.mean[(o.at+n/2)%n] - (o.mean[o.at]+o.mean[(o.at+n-1)%n])/2
	if math.Abs(burst) < feltMps2 {
		return
	}
	at := o.s.now() - 400_000
	if k := len(o.t.Jolts); k > 0 && at-o.t.Jolts[k-1].To < bus.Second {
		x := &o.t.Jolts[k-1]
		x.To, x.Value = at, math.Max(x.Value, milli(math.Abs(burst)))
		return
	}
	o.t.Jolts = append(o.t.Jolts, drive.Span{From: at, To: at, What: "felt", Value: milli(math.Abs(burst)), Kmh: milli(o.s.p.kmh())})
}

// finish closes what is open at the end of the trip.
func (o *observer) finish() {
	o.t.End = o.s.now()
	if o.rel != nil {
		o.endRelease()
	}
	if o.drive != nil {
		o.endDrive()
	}
	if o.slip != nil {
		o.endSlip()
	}
	if x := o.s.trip.SlipPerDay; x > 0 {
		o.t.Trends = append(o.t.Trends, drive.Trend{To: o.t.End, RPMPerDay: x})
	}
	if o.stateBegun {
		o.t.Intervals = append(o.t.Intervals, drive.Interval{From: o.stateFrom, To: o.t.End, State: o.state})
	}
}
