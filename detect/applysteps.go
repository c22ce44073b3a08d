package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/chain"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// The names of the instants of an apply between its command and its end.
const (
	InstantFilled  = "pressure filled"
	InstantTouched = "first touch"

	InstantUsuallyRises = "command usually rises"
)

// applySteps are the steps of an apply between its command and its end: filled,
// where the pressure is recorded and what this clutch lets go at is known, and the
// first touch, as slip begins to fall.
type applySteps struct {
	hold              chain.Hold
	filled, touched   Instant
	isFilled, touches bool
	peak              float64
	peakAt, before    bus.Micros
	peakKPa, touchKPa float64 // NaN where pressure is not known
	jerk              jerkTrack
}

// jerkTrack is the greatest change of the body's acceleration, by how much in
// jerkSpan.
type jerkTrack struct {
	from     bus.Micros // 0 before the first
	was, top float64    // m/s², m/s³
}

// jerkSpan is over how long the change is taken. Structural: the body follows the
// driveline at 2 to 8 Hz (cp), and a single sample's noise should not count.
const jerkSpan = bus.Second / 10

func (j *jerkTrack) row(m *state.Moment) {
	r := m.Row
	if !r.Has(stream.Acceleration) || m.Gap {
		j.from = 0
		return
	}
	a, since := r.V[stream.Acceleration], m.At-j.from
	switch {
	case j.from == 0:
	case since < jerkSpan:
		return
	case since < 3*jerkSpan:
		j.top = max(j.top, math.Abs(a-j.was)/since.Seconds())
	}
	j.from, j.was = m.At, a
}

func (a *applySteps) begin(hold chain.Hold) {
	*a = applySteps{hold: hold, peakKPa: math.NaN(), touchKPa: math.NaN()}
}

// measures are what a driver may feel of it, where the signals carry it.
func (a *applySteps) measures(f *Finding) {
	if a.touches {
		f.put(&applyTouchKPa, a.touchKPa)
	}
	if a.jerk.top > 0 {
		f.Measures = append(f.Measures, applyJerk.of(a.jerk.top))
	}
}

const (
	// touchShare and touchRPM are how far slip must come down from its highest
	// before the clutch has touched. Structural: above ripple.
	touchShare, touchRPM = 0.08, 10.0
)

func (a *applySteps) row(m *state.Moment) {
	a.jerk.row(m)
	if r := m.Row; !a.isFilled && a.hold.Known && r.Has(stream.ClutchPressure) {
		at := r.Prev[stream.ClutchPressure]
		if r.V[stream.ClutchPressure] > a.hold.HighKPa {
			a.isFilled = true
			a.filled = Instant{InstantFilled, at, max(a.before, at-bus.Second), max(at, r.Next[stream.ClutchPressure])}
			if a.before == 0 {
				a.filled.Early = at
			}
		}
		a.before = at
	}
	switch {
	case a.touches:
	case m.SlipRPM >= a.peak:
		a.peak, a.peakAt, a.peakKPa = m.SlipRPM, m.At, math.NaN()
		if m.Row.Has(stream.ClutchPressure) {
			a.peakKPa = m.Row.V[stream.ClutchPressure]
		}
	case m.SlipRPM < a.peak-max(float64(touchShare*a.peak), touchRPM+m.TolRPM):
		a.touches, a.touchKPa, a.touched = true, a.peakKPa, Instant{InstantTouched, a.peakAt, a.peakAt, m.At}
	}
}

func (a *applySteps) describe(f *Finding) {
	if a.isFilled {
		f.Instants = append(f.Instants, a.filled)
	}
	if a.touches {
		f.Instants = append(f.Instants, a.touched)
	}
}
