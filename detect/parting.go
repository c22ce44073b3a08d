package detect

import (
	"math"

	"joltwatch/bus"
)

// partingTrack follows each release from the fall of the command to the
// instant at which the speeds part, or, where no command is known, watches
// for speeds that moved together and part. Its results stand in result for
// the row in which they were found.
type partingTrack struct {
	// watching a fall of the command.
	watching bool
	fall     edge
	base     float64 // slip before
	noise    float64
	limit    float64
	moving   bool // the slip was on the move already
	gear     int
	hasGear  bool
	ctx      Context
	row      rowFacts
	away     int // rows beyond the limit, running
	awayAt   int // trail index of the first of them
	awayFrom bus.Micros
	rate     float64 // of the turbine at the row before, rpm/s
	engaged  bus.Micros
	low      float64 // lowest engine speed
	turbine  float64 // lowest turbine speed while together

	// Without a command.
	judged      bus.Micros
	lastJudge   together
	coupledTo   bus.Micros
	hasCoupled  bool
	coupledRun  bus.Micros // since when, 0 not
	driven      bus.Micros // last instant coupled under drive
	hasDriven   bool
	bareState   clutchState
	bareAway    int
	bareAwayAt  int
	bareMean    float64
	bareSpread  float64
	bareLow     float64
	bareEngine  float64
	bareContext Context

	result parting
	has    bool
}

// rowFacts is what of a row is needed later.
type rowFacts struct{ kmh, accelerator float64 }

// parting is one release that was followed to its end.
type parting struct {
	outcome outcome
	// command says whether fall is an edge of the command; else only that
	// the clutch was certainly engaged at fall.early.
	command bool
	fall    edge
	part    onset
	// proof is the coupling between fall and parting.
	proof together
	// slip before, and what the speeds came to while still together.
	base, engineLow, turbineLow float64
	kmh                         float64
	ctx                         Context
	gear                        int
	hasGear                     bool
	stop                        bool // the vehicle was slowing without pedal
	// away is the first row that was seen apart.
	away bus.Micros
}

type outcome uint8

const (
	outcomeParted outcome = iota
	outcomeStall          // the engine died with the speeds still together
	outcomeNever          // still together at the end of the watch
	outcomeLost           // the signals did not last
	outcomeBack           // the command rose again before they had parted
)

func (p *partingTrack) holding() bool { return p.watching && p.away == 0 }

func (p *partingTrack) forget() {
	p.watching, p.hasCoupled, p.hasDriven, p.bareAway = false, false, false, 0
	p.bareState = unknown
}

// watchBase is how much before a fall makes the base, in seconds.
const watchBase = 0.25

func (p *partingTrack) follow(s *scene, m *moment) {
	p.has = false
	if m.hasCommand || p.watching {
		p.bare0()
		p.commanded(s, m)
		return
	}
	p.uncommanded(s, m)
}

func (p *partingTrack) commanded(s *scene, m *moment) {
	set := &s.set.ReleaseLag
	if m.rose {
		p.engaged = m.edge.late
		if p.watching {
			p.finish(s, m, outcomeBack, onset{})
		}
	}
	if m.fell {
		p.begin(s, m)
	}
	if !p.watching {
		return
	}
	since := (m.at - p.fall.early).Seconds()
	if !s.seg.inDrive || m.gap {
		p.finish(s, m, outcomeLost, onset{})
		return
	}
	if m.row.Has(0) { // engine speed
		if !m.running && m.engine < 0.6*s.set.Drive.RunningRPM {
			p.finish(s, m, outcomeStall, onset{at: m.at, early: p.fall.late, late: m.at})
			return
		}
	}
	if !m.hasSlip {
		if since > set.WatchS {
			p.finish(s, m, outcomeLost, onset{})
		}
		return
	}
	p.low = min(p.low, m.engine)
	d := abs(m.slip - p.base)
	rate := s.trail.rate()
	skew := float64(max(0, max(rate, p.rate)-shiftRate) * shiftSkew)
	p.rate = rate
	if d >= p.limit+skew {
		if p.away == 0 {
			p.awayAt, p.awayFrom = s.trail.end-1, m.at
		}
		p.away++
		if p.away >= 2 && (m.at-p.awayFrom).Seconds() >= partedS {
			o := s.trail.onset(p.fall.early, p.awayAt, p.base, p.noise)
			if p.moving {
				// It was under way before: what can be said is that the
				// clutch had let go by then.
				o.early = p.fall.early
				o.at = min(o.at, p.fall.mid())
			}
			p.finish(s, m, outcomeParted, o)
		}
		return
	}
	p.away = 0
	p.turbine = min(p.turbine, m.turbine)
	if since > set.WatchS {
		p.finish(s, m, outcomeNever, onset{at: m.at, early: m.at, late: m.at})
	}
}

