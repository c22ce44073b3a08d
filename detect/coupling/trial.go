package coupling

import "joltwatch/bus"

// Trial is a release that did not happen: what the same watch would have said
// had the clutch held for longer. It is how a release is counted as observed.
type Trial struct {
	Outcome Outcome
	// LagS is from the fall to the separation, LowS the least that the points
	// allow, SureS the least where an engine that follows as in an open converter
	// counts as let go.
	LagS, LowS, SureS float64
	Proven            bool
	// EngineLow and TurbineLow are as in Watch.
	EngineLow, TurbineLow float64
}

// Earlier runs the watch anew as if the command had fallen so much earlier, in
// s: every speed is as it was seen. The clutch must have been engaged, and the
// driving been of the same kind, since then.
func Earlier(set *Limits, t *Trail, fall Edge, byS float64) Trial {
	fall.Early -= micros(byS)
	fall.Late -= micros(byS)
	var w Watch
	if t.Get(t.First()).At > fall.Early-micros(baseS) || !w.Begin(set, t, fall) {
		return Trial{Outcome: Lost}
	}
	for i := t.After(fall.Late); i < t.End(); i++ {
		p := *t.Get(i)
		if how := w.follow(t, &p, i); how != Watching {
			return w.trial(t, how)
		}
	}
	return Trial{Outcome: Lost}
}

// Longer runs the watch anew as if the clutch had gone on holding until so much
// after the fall, in s: until then the engine follows the turbine as it did, with
// the closed slip that this vehicle had before the fall; after it, it returns to
// what it truly did.
func Longer(set *Limits, t *Trail, fall Edge, untilS float64) Trial {
	var w Watch
	if !w.Begin(set, t, fall) {
		return Trial{Outcome: Lost}
	}
	base, until := w.Base, fall.Mid()+micros(untilS)
	before := t.After(fall.Late) - 1
	for i := before + 1; i < t.End(); i++ {
		p := *t.Get(i)
		held := base
		// The ripple before the fall, backwards and over again.
		if n := before - t.After(fall.Early-micros(replayS)); n > 0 {
			held = t.Get(before - (i-before-1)%n).Slip
		}
		if p.At <= until {
			p.Slip = held
		} else {
			p.Slip = held + float64(Share((p.At-until).Seconds(), returnS)*(p.Slip-held))
		}
		p.Engine = max(0, p.Turbine+p.Slip)
		if how := w.follow(t, &p, i); how != Watching {
			return w.trial(t, how)
		}
	}
	return Trial{Outcome: Lost}
}

const (
	// replayS is how much of the slip before the fall is laid over the turbine.
	replayS = 0.5
	// returnS is how quickly an engine that is let go goes back to its own
	// speed (cp).
	returnS = 0.15
)

// follow takes a point of a trial.
func (w *Watch) follow(t *Trail, p *Point, i int) Outcome {
	if p.Engine < w.set.DeadRPM {
		return w.Died()
	}
	return w.take(t, p, i)
}

// trial is the result. The separation is taken where the excursion began: its
// shape is not the vehicle's.
func (w *Watch) trial(t *Trail, how Outcome) Trial {
	proven := w.Proof(t)
	r := Trial{Outcome: how, Proven: proven, EngineLow: w.EngineLow, TurbineLow: w.TurbineLow}
	at, low := w.lastAt, w.ProvenTo
	if how == Parted {
		at, low = w.test.fromAt, w.test.fromAt
		if w.test.strayed {
			low = w.test.strayedAt
		}
		if w.early.strayed {
			low = min(low, w.early.strayedAt)
		}
	}
	later := micros(t.chain.LaterS())
	since := func(from, to bus.Micros) float64 { return max(0, (to - from).Seconds()) }
	r.LagS, r.LowS = since(w.Fall.Mid(), at-later), since(w.Fall.Late, low-later)
	r.SureS = r.LowS
	if w.trails(t) {
		r.SureS = since(w.Fall.Late, w.ProvenTo-later)
	}
	return r
}
