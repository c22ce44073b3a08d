package drive

// plant is the vehicle's mechanics: engine, converter, clutch, gearset, wheels
// and body as inertias joined by friction elements, each of which sticks up to
// its capacity. Speeds in rad/s; wheel and body are referred to the output
// shaft.
type plant struct {
	v    *Vehicle
	conv *converterTable

	engine, turbine, wheel, body float64 // speeds
	jWheel, jBody                float64 // at the output shaft
	toForce                      float64 // output torque for 1 N at the road
	mass                         float64

	pressure  float64 // clutch, kPa
	torque    float64 // engine, indicated, N·m
	governor  float64 // idle governor's integral, N·m
	running   bool
	cranking  bool
	fuelOff   bool // stopped on purpose or by key
	gearRatio float64
	gearCap   float64 // capacity of the gearset's clutch, N·m at the turbine
	oneWay    bool    // first gear holds by a freewheel: it drives, it does not drag

	// Impulses of the last step over its length: the torques carried.
	lockup, gear, tyre, brakes float64

	// Inputs.
	pedal, brake, grade float64 // 0…1, N at the road, %
	friction            float64
	command             float64 // kPa
	extraEngine         float64 // misfire, N·m
	extraBody           float64 // m/s²
	capLimit            float64 // faults: limits of the lock-up capacity
	capFloor            float64
	capShake            float64
	gearLimit           float64
	ventHold            bool // plates stick: the capacity does not fall
	heldCap             float64
	fillExtra           float64
	ventFactor          float64 // cold oil and chance
	valveHold           float64 // s for which a valve stands where it is

	capacity float64 // of the clutch now, N·m
	accel    float64 // body, m/s²
	load     float64 // net engine torque at the crankshaft, N·m
}

func newPlant(v *Vehicle, extraKg float64) *plant {
	p := &plant{v: v, ventFactor: 1, conv: v.Converter.table(), friction: 0.9, gearRatio: v.Ratios[0]}
	p.mass = v.MassKg + extraKg
	p.toForce = v.WheelRadius / v.FinalDrive
	p.jBody = mul(p.mass, mul(p.toForce, p.toForce))
	p.jWheel = 3.0/mul(v.FinalDrive, v.FinalDrive) + 0.05
	p.capLimit, p.gearLimit = 1e9, 1e9
	return p
}

// kmh returns the road speed.
func (p *plant) kmh() float64 { return mul(mul(p.body, p.toForce), 3.6) }

func clamp(x, lo, hi float64) float64 {
	if x < lo {
		return lo
	}
	if x > hi {
		return hi
	}
	return x
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}

// engineTorque moves the engine's torque on by dt and returns it net of
// friction.
func (p *plant) engineTorque(dt float64) float64 {
	v := p.v
	rpm := mul(p.engine, radToRPM)
	drag := v.FrictionNm + mul(v.FrictionSlope, rpm)
	if p.engine <= 0.5 {
		drag = 0
		p.engine = clamp(p.engine, 0, 1e9)
	}
	if p.cranking {
		p.torque = 0
		if rpm < 300 {
			return 160 - mul(rpm, 0.2)
		}
		p.cranking, p.running = false, true
		p.governor = 0
	}
	if !p.running {
		p.torque = 0
		p.governor = 0
		if p.engine < 3 {
			p.engine = mul(p.engine, 0.98) // runs out against its compression
		}
		return -drag
	}
	most := v.maxTorque(rpm)
	want := mul(p.pedal, most+drag)
	// Idle governor: friction made up for, then proportional and integral,
	// never below zero fuel. Fuel is cut in overrun well above idle by the same
	// rule.
	gain := 0.002 * v.maxTorque(1500) // N·m for 1 rpm
	err := v.IdleRPM - rpm
	p.governor = clamp(p.governor+mul(mul(err, 0.7*gain), dt), 0, 0.35*most)
	idle := clamp(drag+p.governor+mul(err, gain), 0, 0.45*most+drag)
	if idle > want {
		want = idle
	}
	p.torque += mul(want-p.torque, clamp(dt/v.TorqueLag, 0, 1))
	if rpm > 4300 {
		p.torque = 0
	}
	return p.torque - drag
}

// step moves everything on by dt seconds.
func (p *plant) step(dt float64) {
	p.moveClutch(dt)
	before := p.body
	f := frictions{dt: dt, slipping: p.friction < 0.4}
	p.moveFreely(&f)
	p.join(&f)
	n := 4
	if f.slipping {
		n = 8
	}
	for range n {
		p.stick(&f)
	}
	p.lockup, p.gear, p.tyre, p.brakes = f.lock.torque, f.gear.torque, f.tyre.torque, f.body.torque
	p.engine = max(p.engine, 0)
	p.accel += mul(mul(p.body-before, p.toForce)/dt-p.accel, 0.05)
	if p.running && p.engine < 250*rpmToRad {
		p.running = false // stalled
	}
}

// moveClutch moves the clutch's pressure on, and works out its capacity.
func (p *plant) moveClutch(dt float64) {
	v := p.v
	lag := v.Clutch.FillLag + p.fillExtra
	if p.command < p.pressure {
		lag = mul(v.Clutch.VentLag, p.ventFactor)
	}
	if p.valveHold > 0 && p.command < p.pressure {
		p.valveHold -= dt
	} else {
		p.pressure += mul(p.command-p.pressure, clamp(dt/lag, 0, 1))
	}
	c := clamp(mul(p.pressure-v.Clutch.TouchKPa, v.Clutch.NmPerKPa), 0, 1e9)
	if p.ventHold {
		c = max(c, p.heldCap)
	}
	c = min(max(c, p.capFloor), p.capLimit)
	if c > 0 {
		c = clamp(c+p.capShake, 0, 1e9)
	}
	p.capacity = c
}

