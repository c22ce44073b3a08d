package elastic

import "math"

const step = 0.001 // s

// plant is the mechanics. Speeds in rad/s, torques in N·m, road speed in m/s.
type plant struct {
	v *Vehicle

	engine, turbine float64
	gearOut         float64 // the gearset's output
	wheel           float64
	twist           float64 // of the shaft, rad at the wheel
	road            float64 // m/s

	ratio, ratioRate float64 // turbine over gearOut, and its change
	linked           bool    // the gearset is engaged
	linkNm           float64 // what it may carry while it is being engaged

	// What is asked of it.
	pedal, brakeN, gradePct, grip float64
	command                       float64
	fuel, cranking                bool
	pushMps2                      float64
	lossNm                        float64 // torque that the engine lacks
	shiftNm                       float64 // torque that a shift takes or gives

	// The clutch's oil and its faults.
	pressure, touch, oilFactor float64
	heldNm, mostNm             float64
	valveS                     float64 // for which a valve stands where it is
	pumpFactor                 float64 // of a stator that does not hold; 0 it does
	shakeNm                    float64

	torque, governor, load float64
	running                bool
	capacity, carried      float64
	stuck                  bool
	accel                  float64 // of the body, m/s², smoothed over 20 ms
	roughNm, surgeNm       float64 // road on the wheel, combustion on the crank
}

func newPlant(v *Vehicle) *plant {
	return &plant{v: v, ratio: v.Box.Ratios[0], grip: 0.9, touch: v.Clutch.Touch, oilFactor: 1, mostNm: math.Inf(1)}
}

func clamp(x, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, x)) }

func (p *plant) engineRPM() float64  { return p.engine * radToRPM }
func (p *plant) turbineRPM() float64 { return p.turbine * radToRPM }
func (p *plant) slipRPM() float64    { return (p.engine - p.turbine) * radToRPM }
func (p *plant) kmh() float64        { return p.road * 3.6 }
func (p *plant) outputRPM() float64  { return p.gearOut * radToRPM }

// converter returns the torque that the pump takes and the one that the
// turbine gives, by the polynomials of Kotwicki (SAE paper 820393, 1982;
// coefficients from memory, N·m and rad/s), scaled for the vehicle. In overrun
// the parts are exchanged and carry 0.6 of it.
func (p *plant) converter() (pump, out float64) {
	a, b := p.engine, p.turbine
	sign := 1.0
	if b > a {
		a, b, sign = b, a, -0.6
	}
	b = math.Max(b, 0)
	coupled := -6.7644e-3*a*a + 32.0084e-3*a*b - 25.2440e-3*b*b
	k := p.v.Engine.ConverterScale * sign
	if b > 0.9*a || sign < 0 && b > 0.6*a {
		return k * math.Max(coupled, 0), k * math.Max(coupled, 0)
	}
	pump = 3.4325e-3*a*a + 2.2210e-3*a*b - 4.6041e-3*b*b
	out = 5.7656e-3*a*a + 0.3107e-3*a*b - 5.4323e-3*b*b
	if sign < 0 {
		return k * pump, k * pump
	}
	if p.pumpFactor > 0 {
		pump *= 1 + (p.pumpFactor-1)*(1-b/(0.9*a+1))
		return k * pump, k * pump
	}
	return k * pump, k * math.Max(out, pump)
}

// combustion moves the engine's own torque on and returns it net of friction.
func (p *plant) combustion() float64 {
	e := &p.v.Engine
	rpm := p.engineRPM()
	drag := e.FrictionNm + e.FrictionPerRPM*rpm
	switch {
	case p.cranking:
		p.torque, p.governor = 0, 0
		if rpm < 430 {
			return e.FrictionNm + 90*e.Inertia // the starter
		}
		p.cranking, p.running = false, p.fuel
	case !p.running || !p.fuel:
		p.running = false
		p.torque, p.governor = 0, 0
		if p.engine < 2 {
			p.engine *= 0.97
			return 0
		}
		return -drag
	}
	most := e.maxNm(rpm)
	under := e.IdleRPM - rpm
	p.governor = clamp(p.governor+0.9*e.GovernorNmPerRPM*under*step, -0.1*most, 0.3*most)
	want := math.Max(p.pedal*(most+drag), drag+p.governor+e.GovernorNmPerRPM*under)
	if p.pedal < 0.01 && rpm > e.IdleRPM+350 {
		want = 0 // fuel is cut in overrun
	}
	if rpm > 2.2*e.PeakRPM {
		want = 0
	}
	p.torque += (clamp(want, 0, most+drag) - p.torque) * step / e.LagS
	if rpm < 290 {
		p.running = false // it dies
	}
	return p.torque - drag - p.lossNm + p.shiftNm
}

