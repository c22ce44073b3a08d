package drive

// selector positions.
const (
	selectPark = iota
	selectReverse
	selectNeutral
	selectDrive
)

// clutch modes of the controller.
type clutchMode uint8

const (
	modeOpen clutchMode = iota
	modePartial
	modeClosed
	modeCoast
)

// controller is the transmission controller. It runs every 10 ms.
type controller struct {
	v        *Vehicle
	selector int
	gear     int // 1…; also while in neutral
	mode     clutchMode
	modeFor  float64 // seconds in the mode
	command  float64 // kPa
	slipWant float64
	integral float64
	// fill is what is left of an apply's first pulse, s.
	fill float64

	shift     shiftPhase
	shiftFor  float64
	shiftFrom int
	shiftTo   int
	sinceGear float64
	engaged   bool // in gear since neutral
	engageFor float64
	flareFor  float64 // fault: hold off of the oncoming clutch

	loadSlow, pedalSlow, pedalRate float64
	// turbineRate is how fast the turbine falls with the road speed, rpm/s.
	wheelSlow, wheelRate, turbineRate float64
	closeWish                         float64
	hill                              int // 0 none, 1 slight, 2 steep
	hillFor                           float64
	secondOpen                        bool
	stopRelease                       bool
	// fell is set for the period in which the command fell, with the reason.
	fell   string
	fluidC float64
	// lateS is by how much the decision to let go in a stop comes late (a
	// fault), and overdueS what of it has passed.
	lateS, overdueS float64
	// closeLateS is by how much that to close comes late (a fault), waitedS what of it
	// has passed, and closedLateS what it was at the last apply.
	closeLateS, waitedS, closedLateS float64
}

type shiftPhase uint8

const (
	shiftNone shiftPhase = iota
	shiftPrepare
	shiftInertia
	shiftSettle
)

const controlStep = 0.010 // s

// run decides on gear and clutch from the plant's speeds.
func (c *controller) run(p *plant, pedal float64, braking bool, fluidC float64) {
	v := c.v
	c.fell = ""
	c.fluidC = fluidC
	turbine := mul(p.turbine, radToRPM)
	engine := mul(p.engine, radToRPM)
	kmh := p.kmh()
	pct := mul(pedal, 100)
	before := c.wheelSlow
	c.wheelSlow += mul(mul(p.wheel, radToRPM)-c.wheelSlow, 0.12)
	c.wheelRate += mul((c.wheelSlow-before)/controlStep-c.wheelRate, 0.08)
	c.turbineRate = mul(c.wheelRate, v.Ratios[c.gear-1])
	was := c.pedalSlow
	c.pedalSlow += mul(pct-c.pedalSlow, 0.05)
	c.pedalRate += mul(abs(c.pedalSlow-was)/controlStep-c.pedalRate, 0.05)
	load := clamp(p.load/v.maxTorque(engine), -1, 1)
	c.loadSlow += mul(load-c.loadSlow, 0.01)
	c.modeFor += controlStep
	c.sinceGear += controlStep

	c.gears(p, kmh, pct, braking)
	p.oneWay = c.selector == selectDrive && (c.gear == 1 && c.shift != shiftInertia || c.shift == shiftInertia && c.shiftTo == 1)
	c.clutch(p, engine, turbine, kmh, pct, braking)
	p.command = c.command
}

