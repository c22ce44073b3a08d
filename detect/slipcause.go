package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// What pressure and torque were while the clutch slipped, and with what it held
// before: which of them left its usual relation.
var (
	slipPressureKPa = Quantity{"pressure_mean_kpa", "kPa", 0.1}
	holdPressureKPa = Quantity{"pressure_hold_kpa", "kPa", 0.1}
	slipTorqueNm    = Quantity{"torque_mean_nm", "N·m", 1}
	holdTorqueNm    = Quantity{"torque_hold_nm", "N·m", 1}
	speedStoodS     = Quantity{"speed_stood_s", "s", 0.1}
)

var slipCauseQuantities = []*Quantity{&slipPressureKPa, &holdPressureKPa, &slipTorqueNm, &holdTorqueNm, &speedStoodS}

// heldWith is the pressure and the torque with which the clutch has held.
type heldWith struct {
	kPa, nm         float64 // pressure of late, and the most torque
	hasKPa, hasNm   bool
	torque, torqueS float64 // of the last second
}

// row takes a row in which it held.
func (h *heldWith) row(m *state.Moment) {
	if m.Row.Has(stream.ClutchPressure) {
		v := m.Row.V[stream.ClutchPressure]
		if !h.hasKPa {
			h.kPa, h.hasKPa = v, true
		}
		h.kPa += float64(min(1, m.DtS/2) * (v - h.kPa))
	}
	if m.Row.Has(stream.EngineTorque) {
		h.torque += float64(min(1, m.DtS) * (m.Row.V[stream.EngineTorque] - h.torque))
		h.torqueS += m.DtS
		if h.torqueS > holdLeastS && (!h.hasNm || h.torque > h.nm) {
			h.nm, h.hasNm = h.torque, true
		}
	}
}

// slipWith is that of a stretch of slip, and for how long a speed stood still.
type slipWith struct {
	kPa, nm         timeMean
	engine, turbine standing
}

func (x *slipWith) add(m *state.Moment, w float64) {
	if m.Row.Has(stream.ClutchPressure) {
		x.kPa.add(m.Row.V[stream.ClutchPressure], w)
	}
	if m.Row.Has(stream.EngineTorque) {
		x.nm.add(m.Row.V[stream.EngineTorque], w)
	}
	x.engine.row(m.At, m.EngineRPM, m.TurbineRPM)
	x.turbine.row(m.At, m.TurbineRPM, m.EngineRPM)
}

// standing follows for how long a speed stands on one value while another moves.
type standing struct {
	v         float64
	low, high float64 // of the other since
	since     bus.Micros
	s         float64 // the longest so far
}

// standingRPM is how far the other speed must have moved. Structural: above ripple
// and steps.
const standingRPM = 15.0

func (x *standing) row(at bus.Micros, v, other float64) {
	if x.since == 0 || v != x.v {
		x.v, x.low, x.high, x.since = v, other, other, at
		return
	}
	x.low, x.high = min(x.low, other), max(x.high, other)
	if x.high-x.low >= standingRPM {
		x.s = max(x.s, (at - x.since).Seconds())
	}
}

// describe adds both to a finding.
func (x *slipWith) describe(f *Finding, h *heldWith) {
	if x.kPa.s > 0 {
		f.Measures = append(f.Measures, slipPressureKPa.of(x.kPa.value()))
		if h.hasKPa {
			f.Measures = append(f.Measures, holdPressureKPa.of(h.kPa))
		}
	} else {
		f.MissingInputs = append(f.MissingInputs, stream.ClutchPressure.String())
	}
	if x.nm.s > 0 && h.hasNm {
		f.Measures = append(f.Measures, slipTorqueNm.of(x.nm.value()), holdTorqueNm.of(h.nm))
	}
	f.Measures = append(f.Measures, speedStoodS.of(max(x.engine.s, x.turbine.s)))
}
