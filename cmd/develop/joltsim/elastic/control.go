package elastic

import (
	"math"
	"math/rand/v2"
)

const tick = 0.010 // s, of controller and driver

// selector positions.
const (
	park = iota
	reverse
	neutral
	forward
)

// mode of the clutch as the controller has it.
type mode uint8

const (
	modeOpen mode = iota
	modeSlip
	modeLock
)

// phase of a shift.
type phase uint8

const (
	phaseNone phase = iota
	phasePrepare
	phaseRatio
	phaseSettle
)

// control is the transmission controller.
type control struct {
	v        *Vehicle
	rnd      *rand.Rand
	selector int
	gear     int
	target   int // of the shift under way
	phase    phase
	phaseS   float64
	sinceS   float64 // since the last shift
	opening  bool    // this shift opens the clutch

	mode          mode
	modeS         float64
	command       float64
	want          float64 // slip asked, rpm
	integral      float64
	fillS         float64
	hill          bool
	steadyS       float64
	pedalSlow     float64
	pedalRate     float64
	loadSlow      float64
	turbineSlow   float64
	turbineRate   float64 // rpm/s, without shifts
	engageS       float64
	fell          string // reason, in the tick in which the command fell
	lateDecisionS float64
	// closeLateS, waitedS and closedLateS are the same of the decision to close.
	closeLateS, waitedS, closedLateS float64
	overdueS                         float64
}

func (c *control) run(p *plant, pedal float64, braking bool, fluidC float64) {
	c.fell = ""
	c.modeS += tick
	c.sinceS += tick
	was := c.pedalSlow
	c.pedalSlow += (100*pedal - c.pedalSlow) * 0.06
	c.pedalRate += (math.Abs(c.pedalSlow-was)/tick - c.pedalRate) * 0.05
	c.loadSlow += (p.load/c.v.Engine.maxNm(p.engineRPM()) - c.loadSlow) * 0.012
	shaft := p.outputRPM() * c.v.Box.Ratios[c.gear-1]
	c.turbineRate += ((shaft-c.turbineSlow)/0.25 - c.turbineRate) * 0.1
	c.turbineSlow += (shaft - c.turbineSlow) * tick / 0.25
	c.gears(p, 100*pedal, braking)
	c.clutch(p, 100*pedal, braking, fluidC)
	p.command = c.command
}

// gears engages the gearset and shifts it.
func (c *control) gears(p *plant, pct float64, braking bool) {
	b := &c.v.Box
	switch c.selector {
	case park, neutral:
		p.linked, p.linkNm, c.engageS, c.phase = false, 0, 0, phaseNone
		p.ratioRate, p.shiftNm = 0, 0
		c.gear = c.rolling(p)
		p.ratio = b.Ratios[c.gear-1]
		return
	case reverse:
		p.ratio, c.gear, c.phase = -b.Reverse, 1, phaseNone
	}
	if !p.linked {
		c.engage(p)
		return
	}
	if c.selector == reverse {
		return
	}
	c.phaseS += tick
	switch c.phase {
	case phaseNone:
		c.choose(p, pct, braking)
	case phasePrepare:
		if c.phaseS > 0.15 {
			c.phase, c.phaseS = phaseRatio, 0
		}
	case phaseRatio:
		c.moveRatio(p)
	case phaseSettle:
		if c.phaseS > 0.25 {
			c.phase, c.opening = phaseNone, false
		}
	}
}

// rolling is the gear that suits the road in neutral.
func (c *control) rolling(p *plant) int {
	g := 1
	for g < len(c.v.Box.Ratios) && p.outputRPM()*c.v.Box.Ratios[g-1] > c.v.Box.DownRPM+800 {
		g++
	}
	return g
}

