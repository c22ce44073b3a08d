package state

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// withoutCommand follows the clutch by the speeds alone: speeds that moved
// together and part. Its results stand in result for the row in which they were
// found.
type withoutCommand struct {
	judged    bus.Micros
	lastJudge coupling.Together
	// coupledTo is when the speeds were last seen to move together, where
	// hasCoupled; coupledRun is since when they do, 0 not.
	coupledTo  bus.Micros
	hasCoupled bool
	coupledRun bus.Micros
	driven     bus.Micros // last instant coupled under drive
	hasDriven  bool
	cruise     cruise
	clutch     Clutch
	// away counts the rows in which the slip has left what it was, from point
	// awayAt of the trail on.
	away, awayAt int
	// Slip while they moved together, its spread, all of it and what a separation must
	// leave, and the least speeds, in rpm.
	mean, noise, spread float64
	// held is the mean of slip while the clutch was last seen to hold under drive, rpm.
	held                  float64
	turbineLow, engineLow float64
	context               Context
	lacked                bool // the turbine's speed was unknown in the row before
	reported              bool // beside a reported state, which may lead them

	result Separation
	has    bool
}

// forget forgets what was seen.
func (p *withoutCommand) forget() {
	p.hasCoupled, p.hasDriven, p.away, p.clutch, p.coupledRun = false, false, 0, Unknown, 0
}

const (
	// coupledSlipRPM is the most slip at which speeds that move together show a
	// clutch that holds, where its command is not known: regulated slip in
	// ordinary driving (cp).
	coupledSlipRPM = 50.0
	// coupledLeast is how long they must go on doing so.
	coupledLeast = 400_000 * bus.Micros(1)
	// coupledKeptS is for how long that they did so is worth something.
	coupledKeptS = 4.0
)

// Where the turbine's speed comes from a coarse road speed, the window is
// coarseWindowS long, or coarseWindow where the turbine moved too little in that;
// with steps of more than coarseMostRPM, or a ratio that is known to no better
// than coarseShare, an open clutch cannot be told from a closed one.
const (
	coarseStepRPM = 5.0
	coarseWindowS = 3.0
	coarseWindow  = 12 * bus.Second
	coarseMostRPM = 45.0
	coarseShare   = 0.016
)

// judgeEvery spaces the judgements of coupling.
const judgeEvery = 100_000 * bus.Micros(1)

func (p *withoutCommand) follow(s *Vehicle, m *Moment) {
	p.has = false
	if m.Gap || !m.HasSlip || !s.InDrive() || m.HasGear && m.Gear < 1 {
		p.blind(s, m)
		return
	}
	coarse := m.StepRPM > coarseStepRPM
	if coarse && p.lacked {
		p.forget() // a shift may have opened it
	}
	p.lacked = false
	if p.hasCoupled && p.departs(s, m, coarse) {
		return
	}
	p.cruising(s, m)
	if m.At-p.judged < judgeEvery && m.At >= p.judged {
		return
	}
	p.judged = m.At
	p.lastJudge = p.judge(s, m, coarse)
	p.settle(s, m)
}

// blind takes a row without slip.
func (p *withoutCommand) blind(s *Vehicle, m *Moment) {
	since := (m.At - p.coupledTo).Seconds()
	if p.hasCoupled && s.InDrive() && !m.Running && !m.Gap && m.Row.Has(stream.EngineSpeed) && since < 1.5 {
		p.stall(s, m)
	}
	if m.Gap || !s.InDrive() || since > 2 {
		p.forget()
	}
	p.lacked = true
}

// stall tells of an engine that has stopped with the speeds together, if they
// went below idle.
func (p *withoutCommand) stall(s *Vehicle, m *Moment) {
	if p.turbineLow < float64((1-s.set.DragSag)*s.idle) {
		p.finish(s, m, coupling.Stalled, coupling.Onset{At: m.At, Early: p.coupledTo, Late: m.At})
		p.forget()
	}
}

// departs reports whether a stretch of speeds that moved together has come to
// its end.
func (p *withoutCommand) departs(s *Vehicle, m *Moment, coarse bool) bool {
	if !m.Running {
		p.stall(s, m)
		p.forget()
		return true
	}
	limit := max(s.set.PartedRPM, float64(5*p.spread), float64(3.5*p.ripple(s))) + float64(0.5*m.TolRPM)
	switch {
	case !coarse && m.masked():
		// What has parted is apart after it too.
	case math.Abs(m.SlipRPM-p.mean) >= limit:
		if p.away == 0 {
			p.awayAt = s.trail.End() - 1
		}
		p.away++
		if p.away >= 2 && coarse {
			p.forget()
		} else if p.away >= 2 && (m.At-s.trail.Get(max(p.awayAt, s.trail.First())).At).Seconds() >= awayLeastS {
			p.finish(s, m, coupling.Parted, s.trail.Onset(p.coupledTo-bus.Second/2, p.awayAt, p.mean, p.noise))
			p.forget()
			return true
		}
	default:
		p.away = 0
		p.turbineLow = min(p.turbineLow, m.TurbineRPM)
		p.engineLow = min(p.engineLow, m.EngineRPM)
	}
	return false
}

