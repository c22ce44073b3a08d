package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// partingTrack follows each release from the fall of the command to the
// instant at which the speeds part, or, where no command is known, watches
// for speeds that moved together and part. Its results stand in result for
// the row in which they were found.
type partingTrack struct {
	// watching a fall of the command.
	watching bool
	fall     edge
	pedal    float64 // at the fall, 0 where unknown
	ctx      Context
	engaged  bus.Micros
	// lifted is the last row with the pedal pressed or unknown, sinceFall the
	// same at the fall.
	lifted, sinceFall bus.Micros
	watch             coupling.Watch
	next              int // point of the trail that the watch takes next

	// Without a command.
	judged      bus.Micros
	lastJudge   coupling.Together
	coupledTo   bus.Micros
	hasCoupled  bool
	coupledRun  bus.Micros // since when, 0 not
	driven      bus.Micros // last instant coupled under drive
	hasDriven   bool
	cruise      cruise
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
	outcome coupling.Outcome
	// command says whether fall is an edge of the command; else only that
	// the clutch was certainly engaged at fall.early.
	command bool
	fall    edge
	part    coupling.Seen
	// proven: the speeds were seen to move together between fall and parting.
	proven bool
	// slip before, and what the speeds came to while still together.
	base, engineLow, turbineLow float64
	ctx                         Context
	stop                        bool // the vehicle was slowing without pedal
	// since is from when on the clutch was engaged and the pedal released.
	since bus.Micros
	// reported: what fell is a reported state; the command may have fallen so
	// much earlier, in s.
	reported bool
	heldS    float64
	// away is when the state was found to be open.
	away bus.Micros
}

func (p *partingTrack) holding() bool { return p.watching && !p.watch.Away() }

func (p *partingTrack) forget() {
	p.watching, p.hasCoupled, p.hasDriven, p.bareAway = false, false, false, 0
	p.bareState = unknown
}

func (p *partingTrack) follow(s *scene, m *moment) {
	p.has = false
	if a, ok := m.accelerator(); !ok || a >= 1 {
		p.lifted = m.at
	}
	if m.hasCommand || p.watching {
		p.bare0()
		p.commanded(s, m)
		return
	}
	p.uncommanded(s, m)
}

func (p *partingTrack) commanded(s *scene, m *moment) {
	if m.rose {
		p.engaged = m.edge.late
		if p.watching {
			p.finish(s, m, p.watch.Rose())
		}
	}
	if m.fell {
		p.begin(s, m)
	}
	if !p.watching {
		return
	}
	switch {
	case !s.seg.inDrive || p.watch.Quiet(m.at):
		p.finish(s, m, coupling.Lost)
	case m.row.Has(stream.EngineSpeed) && !m.running && m.row.V[stream.EngineSpeed] < s.limits.DeadRPM:
		p.finish(s, m, p.watch.Died())
	case m.hasSlip:
		p.step(s, m)
	case (m.at - p.fall.early).Seconds() > s.set.ReleaseLag.WatchS:
		p.finish(s, m, coupling.Lost)
	}
}

// step hands the points that are new to the watch.
func (p *partingTrack) step(s *scene, m *moment) {
	for p.next < s.trail.End() {
		how := p.watch.Step(&s.trail, p.next)
		p.next++
		if how != coupling.Watching {
			p.finish(s, m, how)
			return
		}
	}
}

// minEngagedS is how long the clutch must have been told to close before its
// release is one: before that it was still applying.
const minEngagedS = 0.5

func (p *partingTrack) begin(s *scene, m *moment) {
	p.watching = false
	if !s.seg.inDrive || (m.edge.early-p.engaged).Seconds() < minEngagedS {
		return
	}
	if !p.watch.Begin(&s.limits, &s.trail, coupling.Edge{Early: m.edge.early, Late: m.edge.late}) {
		return // it was open already, or never closed
	}
	p.watching, p.fall = true, m.edge
	p.next = s.trail.After(m.edge.late)
	p.ctx = m.context(s.seg.sinceStart(m.at))
	p.pedal, _ = m.accelerator()
	p.sinceFall = p.lifted
}

func (p *partingTrack) finish(s *scene, m *moment, how coupling.Outcome) {
	p.watching = false
	w := &p.watch
	proven := w.Proof(&s.trail)
	a, hasPedal := m.accelerator()
	p.result = parting{outcome: how, command: true, fall: p.fall, proven: proven,
		base: w.Base, engineLow: w.EngineLow, turbineLow: w.TurbineLow, ctx: p.ctx, away: m.at,
		stop: p.pedal < 2 && !(hasPedal && a > 5), since: max(p.engaged, p.sinceFall)}
	switch how {
	case coupling.Parted:
		p.result.part = w.Separation(&s.trail)
		p.result.away = w.AwaySince(&s.trail)
		s.note(p.result.part.At, "speeds parted")
	case coupling.Stalled:
		p.result.part.Onset = coupling.Onset{At: m.at, Early: max(p.fall.late, w.RanTo), Late: m.at}
	case coupling.Held:
		p.result.part.Onset = coupling.Onset{At: m.at, Early: m.at, Late: m.at}
	}
	p.has = true
}