const (
	// partedS is how long the slip must stay off what it was before the
	// speeds have parted.
	partedS = 0.03
	// Beyond shiftRate, in rpm/s, a speed turns faster than vehicles stop:
	// a shift is under way, and what shiftSkew between the samples of the two
	// speeds makes of that rate is no slip.
	shiftRate = 800.0
	shiftSkew = 0.014
)

// minEngagedS is how long the clutch must have been told to close before its
// release is one: before that it was still applying.
const minEngagedS = 0.5

func (p *partingTrack) begin(s *scene, m *moment) {
	p.watching = false
	if !s.seg.inDrive || !m.hasSlip || (m.edge.early-p.engaged).Seconds() < minEngagedS {
		return
	}
	i0 := s.trail.after(m.edge.early - bus.Micros(watchBase*1e6))
	i1 := s.trail.after(m.edge.late)
	for i1-i0 < 3 && i0 > s.trail.from {
		i0--
	}
	n := 0
	var sum, sum2, st, stt, sts float64
	if i1 <= i0 {
		return
	}
	t0, s0 := s.trail.get(i0).at, s.trail.get(i0).slip()
	for i := i0; i < i1; i++ {
		q := s.trail.get(i)
		d := q.slip() - s0
		t := (q.at - t0).Seconds()
		sum += d
		sum2 += float64(d * d)
		st += t
		stt += float64(t * t)
		sts += float64(t * d)
		n++
	}
	if n < 2 {
		return
	}
	k := float64(n)
	mean := sum / k
	vt := stt/k - float64(st/k)*float64(st/k)
	slope, resid := 0.0, max(0, sum2/k-float64(mean*mean))
	if vt > 1e-9 {
		slope = (sts/k - float64(st/k)*mean) / vt
		resid = max(0, resid-float64(slope*slope)*vt)
	}
	p.noise = math.Sqrt(resid)
	// What the slip was doing counts at the end of the window.
	end := (s.trail.get(i1-1).at - t0).Seconds()
	p.moving = abs(slope)*watchBase > max(8, 4*p.noise)
	p.base = s0 + mean
	if p.moving {
		p.base = s0 + mean + float64(slope*(end-st/k))
	}
	tol := s.trail.get(i1 - 1).tol
	p.limit = max(s.set.ReleaseLag.PartedRPM, float64(4*p.noise)) + tol
	if abs(p.base) > farSlip {
		return // it was open already, or never closed
	}
	p.watching, p.away = true, 0
	p.fall = m.edge
	p.ctx = m.context(s.seg.sinceStart(m.at))
	p.gear, p.hasGear = m.gear, m.hasGear
	p.row = rowFacts{kmh: m.kmh}
	p.row.accelerator, _ = m.accelerator()
	p.low, p.turbine = m.engine, m.turbine
	// Rows between the fall and this one.
	for i := i1; i < s.trail.end-1; i++ {
		q := s.trail.get(i)
		if abs(q.slip()-p.base) >= p.limit {
			if p.away == 0 {
				p.awayAt, p.awayFrom = i, q.at
			}
			p.away++
		} else {
			p.away = 0
		}
	}
}

// farSlip is a slip at which no release begins: more than any regulated slip.
const farSlip = 450.0

func (p *partingTrack) finish(s *scene, m *moment, how outcome, o onset) {
	p.watching = false
	to := m.at
	if how == outcomeParted {
		to = o.at
	}
	from := p.fall.late
	// A short lag is judged with what came before it.
	if w := bus.Micros(s.set.Clutch.CoupledWindowS * 1e6); to-from < w {
		from = to - w
	}
	a, hasPedal := m.accelerator()
	p.result = parting{outcome: how, command: true, fall: p.fall, part: o,
		proof: s.trail.judge(&s.set.Clutch, from, to),
		base:  p.base, engineLow: p.low, turbineLow: p.turbine, kmh: p.row.kmh, ctx: p.ctx,
		gear: p.gear, hasGear: p.hasGear, away: p.awayFrom,
		stop: p.row.accelerator < 2 && !(hasPedal && a > 5)}
	p.has = true
	if how == outcomeParted {
		s.note(o.at, "speeds parted")
	}
}

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

// judgeEvery spaces the judgements of coupling where no command is known.
const judgeEvery = 100_000 * bus.Micros(1)

