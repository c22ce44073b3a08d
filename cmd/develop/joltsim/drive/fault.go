package drive

import "joltwatch/bus"

// faultState is one fault at work.
type faultState struct {
	f     *Fault
	on    bool
	over  bool
	begun float64
	count float64
	memo  float64
	turns float64
	armed bool
}

// slow switches the fault on and off and does what needs no millisecond.
func (x *faultState) slow(s *Sim) {
	f := x.f
	t := float64(s.ms) / 1000
	active := t >= f.AtS && (f.ForS == 0 || t < f.AtS+f.ForS)
	if active != x.on && !x.over {
		x.on = active
		if active {
			x.begun = t
			x.begin(s)
			s.obs.t.Injected = append(s.obs.t.Injected, Injected{From: s.now(), Fault: *f})
		} else {
			x.over = true
			x.end(s)
			x.mark(s)
		}
	}
	switch f.Kind {
	case "release-late", "release-drag", "oil-slow", "valve-slow", "command-late", "brake-late":
		x.release(s, t)
	case "apply-late":
		s.w.c.closeLateS = 0
		if x.on {
			s.w.c.closeLateS = f.Value
		}
	case "jolt":
		if x.on && t-x.begun < 0.15 {
			s.w.p.extraBody = f.Value
		} else if x.on || x.over && s.w.p.extraBody == f.Value {
			s.w.p.extraBody = 0
		}
	case "idle-stall", "one-way":
		if x.on && f.Kind == "one-way" {
			s.w.p.conv.pumpFactor, s.w.p.conv.multiplies = f.Value, false
		}
		x.choke(s)
	default:
		if x.on {
			x.engaged(s)
		}
	}
}

// release is what is wrong with releases; t is the time in s.
func (x *faultState) release(s *Sim, t float64) {
	f, p, c := x.f, s.w.p, s.w.c
	fell := x.on && c.fell != ""
	switch f.Kind {
	case "release-late":
		// Plates that stick once their oil is gone hold what they held, but
		// at least enough to drag the engine down.
		if fell && !p.ventHold {
			p.ventHold = true
			p.heldCap = clamp(p.capacity, mul(0.5, s.v.maxTorque(1500)), 1e9)
			x.count = t
			x.armed = true
			s.obs.injectRelease(f.Value, 0)
			s.obs.caused(CausePlates)
		}
		if x.armed && (t-x.count >= f.Value || c.mode != modeOpen) {
			p.ventHold, x.armed = false, false
		}
	case "release-drag":
		if fell {
			p.capFloor = f.Value
			x.armed, x.count = true, t
			s.obs.injectRelease(0, f.Value)
			s.obs.caused(CausePlates)
		}
		if x.armed && (c.mode != modeOpen || t-x.count > 8 || p.body < 0.5 && t-x.count > 3) {
			p.capFloor, x.armed = 0, false
		}
	case "oil-slow":
		if fell {
			p.ventFactor = mul(p.ventFactor, f.Value)
			s.obs.caused(CauseOil)
		}
	case "valve-slow":
		if fell {
			p.valveHold = f.Value
			s.obs.caused(CauseValve)
		}
	case "command-late", "brake-late":
		if x.on && c.fell == "stop" {
			s.obs.caused(CauseCommand)
		}
		c.lateS, s.w.brakeHides = 0, false
		if x.on {
			c.lateS, s.w.brakeHides = f.Value, f.Kind == "brake-late" && c.mode != modeOpen
		}
	}
}

// engaged is what is wrong with a clutch that is engaged or becomes so, or with the
// gearset.
func (x *faultState) engaged(s *Sim) {
	f, p, c := x.f, s.w.p, s.w.c
	switch f.Kind {
	case "unasked-slip", "partial-apply":
		if c.mode == modeOpen || p.load < 15 || c.shift != shiftNone {
			if c.mode == modeOpen || p.load < 15 {
				x.memo = 0
			}
			p.capLimit = 1e9
			break
		}
		if x.memo == 0 {
			x.memo = clamp(abs(p.lockup), 20, 1e9)
		}
		// Worn linings carry just so little that the slip settles at Value.
		over := mul(p.engine-p.turbine, radToRPM) - f.Value
		x.memo += mul(mul(0.5, over), controlStep)
		x.memo = clamp(x.memo, 5, 2000)
		p.capLimit = clamp(x.memo+mul(0.15, over), 2, 1e9)
	case "shudder":
		c.closeWish = 0 // it goes on slipping, where shudder lives
	case "slow-apply":
		p.fillExtra = f.Value
	case "flare":
		if c.shift == shiftPrepare && c.shiftTo > c.shiftFrom && c.shiftFor < 0.011 {
			c.flareFor = f.Value
			s.obs.injectFlare(f.Value)
		}
	case "gearset-slip":
		if c.shift != shiftNone || p.load < 5 || p.oneWay {
			p.gearLimit = 1e9
			x.memo = clamp(p.gear, 30, 1e9)
			break
		}
		over := mul(p.turbine-mul(p.gearRatio, p.wheel), radToRPM) - f.Value
		x.memo = clamp(x.memo+mul(mul(0.8, over), controlStep), 5, 3000)
		p.gearLimit = clamp(x.memo+mul(0.2, over), 2, 1e9)
	}
}

