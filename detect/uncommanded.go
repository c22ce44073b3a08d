package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
)

// bare0 forgets what was seen without a command.
func (p *partingTrack) bare0() {
	p.hasCoupled, p.hasDriven, p.bareAway, p.bareState, p.coupledRun = false, false, 0, unknown, 0
}

const (
	// bareSlip is the most slip at which speeds that move together show a
	// clutch that holds, where its command is not known: regulated slip in
	// ordinary driving (cp).
	bareSlip = 50.0
	// bareRun is how long they must go on doing so.
	bareRun = 400_000 * bus.Micros(1)
)

// overrunSlip is the most negative slip, without sign, of a clutch that holds.
const overrunSlip = 20.0

// Where the turbine's speed comes from a coarse road speed, the window is
// coarseWindowS long, or coarseWindow where the turbine moved too little in that;
// with steps of more than coarseMost rpm, or a ratio that is known to no better
// than coarseShare, an open clutch cannot be told from a closed one.
const (
	coarseGrain   = 5.0
	coarseWindowS = 3.0
	coarseWindow  = 12 * bus.Second
	coarseMost    = 45.0
	coarseShare   = 0.016
)

// judgeEvery spaces the judgements of coupling where no command is known.
const judgeEvery = 100_000 * bus.Micros(1)

func (p *partingTrack) uncommanded(s *scene, m *moment) {
	if m.gap || !m.hasSlip || !s.seg.inDrive || m.hasGear && m.gear < 1 {
		if p.hasCoupled && s.seg.inDrive && !m.running && !m.gap && m.row.Has(0) && (m.at-p.coupledTo).Seconds() < 1.5 && p.bareLow < float64((1-s.set.ReleaseLag.DragSag)*s.idle) {
			p.bareFinish(s, m, coupling.Stalled, coupling.Seen{Onset: coupling.Onset{At: m.at, Early: p.coupledTo, Late: m.at}})
			p.bare0()
		}
		if m.gap || !s.seg.inDrive || (m.at-p.coupledTo).Seconds() > 2 {
			p.bare0()
		}
		p.lacked = true
		return
	}
	coarse := m.grain > coarseGrain
	if coarse && p.lacked {
		p.bare0() // a shift may have opened it
	}
	p.lacked = false
	pedal, hasPedal := m.accelerator()
	// Departure from a coupled stretch.
	if p.hasCoupled {
		if !m.running {
			if p.bareLow < float64((1-s.set.ReleaseLag.DragSag)*s.idle) {
				p.bareFinish(s, m, coupling.Stalled, coupling.Seen{Onset: coupling.Onset{At: m.at, Early: p.coupledTo, Late: m.at}})
			}
			p.bare0()
			return
		}
		limit := max(s.set.ReleaseLag.PartedRPM, float64(5*p.bareSpread), float64(3.5*p.ripple(s))) + float64(0.5*m.tol)
		// A shift masks it: what has parted is apart after it too.
		masked := !coarse && (m.shifting || m.sinceShift < shiftTailS)
		switch {
		case masked:
		case abs(m.slip-p.bareMean) >= limit:
			if p.bareAway == 0 {
				p.bareAwayAt = s.trail.End() - 1
			}
			p.bareAway++
			if p.bareAway >= 2 && coarse {
				p.bare0()
			} else if p.bareAway >= 2 && (m.at-s.trail.Get(max(p.bareAwayAt, s.trail.First())).At).Seconds() >= bareAwayS {
				o := s.trail.Onset(p.coupledTo-bus.Second/2, p.bareAwayAt, p.bareMean, p.bareSpread)
				p.bareFinish(s, m, coupling.Parted, coupling.Seen{Onset: o})
				p.bare0()
				return
			}
		default:
			p.bareAway = 0
			p.bareLow = min(p.bareLow, m.turbine)
			p.bareEngine = min(p.bareEngine, m.engine)
		}
	}
	p.cruising(s, m)
	if m.at-p.judged < judgeEvery && m.at >= p.judged {
		return
	}
	p.judged = m.at
	w := max(s.set.Clutch.CoupledWindowS, float64(4.5*s.pitch))
	if coarse {
		w = max(w, coarseWindowS)
	}
	g := s.trail.Judge(&s.limits, m.at-bus.Micros(w*1e6), m.at)
	if coarse && g.Verdict == coupling.Untold {
		g = s.trail.Judge(&s.limits, m.at-coarseWindow, m.at)
	}
	p.lastJudge = g
	most := bareSlip + g.Tol
	if coarse {
		// An open converter in overrun keeps about as far off.
		most = s.set.Clutch.ClosedRPM + g.Tol - float64(0.5*g.Grain)
		if g.Grain > coarseMost || g.Tol-g.Grain > float64(coarseShare*m.turbine) {
			most = -1
		}
	}
	if g.Verdict == coupling.Coupled && (abs(g.Mean) > most || !coarse && g.Mean < -overrunSlip-g.Tol) {
		// An open converter in overrun takes the engine along some way behind
		// the turbine.
		g.Verdict = coupling.Untold
	}
	switch g.Verdict {
	case coupling.Coupled:
		if p.coupledRun == 0 || m.at-p.coupledTo > bus.Second {
			p.coupledRun = m.at
		}
		if m.at-p.coupledRun < bareRun {
			p.coupledTo = m.at
			break // once may be chance
		}
		if !p.hasCoupled {
			p.bareLow, p.bareEngine = m.turbine, m.engine
		}
		p.hasCoupled, p.coupledTo = true, m.at
		p.bareMean, p.bareSpread = g.Mean, g.Spread
		if hasPedal && pedal >= 1 || !hasPedal && m.slip > 0 {
			p.driven, p.hasDriven = m.at, true
		}
		if !p.hasDriven {
			p.driven, p.hasDriven = m.at, true
		}
		p.bareContext = m.context(s.seg.sinceStart(m.at))
	case coupling.Apart:
		p.coupledRun = 0
		if p.bareAway == 0 && g.Residual > float64(3*s.set.Clutch.CoupledSpreadRPM)+m.tol {
			p.hasCoupled, p.hasDriven = false, false
		}
	}
	if p.hasCoupled && (m.at-p.coupledTo).Seconds() > 4 {
		p.hasCoupled, p.hasDriven = false, false
	}
}

