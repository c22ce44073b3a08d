package drive

// driver follows the steps: it turns a wanted speed into pedal and brake with
// the smoothness and the wander of a person. It runs every 10 ms.
type driver struct {
	v     *Vehicle
	rnd   *random
	steps []Step
	at    int     // current step
	inFor float64 // seconds in it
	begun bool
	fresh bool // a step has just begun

	ref      float64 // wanted speed now, m/s
	refRate  float64 // m/s²
	wander   float64
	integral float64
	pedal    float64 // 0…1
	brake    float64 // N
	braking  bool
	keyOn    bool
	mark     float64
	selector int
	grade    float64
	gradeTo  float64
	friction float64
	restart  float64 // seconds since a stall
	extra    float64 // brake of the last metre of a stop, N
	// stopped is how long the vehicle has stood with the brake on.
	stopped float64
}

// run moves the driver on; it returns false when the steps are done.
func (d *driver) run(p *plant) bool {
	if d.at >= len(d.steps) {
		return false
	}
	s := &d.steps[d.at]
	if !d.begun {
		d.begin(s, p)
	}
	d.inFor += controlStep
	d.grade += clamp(d.gradeTo-d.grade, -1.5*controlStep, 1.5*controlStep)
	d.mark = clamp(d.mark-controlStep, 0, 10)
	v := mul(p.kmh(), 1/3.6)
	d.wander += mul(d.rnd.normal(), 0.012) - mul(d.wander, 0.004)
	if d.restarting(p) {
		return true
	}
	done := d.do(s, p, v)
	d.stopStart(p, v)
	if done {
		d.at++
		d.begun = false
	}
	return d.at < len(d.steps)
}

// restarting deals with a stalled engine: neutral, start again, go on.
func (d *driver) restarting(p *plant) bool {
	if d.keyOn && !p.running && !p.cranking && !p.fuelOff {
		d.restart += controlStep
		d.selector = selectNeutral
		d.pedal = 0
		d.brake = mul(0.4, d.v.BrakeMax)
		if d.restart > 2.5 {
			p.cranking = true
		}
		return true
	}
	if d.restart > 0 && p.running {
		d.restart += controlStep
		if d.restart > 4.5 {
			d.restart = 0
			d.selector = selectDrive
		}
		return true
	}
	return false
}

// do works on a step at a speed of v m/s, and says whether it is done.
func (d *driver) do(s *Step, p *plant, v float64) (done bool) {
	late := d.inFor >= s.ForS
	switch s.Do {
	case "start":
		d.hold()
		if late {
			d.selector = selectDrive
		}
		return late
	case "drive":
		d.selector = selectDrive
		d.follow(p, v, s.ToKmh/3.6, or(s.Accel, 1.1))
		return late && (abs(v-s.ToKmh/3.6) < 0.6 || d.inFor > s.ForS+60)
	case "stop":
		return d.stop(p, v, or(s.Accel, 1.3), s.ForS)
	case "pedal":
		d.roll(v, d.pedal+mul(s.PedalPct/100-d.pedal, 0.12))
		return late || s.ToKmh > 0 && v >= s.ToKmh/3.6
	case "lift":
		d.roll(v, clamp(d.pedal-0.03, 0, 1))
		return late || v <= s.ToKmh/3.6
	case "neutral":
		blip := 0.0
		if d.inFor > 1 && d.inFor < 2 {
			blip = s.PedalPct / 100
		}
		d.roll(v, d.pedal+mul(blip-d.pedal, 0.1))
		d.selector = selectNeutral
		if late {
			d.selector = selectDrive
		}
		return late
	case "reverse":
		return d.reverse(s, p, v)
	case "off":
		d.hold()
		d.keyOn, d.selector = false, selectPark
		p.running, p.fuelOff = false, true
		return late
	case "mark":
		d.mark = 0.7
		return true
	}
	return false
}

// roll holds the pedal, off the brake, whatever the speed.
func (d *driver) roll(v, pedal float64) {
	d.pedal, d.brake, d.braking, d.ref = pedal, 0, false, v
}

// reverse selects reverse, drives back and stops.
func (d *driver) reverse(s *Step, p *plant, v float64) (done bool) {
	if d.inFor < 1 {
		d.hold()
		return false
	}
	d.selector = selectReverse
	if d.inFor < 1+s.ForS {
		e := s.ToKmh/3.6 + v // v is negative
		d.brake, d.braking = 0, false
		d.pedal = clamp(d.pedal+clamp(mul(e, 0.2)-d.pedal, -0.01, 0.005), 0, 0.35)
		return false
	}
	d.pedal = 0
	d.brake = mul(2.2, p.mass)
	d.braking = true
	if abs(v) >= 0.02 {
		return false
	}
	d.selector = selectDrive
	return d.inFor > 3+s.ForS
}

