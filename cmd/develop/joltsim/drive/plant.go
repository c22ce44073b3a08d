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
	v := p.v
	// Clutch pressure and capacity.
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
	if p.ventHold && c < p.heldCap {
		c = p.heldCap
	}
	if c < p.capFloor {
		c = p.capFloor
	}
	if c > p.capLimit {
		c = p.capLimit
	}
	if c > 0 {
		c = clamp(c+p.capShake, 0, 1e9)
	}
	p.capacity = c

	// What acts from outside.
	net := p.engineTorque(dt) + p.extraEngine
	p.load = net
	pump, out := p.conv.torques(mul(p.engine, radToRPM), mul(p.turbine, radToRPM))
	j1, j2 := v.EngineInertia, v.TurbineInertia
	p.engine += mul(net-pump, dt/j1)
	p.turbine += mul(out, dt/j2)
	speed := mul(p.body, p.toForce)
	force := mul(mul(-0.6, v.DragArea), mul(speed, abs(speed))) - mul(mul(p.mass, gravity), p.grade/100)
	force += mul(p.mass, p.extraBody)
	jb := p.jBody
	slipping := p.friction < 0.4
	if !slipping {
		jb += p.jWheel
	}
	before := p.body
	p.body += mul(mul(force, p.toForce), dt/jb)
	if !slipping {
		p.wheel = p.body
	}

	// Friction elements, by sequential impulses from the last step's values.
	i := p.gearRatio
	gcap := p.gearCap
	if gcap > p.gearLimit {
		gcap = p.gearLimit
	}
	rolling := mul(mul(p.mass, gravity), v.RollingCoefficient)
	bodyCap := mul(mul(p.brake, 1-v.DrivenShare)+rolling, p.toForce)
	wheelCap := mul(mul(p.brake, v.DrivenShare), p.toForce)
	tyreCap := mul(mul(mul(mul(p.friction, p.mass), gravity), v.DrivenShare), p.toForce)
	lock := clamp(p.lockup, -c, c)
	gmin := -gcap
	if p.oneWay {
		gmin = 0
	}
	gr := clamp(p.gear, gmin, gcap)
	var ty, wb float64
	bb := clamp(p.brakes, -bodyCap-wheelCap, bodyCap+wheelCap)
	jw := p.jWheel
	mLock := 1 / (1/j1 + 1/j2)
	var mGear, mTyre float64
	if slipping {
		bb = clamp(p.brakes, -bodyCap, bodyCap)
		ty = clamp(p.tyre, -tyreCap, tyreCap)
		mGear = 1 / (1/j2 + mul(i, i)/jw)
		mTyre = 1 / (1/jw + 1/jb)
		p.wheel += mul(mul(gr, i)-ty, dt/jw)
		p.body += mul(ty-bb, dt/jb)
	} else {
		bodyCap += wheelCap
		mGear = 1 / (1/j2 + mul(i, i)/jb)
		p.body += mul(mul(gr, i)-bb, dt/jb)
		p.wheel = p.body
	}
	p.engine -= mul(lock, dt/j1)
	p.turbine += mul(lock-gr, dt/j2)
	n := 4
	if slipping {
		n = 8
	}
	for k := 0; k < n; k++ {
		// Clutch: engine to turbine.
		d := mul(p.engine-p.turbine, mLock/dt)
		x := clamp(lock+d, -c, c)
		d = x - lock
		lock = x
		p.engine -= mul(d, dt/j1)
		p.turbine += mul(d, dt/j2)
		// Gearset: turbine to wheel.
		d = mul(p.turbine-mul(i, p.wheel), mGear/dt)
		x = clamp(gr+d, gmin, gcap)
		d = x - gr
		gr = x
		p.turbine -= mul(d, dt/j2)
		if slipping {
			p.wheel += mul(mul(d, i), dt/jw)
			d = mul(p.wheel, jw/dt)
			x = clamp(wb+d, -wheelCap, wheelCap)
			d = x - wb
			wb = x
			p.wheel -= mul(d, dt/jw)
			d = mul(p.wheel-p.body, mTyre/dt)
			x = clamp(ty+d, -tyreCap, tyreCap)
			d = x - ty
			ty = x
			p.wheel -= mul(d, dt/jw)
			p.body += mul(d, dt/jb)
		} else {
			p.body += mul(mul(d, i), dt/jb)
		}
		d = mul(p.body, jb/dt)
		x = clamp(bb+d, -bodyCap, bodyCap)
		d = x - bb
		bb = x
		p.body -= mul(d, dt/jb)
		if !slipping {
			p.wheel = p.body
		}
	}
	p.lockup, p.gear, p.tyre, p.brakes = lock, gr, ty, bb
	if p.engine < 0 {
		p.engine = 0
	}
	p.accel += mul(mul(p.body-before, p.toForce)/dt-p.accel, 0.05)
	if p.running && p.engine < 250*rpmToRad {
		p.running = false // stalled
	}
}