// gears chooses the gear and works the gearset's clutch through shifts.
func (c *controller) gears(p *plant, kmh, pct float64, braking bool) {
	v := c.v
	switch {
	case c.selector == selectReverse:
		p.gearRatio = -v.Reverse
		c.engage(p)
		return
	case c.selector != selectDrive:
		// The gear follows the road, so that the way back to drive is soft.
		p.gearCap = 1.5
		c.gear, c.shift, c.engaged = 1, shiftNone, false
		for c.gear < len(v.Ratios) && mul(mul(p.wheel, radToRPM), v.Ratios[c.gear-1]) > v.Control.DownRPM+700 {
			c.gear++
		}
		return
	case !c.engaged:
		p.gearRatio = v.Ratios[c.gear-1]
		c.engage(p)
		return
	}
	c.shiftFor += controlStep
	switch c.shift {
	case shiftNone:
		p.gearRatio, p.gearCap = v.Ratios[c.gear-1], 3000
		if want := c.wantGear(p, kmh, pct, braking); want != c.gear {
			c.shift, c.shiftFor, c.shiftFrom, c.shiftTo = shiftPrepare, 0, c.gear, want
		}
	case shiftPrepare:
		if c.shiftFor >= 0.20 {
			c.beginInertia(p)
		}
	case shiftInertia:
		c.inertia(p)
	case shiftSettle:
		if c.shiftFor >= 0.30 {
			c.shift = shiftNone
		}
	}
}

// wantGear is the gear that the speed asks for. It decides as the output shaft sees
// it, so that converter slip and gearset faults do not shift.
func (c *controller) wantGear(p *plant, kmh, pct float64, braking bool) int {
	v, ct := c.v, &c.v.Control
	up := ct.UpRPM + mul(ct.UpPedal, pct)
	if c.gear >= 4 {
		up = ct.UpRPM + mul(mul(0.55, ct.UpPedal), pct)
	}
	down := ct.DownRPM + mul(ct.DownPedal, pct)
	in := mul(mul(p.wheel, radToRPM), v.Ratios[c.gear-1])
	want := c.gear
	if c.gear < len(v.Ratios) && c.sinceGear > 1.2 && !braking {
		next := mul(in, v.Ratios[c.gear]/v.Ratios[c.gear-1])
		if in > up && next > down+80 {
			want++
		}
	}
	if c.gear > 1 && c.sinceGear > 1.0 && in < down && (c.gear != 2 || kmh < mul(ct.ApplyKmh, 0.6)) {
		want--
	}
	return want
}

// beginInertia hands over to the next gear's clutch.
func (c *controller) beginInertia(p *plant) {
	v := c.v
	c.shift, c.shiftFor = shiftInertia, 0
	p.gearRatio = v.Ratios[c.shiftTo-1]
	delta := abs(p.turbine - mul(p.gearRatio, p.wheel))
	j := v.TurbineInertia
	if p.capacity > 20 {
		j += v.EngineInertia
	} else {
		j += mul(0.3, v.EngineInertia)
	}
	p.gearCap = mul(1.05, abs(p.gear)) + mul(j, delta/v.Control.ShiftTime) + 15
}

// inertia waits until the turbine turns as the next gear has it.
func (c *controller) inertia(p *plant) {
	late := c.shiftFor > c.v.Control.ShiftTime
	if c.flareFor > 0 {
		c.flareFor -= controlStep
		hold := p.gearCap
		p.gearCap = 2
		if c.flareFor <= 0 {
			p.gearCap = hold + 200
		}
	} else if late {
		p.gearCap += 10
	}
	if (abs(p.turbine-mul(p.gearRatio, p.wheel)) < 0.3 && c.flareFor <= 0) || (c.shiftTo == 1 && late) {
		c.shift, c.shiftFor, c.gear, c.sinceGear = shiftSettle, 0, c.shiftTo, 0
		p.gearCap = 3000
	}
}

// engage takes up the gear from neutral over some tenths of a second.
func (c *controller) engage(p *plant) {
	if c.engaged {
		return
	}
	// Firmer with time, so that a pedal pressed early does not slip it.
	c.engageFor += controlStep
	p.gearCap = mul(mul(0.22, c.v.maxTorque(1500)), 1+mul(6, clamp(c.engageFor-0.4, 0, 10)))
	if abs(p.turbine-mul(p.gearRatio, p.wheel)) < 0.3 {
		c.engaged, c.engageFor = true, 0
		p.gearCap = 3000
	}
}