// engage takes the gearset up from neutral, more firmly with time.
func (c *control) engage(p *plant) {
	if c.selector == forward && c.engageS == 0 {
		c.gear = c.rolling(p)
		p.ratio = c.v.Box.Ratios[c.gear-1]
	}
	c.engageS += tick
	p.linkNm = 0.3 * c.v.Engine.PeakNm * (0.3 + 4*math.Max(0, c.engageS-0.3))
	if math.Abs(p.turbine-p.ratio*p.gearOut) < 1.5 || c.engageS > 2 {
		p.linked, p.linkNm, c.engageS = true, 0, 0
		c.sinceS = 0
	}
}

// choose begins a shift where one is due; speeds are those of the output.
func (c *control) choose(p *plant, pct float64, braking bool) {
	b := &c.v.Box
	p.ratio, p.ratioRate = b.Ratios[c.gear-1], 0
	in := c.turbineSlow
	to := c.gear
	if c.gear < len(b.Ratios) && c.sinceS > 1.3 && !braking && in > b.UpRPM+b.UpPedal*pct &&
		in*b.Ratios[c.gear]/b.Ratios[c.gear-1] > b.DownRPM+b.DownPedal*pct+60 {
		to++
	}
	// Rolling up, it shifts down early, so that there is time before the clutch
	// lets go, and to first only when nearly standing.
	down := b.DownRPM + b.DownPedal*pct
	if pct < 2 && c.mode != modeOpen {
		down += 220
	}
	if c.gear > 1 && c.sinceS > 1.1 && in < down && !(c.gear == 2 && pct < 2 && p.kmh() > 5.5) {
		to--
	}
	if to == c.gear {
		return
	}
	c.target, c.phase, c.phaseS = to, phasePrepare, 0
	c.opening = c.v.Clutch.OpensDown && to < c.gear && pct > 12 && c.mode != modeOpen
}

// moveRatio leads the ratio along an S from the old gear's to the new one's.
func (c *control) moveRatio(p *plant) {
	b := &c.v.Box
	from, to := b.Ratios[c.gear-1], b.Ratios[c.target-1]
	x := c.phaseS / b.ShiftS
	if x >= 1 {
		p.ratio, p.ratioRate, p.shiftNm = to, 0, 0
		c.gear, c.phase, c.phaseS, c.sinceS = c.target, phaseSettle, 0, 0
		c.turbineSlow = p.outputRPM() * to
		return
	}
	p.ratioRate = (to - from) * 6 * x * (1 - x) / b.ShiftS
	// The engine helps: it gives most of what its own inertia takes.
	p.shiftNm = 0.8 * (c.v.Engine.Inertia + b.TurbineInertia) * p.ratioRate * p.gearOut
	if !p.running {
		p.shiftNm = 0
	}
}

// reason says why the clutch must be open, or nothing.
func (c *control) reason(p *plant, pct, fluidC float64) string {
	cl := &c.v.Clutch
	idle := c.v.Engine.IdleRPM
	release := idle + cl.ReleaseAbove + cl.ReleaseLeadS*math.Max(0, -c.turbineRate)
	switch {
	case c.selector != forward || !p.linked:
		return "selector"
	case fluidC < cl.ClosedAboveC:
		return "cold"
	case c.phase != phaseNone && !cl.LetsGoInShift && c.mode != modeOpen && p.turbineRPM() > idle+40 && p.kmh() > 7:
		return "" // one thing at a time
	case pct < 2 && c.turbineSlow < release && (c.turbineRate < -15 || c.turbineSlow < idle+60):
		return "stop"
	case pct > 82 && c.gear <= 4:
		return "kickdown"
	case p.kmh() < cl.ApplyKmh-2 || c.turbineSlow < idle-30:
		if pct < 2 {
			return "stop"
		}
		return "slow"
	}
	return ""
}

