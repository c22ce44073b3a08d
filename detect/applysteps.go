package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/chain"
	"joltwatch/detect/state"
	"joltwatch/stream"
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
}

func (a *applySteps) begin(hold chain.Hold) { *a = applySteps{hold: hold} }

const (
	// touchShare and touchRPM are how far slip must come down from its highest
	// before the clutch has touched. Structural: above ripple.
	touchShare, touchRPM = 0.08, 10.0
)

func (a *applySteps) row(m *state.Moment) {
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
		a.peak, a.peakAt = m.SlipRPM, m.At
	case m.SlipRPM < a.peak-max(float64(touchShare*a.peak), touchRPM+m.TolRPM):
		a.touches, a.touched = true, Instant{InstantTouched, a.peakAt, a.peakAt, m.At}
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