// open gives the clutch up, for a reason.
func (c *controller) open(reason string) {
	if c.mode != modeOpen {
		c.fell = reason
		c.mode, c.modeFor = modeOpen, 0
	}
}

// clutch chooses the clutch's mode and command.
func (c *controller) clutch(p *plant, engine, turbine, kmh, pct float64, braking bool) {
	slip := engine - turbine
	release := c.releaseRPM()
	c.holdOpen(turbine, release, pct, braking)
	reason := c.openReason(turbine, kmh, pct)
	if reason == "stop" && c.mode != modeOpen && c.overdueS < c.lateS {
		c.overdueS += controlStep
		reason = ""
	}
	if reason != "" {
		c.open(reason)
		c.command, c.integral, c.overdueS, c.waitedS = 0, 0, 0, 0
		return
	}
	if c.mode == modeOpen {
		if c.modeFor < 0.4 || (pct < 3 && turbine < release+250) || c.shift != shiftNone {
			c.command = 0
			return
		}
		if c.waitedS < c.closeLateS {
			c.waitedS += controlStep
			c.command = 0
			return
		}
		c.closedLateS, c.waitedS = c.waitedS, 0
		c.mode, c.modeFor = modePartial, 0
		c.fill, c.integral = 0.16, 0
		c.slipWant = slip
	}
	c.chooseMode(p, slip, kmh, pct)
	c.command = c.throughShift(p, c.pressure(p, engine, slip))
}

// releaseRPM is the turbine speed below which the clutch opens in a stop.
func (c *controller) releaseRPM() float64 {
	release := c.v.IdleRPM + c.v.Control.ReleaseAbove
	if c.falling() {
		release += mul(c.v.Control.ReleaseLead, -c.turbineRate)
	}
	return release
}

func (c *controller) falling() bool { return c.turbineRate < -20 }

// holdOpen decides whether the clutch stays open for a stop, or in second gear.
func (c *controller) holdOpen(turbine, release, pct float64, braking bool) {
	ct := &c.v.Control
	if pct < 1 && turbine < release && (c.falling() || turbine < c.v.IdleRPM+30) {
		c.stopRelease = true
	}
	if c.stopRelease && pct > 3 && !braking {
		c.stopRelease = false
	}
	if ct.OpenSecondPedal > 0 && c.gear == 2 && c.shift == shiftNone &&
		pct > ct.OpenSecondPedal && turbine < ct.OpenSecondRPM-80 && turbine > 900 && c.pedalRate > 15 && c.sinceGear > 1.5 {
		c.secondOpen = true
	}
	if turbine > ct.OpenSecondRPM || pct < ct.OpenSecondPedal-8 || c.gear != 2 {
		c.secondOpen = false
	}
}

// openReason is why the clutch has to be open; "" where it may be engaged.
func (c *controller) openReason(turbine, kmh, pct float64) string {
	ct := &c.v.Control
	switch {
	case c.selector != selectDrive:
		return "selector"
	case c.fluidC < ct.ClosedAboveC:
		return "cold"
	case c.stopRelease:
		return "stop"
	case c.secondOpen:
		return "under-drive"
	case pct > 85 && c.gear <= 3:
		return "kickdown"
	case kmh < ct.ApplyKmh-2 || c.mode == modeOpen && kmh < ct.ApplyKmh || turbine < c.v.IdleRPM-60:
		if pct < 1 {
			return "stop"
		}
		return "slow"
	}
	return ""
}