// joint is a friction element: it carries what makes its sides stick, as far as it
// can.
type joint struct{ torque, least, most float64 }

// add changes the torque by d as far as that goes, and returns by how much it did.
func (j *joint) add(d float64) float64 {
	was := j.torque
	j.torque = clamp(was+d, j.least, j.most)
	return j.torque - was
}

// carried is a joint that carries the torque of the last step, as far as least and
// most allow.
func carried(torque, least, most float64) joint {
	return joint{clamp(torque, least, most), least, most}
}

// frictions are the elements of one step of dt seconds: clutch, gearset, tyre, and
// the brakes of the driven wheels and of the rest. While the wheels do not slip,
// wheel and body are one.
type frictions struct {
	dt                            float64
	slipping                      bool
	jBody                         float64 // with the wheels where they do not slip
	lock, gear, tyre, wheel, body joint
	mLock, mGear, mTyre           float64 // the inertia that each works on
}

// moveFreely moves the inertias by what acts from outside.
func (p *plant) moveFreely(f *frictions) {
	net := p.engineTorque(f.dt) + p.extraEngine
	p.load = net
	pump, out := p.conv.torques(mul(p.engine, radToRPM), mul(p.turbine, radToRPM))
	p.engine += mul(net-pump, f.dt/p.v.EngineInertia)
	p.turbine += mul(out, f.dt/p.v.TurbineInertia)
	speed := mul(p.body, p.toForce)
	force := mul(mul(-0.6, p.v.DragArea), mul(speed, abs(speed))) - mul(mul(p.mass, gravity), p.grade/100)
	force += mul(p.mass, p.extraBody)
	f.jBody = p.jBody
	if !f.slipping {
		f.jBody += p.jWheel
	}
	p.body += mul(mul(force, p.toForce), f.dt/f.jBody)
	if !f.slipping {
		p.wheel = p.body
	}
}

// join begins sequential impulses with the last step's values.
func (p *plant) join(f *frictions) {
	v, i, dt, j1, j2 := p.v, p.gearRatio, f.dt, p.v.EngineInertia, p.v.TurbineInertia
	gearCap := min(p.gearCap, p.gearLimit)
	gearLeast := -gearCap
	if p.oneWay {
		gearLeast = 0
	}
	f.lock = carried(p.lockup, -p.capacity, p.capacity)
	f.gear = carried(p.gear, gearLeast, gearCap)
	f.mLock = 1 / (1/j1 + 1/j2)
	rolling := mul(mul(p.mass, gravity), v.RollingCoefficient)
	bodyCap := mul(mul(p.brake, 1-v.DrivenShare)+rolling, p.toForce)
	wheelCap := mul(mul(p.brake, v.DrivenShare), p.toForce)
	if f.slipping {
		tyreCap := mul(mul(mul(mul(p.friction, p.mass), gravity), v.DrivenShare), p.toForce)
		f.body = carried(p.brakes, -bodyCap, bodyCap)
		f.wheel = joint{0, -wheelCap, wheelCap}
		f.tyre = carried(p.tyre, -tyreCap, tyreCap)
		f.mGear = 1 / (1/j2 + mul(i, i)/p.jWheel)
		f.mTyre = 1 / (1/p.jWheel + 1/f.jBody)
		p.wheel += mul(mul(f.gear.torque, i)-f.tyre.torque, dt/p.jWheel)
		p.body += mul(f.tyre.torque-f.body.torque, dt/f.jBody)
	} else {
		f.body = carried(p.brakes, -bodyCap-wheelCap, bodyCap+wheelCap)
		f.mGear = 1 / (1/j2 + mul(i, i)/f.jBody)
		p.body += mul(mul(f.gear.torque, i)-f.body.torque, dt/f.jBody)
		p.wheel = p.body
	}
	p.engine -= mul(f.lock.torque, dt/j1)
	p.turbine += mul(f.lock.torque-f.gear.torque, dt/j2)
}

// stick is one round of impulses that draw the sides of each element together.
func (p *plant) stick(f *frictions) {
	i, dt, j2 := p.gearRatio, f.dt, p.v.TurbineInertia
	d := f.lock.add(mul(p.engine-p.turbine, f.mLock/dt))
	p.engine -= mul(d, dt/p.v.EngineInertia)
	p.turbine += mul(d, dt/j2)
	d = f.gear.add(mul(p.turbine-mul(i, p.wheel), f.mGear/dt))
	p.turbine -= mul(d, dt/j2)
	if f.slipping {
		p.wheel += mul(mul(d, i), dt/p.jWheel)
		d = f.wheel.add(mul(p.wheel, p.jWheel/dt))
		p.wheel -= mul(d, dt/p.jWheel)
		d = f.tyre.add(mul(p.wheel-p.body, f.mTyre/dt))
		p.wheel -= mul(d, dt/p.jWheel)
		p.body += mul(d, dt/f.jBody)
	} else {
		p.body += mul(mul(d, i), dt/f.jBody)
	}
	d = f.body.add(mul(p.body, f.jBody/dt))
	p.body -= mul(d, dt/f.jBody)
	if !f.slipping {
		p.wheel = p.body
	}
}