// clutch chooses the clutch's mode and its command.
func (c *control) clutch(p *plant, pct float64, braking bool, fluidC float64) {
	cl := &c.v.Clutch
	why := c.reason(p, pct, fluidC)
	if why == "stop" && c.mode != modeOpen && c.overdueS < c.lateDecisionS {
		c.overdueS += tick
		why = ""
	}
	if why != "" {
		if c.mode != modeOpen {
			c.fell = why
			c.mode, c.modeS = modeOpen, 0
		}
		c.command, c.integral, c.overdueS, c.waitedS = 0, 0, 0, 0
		return
	}
	if c.mode == modeOpen {
		// It closes again under pedal only.
		if c.modeS < 0.6 || p.kmh() < cl.ApplyKmh || c.phase != phaseNone || pct < 3 {
			c.command = 0
			return
		}
		if c.waitedS < c.closeLateS {
			c.waitedS += tick
			c.command = 0
			return
		}
		c.closedLateS, c.waitedS = c.waitedS, 0
		c.mode, c.modeS, c.fillS = modeSlip, 0, 0.12
		c.want, c.integral = math.Max(p.slipRPM(), 0), 0
	}
	c.wish(p, pct)
	c.press(p, pct)
}

// wish chooses between regulated slip and lock.
func (c *control) wish(p *plant, pct float64) {
	cl := &c.v.Clutch
	if c.pedalRate < 6 && c.phase == phaseNone {
		c.steadyS += tick
	} else if c.pedalRate > 15 {
		c.steadyS = 0
	}
	top := c.gear == len(c.v.Box.Ratios)
	switch {
	case cl.HillRPM == 0 || !top || p.kmh() < 55:
		c.hill = false
	case c.loadSlow > 0.66:
		c.hill = true
	case c.loadSlow < 0.5:
		c.hill = false
	}
	next := c.mode
	switch {
	case c.hill:
		next = modeSlip
	case pct < 1 || cl.SlipRPM == 0 && c.modeS > 0.7 || c.steadyS > 1.2 && c.modeS > 0.9:
		next = modeLock
	case c.pedalRate > 25 && cl.SlipRPM > 0 && c.gear < len(c.v.Box.Ratios):
		next = modeSlip
	}
	if c.phase == phaseNone && next != c.mode {
		c.mode, c.modeS = next, 0
		c.want, c.integral = math.Max(p.slipRPM(), 0), 0
	}
}

// press works out the command.
func (c *control) press(p *plant, pct float64) {
	cl := &c.v.Clutch
	perNm := (1 - cl.Touch) / cl.CapacityNm
	var want float64
	if c.mode == modeLock {
		want = math.Max(cl.LockLevel, cl.Touch+1.4*math.Abs(p.carried)*perNm)
		if pct < 1 {
			want = cl.CoastLevel
		}
		want = clamp(want, c.command-1.5*tick, c.command+0.9*tick)
	} else {
		aim := cl.SlipRPM
		if c.hill {
			aim = cl.HillRPM
		}
		c.want += (aim - c.want) * tick / 0.35
		off := p.slipRPM() - c.want
		if c.phase == phaseNone {
			c.integral = clamp(c.integral+0.5*off*perNm*tick, -0.25, 0.4)
		}
		// What the fluid carries is not the clutch's: near coupling the slope of
		// the converter's polynomial. More than that would feed slip back to
		// itself, and it would hunt between nothing and hundreds of rpm.
		fluid := 0.0185 * c.v.Engine.ConverterScale * p.engine * math.Max(0, p.slipRPM()/radToRPM)
		want = cl.Touch + perNm*(math.Max(0, p.load-fluid)+0.22*off) + c.integral
		want = clamp(want, cl.Touch*0.8, 1)
		if c.fillS > 0 {
			c.fillS -= tick
			want = math.Max(want, cl.Touch+0.12)
		}
	}
	if c.phase == phasePrepare || c.phase == phaseRatio {
		dip := math.Max(cl.DipLevel, cl.Touch+1.05*math.Abs(p.carried)*perNm*math.Min(1, math.Abs(c.loadSlow)/0.3))
		if c.opening {
			dip = 0
		}
		want = clamp(math.Min(want, dip), c.command-4*tick, 1)
	}
	c.command = clamp(want, 0, 1)
}