// oil moves the clutch's pressure and works out what it can carry.
func (p *plant) oil() {
	c := &p.v.Clutch
	lag := c.FillS
	if p.command < p.pressure {
		lag = c.VentS
	}
	if p.valveS > 0 && p.command < p.pressure {
		p.valveS -= step
	} else {
		p.pressure += (p.command - p.pressure) * step / (lag * p.oilFactor)
	}
	p.capacity = math.Max(0, p.pressure-p.touch) / (1 - p.touch) * c.CapacityNm
	p.capacity = math.Min(math.Max(p.capacity, p.heldNm), p.mostNm)
	if p.capacity > 0 {
		p.capacity = math.Max(0, p.capacity+p.shakeNm)
	}
}

// step moves everything on by a millisecond.
func (p *plant) step() {
	p.oil()
	net := p.combustion() + p.surgeNm
	p.load = net
	pump, out := p.converter()
	shaft := p.shaft()
	p.drivetrain(net-pump, out, shaft)
	p.tyreAndBody(shaft)
	p.twist += (p.gearOut/p.v.final() - p.wheel) * step
}

// shaft returns the torque of the twisted shaft at the wheel.
func (p *plant) shaft() float64 {
	b := &p.v.Body
	return b.ShaftNmPerRad*p.twist + b.ShaftNms*(p.gearOut/p.v.final()-p.wheel)
}

// drivetrain solves engine, turbine and gearset for one step. With the gearset
// engaged the turbine's acceleration is alpha + beta times the clutch's torque;
// the clutch sticks if the torque that makes both speeds equal is within what
// it can carry.
func (p *plant) drivetrain(engineNm, turbineNm, shaftNm float64) {
	j1, j2 := p.v.Engine.Inertia, p.v.Box.TurbineInertia
	const jg = 0.02 // of the gearset's output
	load := shaftNm / p.v.final()
	var alpha, beta float64
	if p.linked {
		i := p.ratio
		j := jg + i*i*j2
		alpha = i*(i*(turbineNm-j2*p.ratioRate*p.gearOut)-load)/j + p.ratioRate*p.gearOut
		beta = i * i / j
	} else {
		link := p.link(turbineNm)
		alpha, beta = (turbineNm-link-0.02*p.turbine)/j2, 1/j2
		p.gearOut += (link*p.ratio - load) / (jg + 0.03) * step
	}
	need := ((p.engine-p.turbine)/step + engineNm/j1 - alpha) / (1/j1 + beta)
	p.carried = clamp(need, -p.capacity, p.capacity)
	p.stuck = p.carried == need && p.capacity > 0
	p.engine = math.Max(0, p.engine+(engineNm-p.carried)/j1*step)
	if !p.linked {
		p.turbine += (alpha + beta*p.carried) * step
		return
	}
	i := p.ratio
	p.gearOut += (i*(turbineNm+p.carried-j2*p.ratioRate*p.gearOut) - load) / (jg + i*i*j2) * step
	p.ratio += p.ratioRate * step
	p.turbine = p.ratio * p.gearOut
}

// link is the torque of the gearset's clutch while it is not locked: what a
// stiff friction element carries, up to linkNm.
func (p *plant) link(turbineNm float64) float64 {
	j2 := p.v.Box.TurbineInertia
	need := j2*(p.turbine-p.ratio*p.gearOut)/(20*step) + turbineNm
	return clamp(need, -p.linkNm, p.linkNm)
}

// tyreAndBody moves wheels and body. The tyre's force is its slip times a
// stiffness, solved implicitly since it is stiff at walking pace.
func (p *plant) tyreAndBody(shaftNm float64) {
	b := &p.v.Body
	r := b.WheelRadiusM
	weight := b.MassKg * gravity
	mw := b.WheelInertia / (r * r)
	c := b.TyrePerSlip * weight * b.DrivenShare / math.Max(math.Abs(p.road), 1.2)
	u := p.wheel * r
	free := (u + step/mw*((shaftNm+p.roughNm)/r+c*p.road)) / (1 + step*c/mw)
	tyre := clamp(c*(free-p.road), -p.grip*weight*b.DrivenShare, p.grip*weight*b.DrivenShare)
	u += step / mw * ((shaftNm+p.roughNm)/r - tyre)
	stop := step / mw * p.brakeN * b.DrivenShare
	if math.Abs(u) <= stop {
		u = 0
	} else {
		u -= math.Copysign(stop, u)
	}
	p.wheel = u / r

	force := tyre - 0.6*b.DragArea*p.road*math.Abs(p.road) - weight*p.gradePct/100 + b.MassKg*p.pushMps2
	before := p.road
	p.road += force / b.MassKg * step
	hold := step / b.MassKg * (p.brakeN*(1-b.DrivenShare) + b.Rolling*weight)
	if math.Abs(p.road) <= hold {
		p.road = 0
	} else {
		p.road -= math.Copysign(hold, p.road)
	}
	p.accel += ((p.road-before)/step - p.accel) * step / 0.02
}
