package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// What led up to a release, as its finding carries it; each is left out where its
// signals were not known. Together with the finding's context these are its
// conditions: see Conditions.
var (
	closedBeforeS = Quantity{"closed_before_s", "s", 0.1}
	pedalBefore   = Quantity{"pedal_before_percent", "%", 0.1}
	torqueBefore  = Quantity{"torque_before_nm", "N·m", 1}
	// closedWithKPa is the clutch's pressure, or the one commanded, closedWithPct the
	// duty in place of it.
	closedWithKPa = Quantity{"closed_with_kpa", "kPa", 0.1}
	closedWithPct = Quantity{"closed_with_percent", "%", 0.1}
	fallTurbine   = Quantity{"turbine_at_fall_rpm", "rpm", 1}
	braking       = Quantity{"braking_mps2", "m/s²", 0.01}
	brakeOn       = Quantity{"brake_on", "", 1}
	stopsBefore   = Quantity{"stops_before", "", 1}
	gradeAtFall   = Quantity{"grade_percent", "%", 0.1}
)

var beforeQuantities = []*Quantity{&closedBeforeS, &pedalBefore, &torqueBefore, &closedWithKPa, &closedWithPct, &fallTurbine, &braking, &brakeOn, &stopsBefore, &gradeAtFall}

const (
	// beforeEvery is the time between the points that are kept.
	beforeEvery = bus.Second / 5
	// beforeKept of them reach back further than any release is watched.
	beforeKept = 256
	// brakingReach to each side of the fall is what the deceleration is taken
	// over: a road speed in whole km/h then tells it to 0.14 m/s².
	brakingReach = bus.Second
	// unsureS is how long the state may be unknown within one closed stretch.
	unsureS = 2.0
)

// before follows what may matter to the next release: for how long and how hard the
// clutch has been closed, speeds, brake, grade, and the stops of the drive.
type before struct {
	points [beforeKept]beforePoint
	n      int
	now    beforePoint
	// unsure is for how long the state has been unknown.
	unsure float64
	pedal  timeMean
	torque timeMean
	// actual is the clutch's pressure, command and duty what is commanded.
	actual, command, duty timeMean
}

// beforePoint is that at one instant; what is not known is NaN.
type beforePoint struct {
	at                            bus.Micros
	kmh, turbine, grade, brake    float64
	closedS, pedal, torque, stops float64
	kPa, duty                     float64
}

// timeMean is a mean weighted by time.
type timeMean struct{ sum, s float64 }

func (x *timeMean) add(v, dt float64) {
	x.sum += float64(v * dt)
	x.s += dt
}

func (x *timeMean) value() float64 {
	if x.s <= 0 {
		return math.NaN()
	}
	return x.sum / x.s
}

// begin begins a drive.
func (b *before) begin() {
	*b = before{}
	b.open()
}

// row takes a row, in its order.
func (b *before) row(m *state.Moment) {
	if m.Stopped {
		b.now.stops++
	}
	b.closed(m)
	b.now.at = m.At
	if b.n == 0 || m.At-b.points[uint(b.n-1)%beforeKept].at >= beforeEvery {
		b.points[uint(b.n)%beforeKept] = b.point(m)
		b.n++
	}
}

// point is what is kept of a row.
func (b *before) point(m *state.Moment) beforePoint {
	p := b.now
	p.kmh, p.turbine = math.NaN(), math.NaN()
	if m.HasKmh {
		p.kmh = m.Kmh
	}
	if m.HasSlip {
		p.turbine = m.TurbineRPM
	}
	p.grade, p.brake = known(m.Row, stream.Grade), known(m.Row, stream.Brake)
	p.pedal, p.torque = b.pedal.value(), b.torque.value()
	p.kPa, p.duty = b.actual.value(), b.duty.value()
	if b.actual.s < float64(0.8*b.command.s) {
		p.kPa = b.command.value() // the pressure was not known for much of it
	}
	return p
}

// closed follows the stretch for which the clutch has been closed; regulated slip
// does not end it and does not count.
func (b *before) closed(m *state.Moment) {
	switch m.State {
	case state.Closed, state.Coast:
		if math.IsNaN(b.now.closedS) {
			b.now.closedS = 0
		}
		b.now.closedS += m.DtS
		b.unsure = 0
		if v := known(m.Row, stream.Accelerator); !math.IsNaN(v) {
			b.pedal.add(v, m.DtS)
		}
		if v := known(m.Row, stream.EngineTorque); !math.IsNaN(v) {
			b.torque.add(v, m.DtS)
		}
		if v := known(m.Row, stream.ClutchPressure); !math.IsNaN(v) {
			b.actual.add(v, m.DtS)
		}
		if m.HasPressure {
			b.command.add(m.PressureKPa, m.DtS)
		} else if m.HasLevel {
			b.duty.add(m.Level, m.DtS)
		}
	case state.Partial:
		b.unsure = 0
	case state.Unknown:
		if b.unsure += m.DtS; b.unsure > unsureS {
			b.open()
		}
	case state.Open:
		b.open()
	}
}

// open ends the stretch.
func (b *before) open() {
	b.pedal, b.torque = timeMean{}, timeMean{}
	b.actual, b.command, b.duty = timeMean{}, timeMean{}, timeMean{}
	b.now.closedS = math.NaN()
}

func known(r *stream.Row, role stream.Role) float64 {
	if !r.Has(role) {
		return math.NaN()
	}
	return r.V[role]
}

// last returns the latest point that is not after an instant; nil where none is kept.
func (b *before) last(at bus.Micros) *beforePoint {
	for i := b.n - 1; i >= max(0, b.n-beforeKept); i-- {
		if p := &b.points[i%beforeKept]; p.at <= at {
			return p
		}
	}
	return nil
}

// describe adds to a finding what led up to a release at an instant; turbine is its
// speed then, NaN where it is to be taken from the points.
func (b *before) describe(f *Finding, at bus.Micros, turbine float64) {
	p := b.last(at)
	if p == nil || at-p.at > 5*beforeEvery {
		return
	}
	if math.IsNaN(turbine) {
		turbine = b.turbineAt(p, at)
	}
	for i, v := range []float64{p.closedS, p.pedal, p.torque, p.kPa, p.duty, turbine, b.brakingAt(at), p.brake, p.stops, p.grade} {
		f.put(beforeQuantities[i], v)
	}
}

// turbineAt is the turbine's speed between a point and the next.
func (b *before) turbineAt(p *beforePoint, at bus.Micros) float64 {
	q := b.last(at + beforeEvery)
	if q == p || math.IsNaN(q.turbine) {
		return p.turbine
	}
	return p.turbine + float64((q.turbine-p.turbine)*((at-p.at).Seconds()/(q.at-p.at).Seconds()))
}

// brakingAt is the deceleration around an instant, in m/s².
func (b *before) brakingAt(at bus.Micros) float64 {
	p, q := b.last(at-brakingReach), b.last(at+brakingReach)
	if p == nil || q == nil || q.at-p.at < brakingReach {
		return math.NaN()
	}
	return (p.kmh - q.kmh) / 3.6 / (q.at - p.at).Seconds()
}