// choke draws the engine down once the vehicle is about to stand, now and then.
func (x *faultState) choke(s *Sim) {
	p := s.w.p
	x.armed = x.armed && p.running || p.kmh() > 10 // once a stop
	if x.on && x.armed && p.running && s.w.c.mode == modeOpen && s.w.d.braking && p.kmh() < 1.5 {
		p.extraEngine -= 3
	} else if !p.running || x.over {
		p.extraEngine = 0
	}
}

// fast is what shakes.
func (x *faultState) fast(s *Sim) {
	p := s.w.p
	var torque *float64
	acts := false
	switch x.f.Kind {
	case "shudder":
		torque = &p.capShake
		acts = p.capacity > 15 && abs(p.engine-p.turbine) > 0.3 && s.w.c.shift == shiftNone
	case "misfire":
		torque = &p.extraEngine
		acts = p.running
	default:
		return
	}
	if x.turns += x.f.Hz / 1000; x.turns > 1 {
		x.turns--
	}
	*torque = 0
	if acts {
		*torque = mul(x.f.Value, sine(x.turns))
		x.count++
	}
}

func (x *faultState) begin(s *Sim) {
	f, e := x.f, s.enc
	at := s.now()
	switch f.Kind {
	case "jolt":
		s.obs.t.Jolts = append(s.obs.t.Jolts, Span{From: at, To: at + 150_000, What: "push", Value: f.Value})
	case "dropout", "not-available", "stuck":
		x.set(s, true)
	case "noise":
		s.w.noise = f.Value
	case "silent":
		x.buses(s, false)
	case "bus-off":
		x.buses(s, false)
		e.queue(bus.NewNotice(at, 0, bus.NoticeBusOff, 1), 0)
	case "down":
		x.buses(s, false)
		e.queue(bus.NewNotice(at, 0, bus.NoticeDown, 1), 0)
	case "frames-lost":
		n := min(int(f.Value), len(e.pending))
		e.pending = e.pending[:len(e.pending)-n]
		e.queue(bus.NewNotice(at, 0, bus.NoticeDropped, int64(f.Value)), 0)
	case "error-frames":
		for k := 0; k < int(f.Value); k++ {
			// A protocol violation, linux/can/error.h: CAN_ERR_PROT.
			e.queue(bus.Frame{At: at + bus.Micros(k*700), Kind: bus.Error, ID: 0x8, Len: 8}, 0)
		}
	case "clock-jump":
		// Later frames are already put right, so only the notice shows.
		e.queue(bus.NewNotice(at, 0, bus.NoticeClockJump, int64(f.Value*1e6)), 0)
	}
}

func (x *faultState) end(s *Sim) {
	f, e := x.f, s.enc
	at := s.now()
	p := s.w.p
	switch f.Kind {
	case "dropout", "not-available", "stuck":
		x.set(s, false)
	case "noise":
		s.w.noise = 1
	case "silent":
		x.buses(s, true)
	case "bus-off":
		x.buses(s, true)
		e.queue(bus.NewNotice(at, 0, bus.NoticeRestarted, 1), 0)
	case "down":
		x.buses(s, true)
		e.queue(bus.NewNotice(at, 0, bus.NoticeUp, 1), 0)
	case "unasked-slip", "partial-apply":
		p.capLimit = 1e9
	case "slow-apply":
		p.fillExtra = 0
	case "gearset-slip":
		p.gearLimit = 1e9
	case "shudder":
		p.capShake = 0
	case "misfire":
		p.extraEngine = 0
	case "one-way":
		p.extraEngine = 0
		p.conv.pumpFactor, p.conv.multiplies = 1, true
	}
}

// mark closes the fault in the truth.
func (x *faultState) mark(s *Sim) {
	if x.count > 1500 && (x.f.Kind == "shudder" || x.f.Kind == "misfire") {
		// Felt for a second and a half at least.
		s.obs.t.Shakes = append(s.obs.t.Shakes, Span{From: s.start + bus.Micros(x.begun*1e6), To: s.now(),
			What: x.f.Kind, Value: round3(x.count / 1000), Hz: x.f.Hz})
	}
	for i := range s.obs.t.Injected {
		in := &s.obs.t.Injected[i]
		if in.Fault == *x.f && in.To == 0 {
			in.To = s.now()
			return
		}
	}
}

// set puts a message (or all, where none is named) into a state.
func (x *faultState) set(s *Sim, on bool) {
	for i := range s.enc.msgs {
		m := &s.enc.msgs[i]
		if x.f.On != "" && m.m.Name != x.f.On {
			continue
		}
		switch x.f.Kind {
		case "dropout":
			m.off = on
		case "not-available":
			m.na = on
		case "stuck":
			m.stuck = on
		}
	}
}

// buses silences the named interface, or all.
func (x *faultState) buses(s *Sim, on bool) {
	for i, name := range s.layout.Buses {
		if x.f.On == "" || x.f.On == name {
			s.enc.busOn[i] = on
		}
	}
}