// masked reports whether a shift hides what the speeds say.
func (m *Moment) masked() bool { return m.Shifting || m.SinceShiftS < shiftTailS }

// awayLeastS is how long the speeds must be off each other to have parted.
const awayLeastS = 0.06

// judge says whether the speeds move together at present.
func (p *withoutCommand) judge(s *Vehicle, m *Moment, coarse bool) coupling.Together {
	w := max(s.set.Clutch.CoupledWindowS, float64(4.5*s.pitch))
	if coarse {
		w = max(w, coarseWindowS)
	}
	g := s.trail.Judge(&s.limits, m.At-bus.Micros(w*1e6), m.At)
	if coarse && g.Verdict == coupling.Untold {
		g = s.trail.Judge(&s.limits, m.At-coarseWindow, m.At)
	}
	return g
}

// settle takes the latest judgement.
func (p *withoutCommand) settle(s *Vehicle, m *Moment) {
	g := &p.lastJudge
	switch p.verdict(s, m) {
	case coupling.Coupled:
		p.coupled(s, m, g)
	case coupling.Apart:
		p.coupledRun = 0
		if p.away == 0 && !m.masked() && g.Residual > float64(3*s.set.Clutch.CoupledSpreadRPM)+m.TolRPM {
			p.hasCoupled, p.hasDriven = false, false
		}
	}
	if p.hasCoupled && (m.At-p.coupledTo).Seconds() > coupledKeptS {
		p.hasCoupled, p.hasDriven = false, false
	}
}

// verdict is that of the latest judgement; Untold where an open converter may
// couple the speeds as well.
func (p *withoutCommand) verdict(s *Vehicle, m *Moment) coupling.Verdict {
	g := &p.lastJudge
	coarse := m.StepRPM > coarseStepRPM
	most := coupledSlipRPM + g.Tol
	if coarse {
		// An open converter in overrun keeps about as far off.
		most = s.set.Clutch.ClosedRPM + g.Tol - float64(0.5*g.StepRPM)
		if g.StepRPM > coarseMostRPM || g.Tol-g.StepRPM > float64(coarseShare*m.TurbineRPM) {
			most = -1
		}
	}
	least := min(p.held, 0) - coupling.BelowRPM(s.trail.Noise().Known())
	if g.Verdict == coupling.Coupled && (math.Abs(g.Mean) > most || !coarse && g.Mean < least-g.Tol) {
		// An open converter in overrun takes the engine along some way behind
		// the turbine.
		return coupling.Untold
	}
	return g.Verdict
}

// coupled takes speeds that move together.
func (p *withoutCommand) coupled(s *Vehicle, m *Moment, g *coupling.Together) {
	if p.coupledRun == 0 || m.At-p.coupledTo > bus.Second {
		p.coupledRun = m.At
	}
	if m.At-p.coupledRun < coupledLeast {
		p.coupledTo = m.At
		return // once may be chance
	}
	if !p.hasCoupled {
		p.turbineLow, p.engineLow = m.TurbineRPM, m.EngineRPM
	}
	p.hasCoupled, p.coupledTo = true, m.At
	if p.noise = g.Spread; p.away == 0 { // else they go along with what comes apart
		p.mean, p.spread = g.Mean, min(g.Spread, g.Residual) // a drift is no spread
	}
	if p.reported || m.drives() { // under drive slip goes with the load
		p.spread = g.Spread
	}
	if m.drives() {
		p.driven, p.hasDriven, p.held = m.At, true, g.Mean
	} else if !p.hasDriven && p.driven < p.coupledRun {
		p.driven = m.At
	}
	p.context = m.Context(s.SinceStart(m.At))
}

// ripple is what closed slip may do: in a steady stop what was seen before it
// has the error of the alignment in it already.
func (p *withoutCommand) ripple(s *Vehicle) float64 {
	if s.trail.Len() > 0 && s.trail.Get(s.trail.End()-1).Rate > steadyRate {
		return s.sigma
	}
	return s.trail.Noise().RippleRPM
}

