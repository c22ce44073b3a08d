package ratioline

// What is told of the time is less than what a stop is watched by: a claim of the one
// counts in the bounds of the lockup fraction, while the other only says where to look.
const (
	// lightSlip, and lightShare of its speed, is from what mean slip under drive an
	// open converter under little load is as likely as a closed clutch on a line
	// that is known to no better.
	lightSlip  = 20.0
	lightShare = 0.003
	// spinRate is the rise of the road speed, in km/h/s, from which the wheels spin.
	spinRate = 15.0
	// idleUnknown is the engine speed up to which an engine may idle whose idle
	// speed is not known yet, in rpm (common practice, no source).
	idleUnknown = 1100.0
)

// tell works out what is told of a point that is judged; last is what was told for
// certain before it.
func (m *Map) tell(x *Point, k *mark, last State) State {
	switch {
	case k.weak || k.line >= 0 && k.state != Open && !m.of[k.line].firm():
		return Unknown
	case k.light || k.state == Partial:
		// It slips on purpose if it comes out of a closed clutch: one that lets go
		// under drive slips more.
		if last == Closed || last == Coast {
			return Partial
		}
		return Unknown
	case proven(*k) && (x.Rate > spinRate || m.mayIdle(x, k)):
		return Unknown
	}
	return k.state
}

// mayIdle reports whether the engine may as well idle on past the end of its line.
func (m *Map) mayIdle(x *Point, k *mark) bool {
	if x.Pedal == PedalOn || k.line < 0 {
		return false
	}
	if m.Idle == 0 {
		return x.RPM < idleUnknown
	}
	turbine := float64(m.of[k.line].Ratio * x.Kmh)
	return turbine < float64(seenAbove*m.Idle) && x.RPM > float64((1-idleSag)*m.Idle)
}