func or(x, otherwise float64) float64 {
	if x == 0 {
		return otherwise
	}
	return x
}

// begin takes up a step.
func (d *driver) begin(s *Step, p *plant) {
	d.begun, d.fresh, d.inFor = true, true, 0
	if s.Grade != nil {
		d.gradeTo = *s.Grade
	}
	if s.Friction != nil {
		d.friction = *s.Friction
	}
	d.ref = mul(p.kmh(), 1/3.6)
	d.extra = 0
	if s.Do != "drive" {
		d.integral = 0
	}
	if s.Do == "start" {
		d.keyOn, d.selector = true, selectPark
		p.fuelOff, p.cranking = false, true
	}
}

// hold stands on the brake.
func (d *driver) hold() {
	d.pedal = 0
	d.brake, d.braking = mul(0.3, d.v.BrakeMax), true
}

// stopStart stops the engine at a standstill where the vehicle does so.
func (d *driver) stopStart(p *plant, v float64) {
	if !d.v.StopStart || !d.keyOn {
		return
	}
	if abs(v) < 0.05 && d.braking && d.selector == selectDrive {
		d.stopped += controlStep
	} else {
		d.stopped = 0
	}
	if d.stopped > 1.5 && p.running {
		p.running, p.fuelOff = false, true
	}
	if p.fuelOff && !d.braking && !p.cranking && !p.running {
		p.fuelOff, p.cranking = false, true
	}
}

// follow drives towards and along a speed.
func (d *driver) follow(p *plant, v, to, accel float64) {
	want := clamp((to-d.ref)*0.8, -accel, accel)
	d.refRate += clamp(want-d.refRate, -1.5*controlStep, 1.5*controlStep)
	d.ref += mul(d.refRate, controlStep)
	// Never far ahead of what the vehicle can do.
	d.ref = clamp(d.ref, v-2, v+1.5)
	aim := d.ref + mul(d.wander, 0.6)
	e := aim - v
	d.integral = clamp(d.integral+mul(mul(e, 0.12), controlStep), -0.5, 0.8)
	a := d.refRate + mul(e, 0.55) + d.integral
	d.apply(p, v, a)
}

// stop brakes to a standstill and waits.
func (d *driver) stop(p *plant, v, decel, wait float64) bool {
	if v > 0.02 {
		d.ref = clamp(d.ref-mul(decel, controlStep), 0, 1e9)
		e := d.ref - v
		a := -decel + mul(e, 0.9)
		if d.ref == 0 {
			a = -decel
		}
		d.apply(p, v, clamp(a, -7, -0.3))
		d.pedal = clamp(d.pedal-0.04, 0, 1)
		if d.ref == 0 && d.pedal == 0 {
			// The last metre: press on against the converter's creep.
			d.extra += mul(mul(1.2, p.mass), controlStep)
			d.braking = true
			d.brake = clamp(d.brake+d.extra, 0, d.v.BrakeMax)
		}
		d.inFor = 0
		return false
	}
	d.hold()
	return d.inFor >= wait
}

// apply turns a wanted acceleration into pedal or brake.
func (d *driver) apply(p *plant, v, a float64) {
	veh := d.v
	resist := mul(mul(0.6, veh.DragArea), mul(v, v)) + mul(mul(p.mass, gravity), veh.RollingCoefficient+d.grade/100)
	force := mul(mul(1.06, p.mass), a) + resist
	ratio := abs(p.gearRatio)
	if ratio < 0.1 {
		ratio = 1
	}
	rpm := mul(p.engine, radToRPM)
	if rpm < 900 {
		rpm = 900
	}
	most := veh.maxTorque(rpm)
	drag := veh.FrictionNm + mul(veh.FrictionSlope, rpm)
	torque := mul(force, p.toForce) / ratio
	want := (torque + drag) / (most + drag)
	// Brake and pedal never together; some hysteresis between them.
	limit := mul(-0.25, p.mass)
	if d.braking {
		limit = mul(-0.02, p.mass)
	}
	brakeForce := force + mul(drag, ratio)/p.toForce
	if brakeForce < limit && want < 0.02 {
		d.braking = true
		d.brake += clamp(clamp(-brakeForce, 0, veh.BrakeMax)-d.brake, -mul(veh.BrakeMax, 0.02), mul(veh.BrakeMax, 0.008))
		d.pedal = 0
		return
	}
	d.braking, d.brake = false, 0
	if want < 0.015 {
		want = 0
	}
	if want > 0.97 {
		want = 0.97
	}
	step := clamp(mul(want-d.pedal, 0.05), -0.012, 0.008)
	if spin := mul(p.wheel-p.body, p.toForce); spin > 1+mul(0.1, v) {
		step = -0.03 // the wheels spin: ease off
	}
	d.pedal = clamp(d.pedal+step, 0, 1)
	if d.pedal < 0.004 && want == 0 {
		d.pedal = 0
	}
}
