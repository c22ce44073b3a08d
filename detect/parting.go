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
	moving   bool    // the slip was on the move already
	pedal    float64 // at the fall, 0 where unknown
	ctx      Context
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
	lacked      bool // the turbine's speed was unknown in the row before

	result parting
	has    bool
}

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
	ctx                         Context
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
	if a, ok := m.accelerator(); ok {
		p.pedal = a
	} else {
		p.pedal = 0
	}
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
		base:  p.base, engineLow: p.low, turbineLow: p.turbine, ctx: p.ctx, away: p.awayFrom,
		stop: p.pedal < 2 && !(hasPedal && a > 5)}
	p.has = true
	if how == outcomeParted {
		s.note(o.at, "speeds parted")
	}
}
