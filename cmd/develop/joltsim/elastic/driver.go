package elastic

import (
	"math"
	"math/rand/v2"
)

// Leg is one thing that the driver does.
//
//	start    starts the engine in park, waits ForS, selects drive
//	go       drives to Kmh with at most Accel and along it until ForS have passed
//	stop     brakes with Accel to a standstill and waits ForS
//	coast    lifts the pedal until Kmh or ForS
//	kick     presses the pedal to Kmh percent for ForS
//	roll     rolls in neutral for ForS
//	back     reverses for ForS
//	park     selects park and waits ForS
//	off      turns the key off for ForS
//	kill     turns the key off in drive, at a standstill, for ForS
type Leg struct {
	Do         string
	Kmh, Accel float64
	ForS       float64
	Grade      float64
	Mishap     *Mishap
}

// driver follows the legs.
type driver struct {
	v        *Vehicle
	rnd      *rand.Rand
	legs     []Leg
	at       int
	inS      float64
	begun    bool
	fresh    bool
	pedal    float64
	brakeN   float64
	braking  bool
	key      bool
	selector int
	grade    float64
	integral float64
	ref      float64
	wander   float64
	deadS    float64
	pressS   float64
}

// run moves the driver on by a tick; false after the last leg.
func (d *driver) run(p *plant) bool {
	if d.at >= len(d.legs) {
		return false
	}
	l := &d.legs[d.at]
	if !d.begun {
		d.begun, d.fresh, d.inS = true, true, 0
		d.ref, d.pressS = p.road, 0
		if l.Do == "start" {
			d.key, d.selector = true, park
			p.fuel, p.cranking = true, true
		}
	}
	d.inS += tick
	d.grade += clamp(l.Grade-d.grade, -0.012, 0.012)
	d.wander += d.rnd.NormFloat64()*0.010 - 0.004*d.wander
	if d.revive(p) {
		return true
	}
	if d.leg(l, p) {
		d.at++
		d.begun = false
	}
	return d.at < len(d.legs)
}

// revive starts an engine that has died.
func (d *driver) revive(p *plant) bool {
	switch {
	case d.key && !p.running && !p.cranking:
		d.deadS += tick
		d.selector, d.pedal = neutral, 0
		d.brakeN, d.braking = 0.4*d.v.Body.BrakeMaxN, true
		if d.deadS > 3 {
			p.cranking, p.fuel = true, true
		}
	case d.deadS > 0 && p.running:
		d.deadS += tick
		if d.deadS > 5 {
			d.deadS = 0
			d.selector = forward
		}
	default:
		return d.deadS > 0
	}
	return true
}

func (d *driver) hold() {
	d.pedal = 0
	d.brakeN, d.braking = 0.35*d.v.Body.BrakeMaxN, true
}

// leg does what the leg says and reports whether it is done.
func (d *driver) leg(l *Leg, p *plant) bool {
	switch l.Do {
	case "start":
		d.hold()
		if d.inS >= l.ForS {
			d.selector = forward
		}
		return d.inS >= l.ForS+1
	case "go":
		d.selector = forward
		d.follow(p, l.Kmh/3.6, l.Accel)
		return d.inS >= l.ForS && (math.Abs(p.kmh()-l.Kmh) < 3 || d.inS > l.ForS+40)
	case "stop":
		return d.stop(p, l)
	case "coast":
		d.pedal = math.Max(0, d.pedal-0.03)
		d.brakeN, d.braking = 0, false
		return d.inS >= l.ForS || p.kmh() <= l.Kmh
	case "kick":
		d.pedal += (l.Kmh/100 - d.pedal) * 0.12
		d.brakeN, d.braking = 0, false
		return d.inS >= l.ForS || p.kmh() > 115
	case "roll":
		d.pedal = math.Max(0, d.pedal-0.05)
		d.brakeN, d.braking, d.selector = 0, false, neutral
		if d.inS >= l.ForS {
			d.selector = forward
		}
		return d.inS >= l.ForS
	case "back":
		return d.back(p, l)
	case "park":
		d.hold()
		d.selector = park
		return d.inS >= l.ForS
	}
	d.hold() // off and kill
	d.key, p.fuel = false, false
	if l.Do == "off" {
		d.selector = park
	}
	return d.inS >= l.ForS
}

func (d *driver) back(p *plant, l *Leg) bool {
	if d.inS < 1 {
		d.hold()
		return false
	}
	d.selector = reverse
	if d.inS < l.ForS {
		d.brakeN, d.braking = 0, false
		d.pedal = clamp(d.pedal+clamp(0.15*(5/3.6+p.road)-d.pedal, -0.01, 0.004), 0, 0.3)
		return false
	}
	d.hold()
	if math.Abs(p.road) < 0.02 && d.inS > l.ForS+2 {
		d.selector = forward
		return true
	}
	return false
}

// follow drives towards a speed and along it.
func (d *driver) follow(p *plant, to, accel float64) {
	d.ref += clamp((to-d.ref)*0.7, -accel, accel) * tick
	d.ref = clamp(d.ref, p.road-2, p.road+1.6)
	off := d.ref + 0.6*d.wander - p.road
	d.integral = clamp(d.integral+0.1*off*tick, -0.5, 0.7)
	d.act(p, clamp((to-d.ref)*0.7, -accel, accel)+0.6*off+d.integral)
}

// stop brakes to a standstill and waits.
func (d *driver) stop(p *plant, l *Leg) bool {
	if p.road > 0.03 {
		d.ref = math.Max(0, d.ref-l.Accel*tick)
		d.integral = 0
		d.act(p, math.Min(-0.25, -l.Accel+0.8*(d.ref-p.road)))
		d.pedal = math.Max(0, d.pedal-0.04)
		if d.ref == 0 {
			d.pressS += tick
			d.pedal, d.braking = 0, true
			d.brakeN = math.Min(d.brakeN+1.1*p.v.Body.MassKg*d.pressS, d.v.Body.BrakeMaxN)
		}
		d.inS = 0
		return false
	}
	d.hold()
	return d.inS >= l.ForS
}

// act turns a wanted acceleration into pedal or brake.
func (d *driver) act(p *plant, a float64) {
	b, e := &d.v.Body, &d.v.Engine
	force := 1.05*b.MassKg*a + 0.6*b.DragArea*p.road*p.road + b.MassKg*gravity*(b.Rolling+d.grade/100)
	ratio := math.Max(0.3, math.Abs(p.ratio)) * d.v.final()
	rpm := math.Max(p.engineRPM(), 900)
	drag := e.FrictionNm + e.FrictionPerRPM*rpm
	most := e.maxNm(rpm)
	want := (force*b.WheelRadiusM/ratio + drag) / (most + drag)
	brake := -(force + drag*ratio/b.WheelRadiusM)
	from := 0.25 * b.MassKg
	if d.braking {
		from = 0.02 * b.MassKg
	}
	if brake > from && want < 0.02 {
		d.braking, d.pedal = true, 0
		d.brakeN += clamp(clamp(brake, 0, b.BrakeMaxN)-d.brakeN, -0.02*b.BrakeMaxN, 0.009*b.BrakeMaxN)
		return
	}
	d.braking, d.brakeN = false, 0
	if want < 0.02 {
		want = 0
	}
	d.pedal = clamp(d.pedal+clamp(0.05*(math.Min(want, 0.95)-d.pedal), -0.012, 0.008), 0, 1)
	if d.pedal < 0.006 && want == 0 {
		d.pedal = 0
	}
}