func (p *partingTrack) uncommanded(s *scene, m *moment) {
	if m.gap || !m.hasSlip || !s.seg.inDrive || m.hasGear && m.gear < 1 {
		if p.hasCoupled && s.seg.inDrive && !m.running && !m.gap && m.row.Has(0) && (m.at-p.coupledTo).Seconds() < 1.5 && p.bareLow < float64(s.set.ReleaseLag.DragShare*s.idle) {
			p.bareFinish(s, m, outcomeStall, onset{at: m.at, early: p.coupledTo, late: m.at})
		}
		if m.gap || !s.seg.inDrive || (m.at-p.coupledTo).Seconds() > 2 {
			p.bare0()
		}
		return
	}
	pedal, hasPedal := m.accelerator()
	// Departure from a coupled stretch.
	if p.hasCoupled {
		if !m.running {
			if p.bareLow < float64(s.set.ReleaseLag.DragShare*s.idle) {
				p.bareFinish(s, m, outcomeStall, onset{at: m.at, early: p.coupledTo, late: m.at})
			}
			p.bare0()
			return
		}
		limit := max(s.set.ReleaseLag.PartedRPM, float64(5*p.bareSpread)) + float64(0.5*m.tol)
		if abs(m.slip-p.bareMean) >= limit {
			if p.bareAway == 0 {
				p.bareAwayAt = s.trail.end - 1
			}
			p.bareAway++
			if p.bareAway >= 2 {
				o := s.trail.onset(p.coupledTo-bus.Second/2, p.bareAwayAt, p.bareMean, p.bareSpread)
				p.bareFinish(s, m, outcomeParted, o)
				p.bare0()
				return
			}
		} else {
			p.bareAway = 0
			p.bareLow = min(p.bareLow, m.turbine)
			p.bareEngine = min(p.bareEngine, m.engine)
		}
	}
	if m.at-p.judged < judgeEvery && m.at >= p.judged {
		return
	}
	p.judged = m.at
	w := max(s.set.Clutch.CoupledWindowS, float64(4.5*s.pitch))
	g := s.trail.judge(&s.set.Clutch, m.at-bus.Micros(w*1e6), m.at)
	p.lastJudge = g
	if g.verdict == coupled && abs(g.mean) > bareSlip+g.tol {
		// Two speeds some way apart may keep their distance by chance.
		g.verdict = unobservable
	}
	switch g.verdict {
	case coupled:
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
		p.bareMean, p.bareSpread = g.mean, g.spread
		if hasPedal && pedal >= 1 || !hasPedal && m.slip > 0 {
			p.driven, p.hasDriven = m.at, true
		}
		if !p.hasDriven {
			p.driven, p.hasDriven = m.at, true
		}
		p.bareContext = m.context(s.seg.sinceStart(m.at))
	case parted:
		p.coupledRun = 0
		if p.bareAway == 0 && g.residual > float64(3*s.set.Clutch.CoupledSpreadRPM)+m.tol {
			p.hasCoupled, p.hasDriven = false, false
		}
	}
	if p.hasCoupled && (m.at-p.coupledTo).Seconds() > 4 {
		p.hasCoupled, p.hasDriven = false, false
	}
}

func (p *partingTrack) bareFinish(s *scene, m *moment, how outcome, o onset) {
	pedal, hasPedal := m.accelerator()
	early := p.driven
	p.result = parting{outcome: how, fall: edge{early: early, late: max(early, o.late)}, part: o,
		proof: p.lastJudge, base: p.bareMean, engineLow: p.bareEngine, turbineLow: p.bareLow,
		kmh: m.kmh, ctx: p.bareContext, gear: m.gear, hasGear: m.hasGear,
		stop: !(hasPedal && pedal > 2)}
	p.result.proof.verdict = coupled
	p.has = true
	if how == outcomeParted {
		s.note(o.at, "speeds parted")
	}
}

// bare is the state of a clutch whose command is not known.
func (p *partingTrack) bare(s *scene, m *moment, limit float64, overrun bool) clutchState {
	set := &s.set.Clutch
	far := set.OpenRPM + float64(2*m.tol)
	g := &p.lastJudge
	switch {
	case m.slip > far || m.slip < -far:
		p.bareState = open
	case limit < 0:
		p.bareState = unknown
	case p.hasCoupled && p.bareAway == 0 && (m.at-p.coupledTo).Seconds() < 4 && abs(m.slip) <= limit+float64(0.5*m.tol):
		p.bareState = closed
	case p.hasCoupled && p.bareAway == 0 && (m.at-p.coupledTo).Seconds() < 4 && m.slip > 0:
		p.bareState = partial
	case p.bareState == closed && abs(m.slip) <= limit+float64(0.5*m.tol):
		// Steady since it was last proved.
	case p.bareState == partial && abs(m.slip-p.bareMean) <= limit+float64(0.5*m.tol):
	case p.bareState == open && (abs(m.slip) > limit+float64(2*m.tol) || g.verdict == parted):
		// Open until proved otherwise.
	case g.verdict == parted && abs(m.slip) > limit+float64(2*m.tol) && m.at-p.judged < bus.Second:
		p.bareState = open
	default:
		p.bareState = unknown
	}
	if p.bareState == closed && overrun {
		return coast
	}
	return p.bareState
}