// steadyRate is the fastest change of the turbine's speed in a stop without a
// shift, in rpm/s (cp).
const steadyRate = 500.0

// cruising takes the proof of a cruise.
func (p *withoutCommand) cruising(s *Vehicle, m *Moment) {
	held, before := p.cruise.row(s, m, p.clutch)
	if !held || p.away > 0 {
		return
	}
	if !p.hasCoupled {
		p.turbineLow, p.engineLow = m.TurbineRPM, m.EngineRPM
		p.mean, p.spread, p.noise = p.cruise.mean, p.cruise.sd, p.cruise.sd
		p.context = m.Context(s.SinceStart(m.At))
	}
	p.hasCoupled, p.hasDriven = true, true
	p.coupledTo, p.driven, p.held = m.At, m.At, p.cruise.mean
	if !m.HasCommand {
		s.Revise(Unknown, Closed, before)
	}
}

// finish puts a release by the speeds alone into result.
func (p *withoutCommand) finish(s *Vehicle, m *Moment, how coupling.Outcome, o coupling.Onset) {
	pedal, hasPedal := m.Accelerator()
	early := p.driven
	p.result = Separation{Outcome: how, Fall: Edge{Early: early, Late: max(early, o.Late)}, Seen: coupling.Seen{Onset: o},
		Driven: p.hasDriven, Proven: true, SlipBeforeRPM: p.mean, EngineLowRPM: p.engineLow, TurbineLowRPM: p.turbineLow,
		Context: p.context, Stop: !(hasPedal && pedal > 2)}
	p.has = true
	if how == coupling.Parted && !m.HasCommand {
		s.Note(o.At, "speeds parted")
	}
}

// state is what the clutch does. limitRPM is the slip up to which it counts as
// closed, -1 where slip tells nothing.
func (p *withoutCommand) state(s *Vehicle, m *Moment, limitRPM float64, overrun bool) Clutch {
	if m.StepRPM > coarseStepRPM {
		p.clutch = p.stateCoarse(s, m, limitRPM)
	} else {
		p.clutch = p.stateFine(s, m, limitRPM)
	}
	if p.clutch == Closed && overrun {
		return Coast
	}
	return p.clutch
}

func (p *withoutCommand) stateFine(s *Vehicle, m *Moment, limit float64) Clutch {
	coupled := p.hasCoupled && p.away == 0 && (m.At-p.coupledTo).Seconds() < coupledKeptS
	near := math.Abs(m.SlipRPM) <= max(limit, float64(3*s.sigma))+float64(0.5*m.TolRPM)
	switch {
	case p.certainlyOpen(s, m):
		return Open
	case limit < 0:
		return Unknown
	case coupled && near:
		return Closed
	case coupled && m.SlipRPM > 0:
		return Partial
	case p.clutch == Closed && near:
		return Closed // steady since it was last proved
	case (p.clutch == Closed || p.clutch == Partial) && m.masked():
		return p.clutch // a shift hides it for its length
	case p.clutch == Partial && math.Abs(m.SlipRPM-p.mean) <= limit+float64(0.5*m.TolRPM):
		return Partial
	case p.lastJudge.Verdict == coupling.Apart && m.SlipRPM < -limit-float64(2*m.TolRPM) && m.At-p.judged < bus.Second:
		return Open // no slip is regulated in overrun
	}
	return Unknown
}

// stateCoarse is the same where the turbine's speed comes in coarse steps. Slip
// is compared with what it was when the speeds were seen to move together, so
// that the error of the ratio drops out.
func (p *withoutCommand) stateCoarse(s *Vehicle, m *Moment, limit float64) Clutch {
	near := math.Abs(m.SlipRPM-p.mean) <= s.set.Clutch.ClosedRPM+float64(0.75*m.StepRPM)
	switch {
	case p.certainlyOpen(s, m):
		return Open
	case limit < 0:
		return Unknown
	case near && (p.hasCoupled && p.away == 0 || p.clutch == Closed):
		return Closed
	}
	return Unknown
}

// hillKmh is the speed below which no slip is regulated on a grade (cp: it is
// done in the upper gears).
const hillKmh = 40.0

// ApartRPM is a slip that no clutch in a stop has.
const ApartRPM = 100.0

// certainlyOpen reports slip that no clutch under control has, where its command
// is not known.
func (p *withoutCommand) certainlyOpen(s *Vehicle, m *Moment) bool {
	far := s.set.Clutch.OpenRPM
	if m.HasKmh && m.Kmh < hillKmh {
		far = ApartRPM
		if p.clutch == Open {
			far = coupledSlipRPM
		}
	}
	return math.Abs(m.SlipRPM)-m.TolRPM > far
}