// ripple is what closed slip may do: in a steady stop what was seen before it
// has the error of the alignment in it already.
func (p *partingTrack) ripple(s *scene) float64 {
	if s.trail.Len() > 0 && s.trail.Get(s.trail.End()-1).Rate > steadyRate {
		return s.sigma
	}
	return s.trail.Noise().RippleRPM
}

// steadyRate is the fastest change of the turbine's speed in a stop without a
// shift, in rpm/s (cp).
const steadyRate = 500.0

// cruising takes the proof of a cruise.
func (p *partingTrack) cruising(s *scene, m *moment) {
	held, before := p.cruise.row(s, m)
	if !held || p.bareAway > 0 {
		return
	}
	if !p.hasCoupled {
		p.bareLow, p.bareEngine = m.turbine, m.engine
		p.bareMean, p.bareSpread = p.cruise.mean, p.cruise.sd
		p.bareContext = m.context(s.seg.sinceStart(m.at))
	}
	p.hasCoupled, p.hasDriven = true, true
	p.coupledTo, p.driven = m.at, m.at
	if !m.hasCommand {
		s.out.ledger.lockup.move(unknown, closed, before)
	}
}

// bareAwayS is how long the speeds must be off each other to have parted.
const bareAwayS = 0.06

func (p *partingTrack) bareFinish(s *scene, m *moment, how coupling.Outcome, o coupling.Seen) {
	pedal, hasPedal := m.accelerator()
	early := p.driven
	p.result = parting{outcome: how, fall: edge{early: early, late: max(early, o.Late)}, part: o,
		proven: true, base: p.bareMean, engineLow: p.bareEngine, turbineLow: p.bareLow,
		ctx:  p.bareContext,
		stop: !(hasPedal && pedal > 2)}
	p.has = true
	if how == coupling.Parted && !m.hasCommand {
		s.note(o.At, "speeds parted")
	}
}

// bare is the state of a clutch whose command is not known.
func (p *partingTrack) bare(s *scene, m *moment, limit float64, overrun bool) clutchState {
	g := &p.lastJudge
	if m.grain > coarseGrain {
		return p.bareCoarse(s, m, limit, overrun)
	}
	switch {
	case p.certainlyOpen(s, m):
		p.bareState = open
	case limit < 0:
		p.bareState = unknown
	case p.hasCoupled && p.bareAway == 0 && (m.at-p.coupledTo).Seconds() < 4 && abs(m.slip) <= max(limit, float64(3*s.sigma))+float64(0.5*m.tol):
		p.bareState = closed
	case p.hasCoupled && p.bareAway == 0 && (m.at-p.coupledTo).Seconds() < 4 && m.slip > 0:
		p.bareState = partial
	case p.bareState == closed && abs(m.slip) <= max(limit, float64(3*s.sigma))+float64(0.5*m.tol):
		// Steady since it was last proved.
	case (p.bareState == closed || p.bareState == partial) && (m.shifting || m.sinceShift < shiftTailS):
		// A shift hides it for its length.
	case p.bareState == partial && abs(m.slip-p.bareMean) <= limit+float64(0.5*m.tol):
	case g.Verdict == coupling.Apart && m.slip < -limit-float64(2*m.tol) && m.at-p.judged < bus.Second:
		p.bareState = open // no slip is regulated in overrun
	default:
		p.bareState = unknown
	}
	if p.bareState == closed && overrun {
		return coast
	}
	return p.bareState
}

// bareCoarse is the same where the turbine's speed comes in coarse steps. Slip
// is compared with what it was when the speeds were seen to move together, so
// that the error of the ratio drops out.
func (p *partingTrack) bareCoarse(s *scene, m *moment, limit float64, overrun bool) clutchState {
	set := &s.set.Clutch
	near := abs(m.slip-p.bareMean) <= set.ClosedRPM+float64(0.75*m.grain)
	switch {
	case p.certainlyOpen(s, m):
		p.bareState = open
	case limit < 0:
		p.bareState = unknown
	case p.hasCoupled && p.bareAway == 0 && near:
		p.bareState = closed
	case p.bareState == closed && near:
		// Steady since it was last proved.
	default:
		p.bareState = unknown
	}
	if p.bareState == closed && overrun {
		return coast
	}
	return p.bareState
}

// hillKmh is the speed below which no slip is regulated on a grade (cp: it is
// done in the upper gears).
const hillKmh = 40.0

// apartRPM is a slip that no clutch in a stop has.
const apartRPM = 100.0

// certainlyOpen reports slip that no clutch under control has, where its command
// is not known.
func (p *partingTrack) certainlyOpen(s *scene, m *moment) bool {
	far := s.set.Clutch.OpenRPM
	if m.hasKmh && m.kmh < hillKmh {
		far = apartRPM
		if p.bareState == open {
			far = bareSlip
		}
	}
	return abs(m.slip)-m.tol > far
}