// chooseMode chooses how far the clutch is engaged.
func (c *controller) chooseMode(p *plant, slip, kmh, pct float64) {
	drive := pct >= 1
	if drive && p.load > 0 {
		if c.pedalRate < 5 && c.gear >= 2 && pct < 60 {
			c.closeWish += controlStep
		} else if c.pedalRate > 12 {
			c.closeWish = 0
		}
	}
	c.climb(kmh)
	next := modePartial
	switch {
	case !drive:
		next = modeCoast
	case c.hill == 0 && (c.closeWish > 1.5 || c.v.Control.PartialSlip == 0):
		next = modeClosed
	}
	if c.mode == modePartial && c.modeFor < 0.8 && next != modePartial {
		next = modePartial
	}
	if c.shift != shiftNone && next != modeCoast {
		next = c.mode // one thing at a time
	}
	if next != c.mode {
		c.mode, c.modeFor = next, 0
		if next == modePartial {
			// Take over where the pressure is.
			c.slipWant = slip
			c.integral = 0
		}
	}
}

// climb tells hills by the load in top gear, once it has lasted half a second.
func (c *controller) climb(kmh float64) {
	hill := 0
	if c.gear == len(c.v.Ratios) && kmh > 65 && c.v.Control.HillSlipSteep > 0 {
		switch {
		case c.loadSlow > 0.85 || (c.hill == 2 && c.loadSlow > 0.75):
			hill = 2
		case c.loadSlow > 0.62 || (c.hill >= 1 && c.loadSlow > 0.54):
			hill = 1
		}
	}
	if hill == c.hill {
		c.hillFor = 0
	} else if c.hillFor += controlStep; c.hillFor > 0.5 {
		c.hill, c.hillFor = hill, 0
	}
}

// targetSlip is the slip in rpm that a partly engaged clutch is to have.
func (c *controller) targetSlip() float64 {
	ct := &c.v.Control
	switch {
	case c.hill == 1:
		return ct.HillSlipSlight
	case c.hill == 2:
		return ct.HillSlipSteep
	case c.gear >= 3:
		return mul(0.6, ct.PartialSlip)
	}
	return ct.PartialSlip
}

// pressure is what the mode takes, kPa.
func (c *controller) pressure(p *plant, engine, slip float64) float64 {
	ct, cl := &c.v.Control, &c.v.Clutch
	torque, touch := clamp(p.load, 0, 1e9), cl.TouchKPa
	var want float64
	switch c.mode {
	case modeClosed:
		want = clamp(touch+mul(1.3, torque)/cl.NmPerKPa, ct.ClosedKPa, 1e9)
	case modeCoast:
		want = mul(0.5, ct.ClosedKPa+touch)
	case modePartial:
		c.slipWant += mul(c.targetSlip()-c.slipWant, controlStep/0.30)
		e := slip - c.slipWant
		if c.shift == shiftNone {
			c.integral = clamp(c.integral+mul(mul(e, 0.45), controlStep), -200, 200)
		}
		if c.fill > 0 {
			c.fill -= controlStep
			return ct.ApplyKPa
		}
		// What the converter carries at the wanted slip is not the
		// clutch's.
		pump, _ := p.conv.torques(engine, engine-clamp(c.slipWant, 0, 500))
		want = touch + clamp(torque-pump, 0, 1e9)/cl.NmPerKPa + mul(e, 0.10) + c.integral
		return clamp(want, touch+9, 1000)
	}
	// Ramp, so that nothing jerks.
	return clamp(want, c.command-mul(900, controlStep), c.command+mul(500, controlStep))
}

// throughShift lets the pressure give way through a shift, but the clutch does not
// open.
func (c *controller) throughShift(p *plant, want float64) float64 {
	ct, cl := &c.v.Control, &c.v.Clutch
	full := clamp(mul(1.15, abs(p.lockup))/cl.NmPerKPa+cl.TouchKPa, 0, ct.ClosedKPa)
	switch c.shift {
	case shiftPrepare, shiftInertia:
		dip := ct.DipKPa
		if full > dip && abs(c.loadSlow) > 0.35 {
			dip = full
		}
		if want > dip {
			want = clamp(dip, c.command-mul(1500, controlStep), 1e9)
		}
	case shiftSettle:
		if want > ct.ReturnKPa && full < ct.ReturnKPa {
			want = ct.ReturnKPa
		}
	}
	return want
}
