package state

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// Separation is one release that was followed to its end: engine and turbine
// come apart, or do not.
type Separation struct {
	Outcome coupling.Outcome
	// HasCommand says whether Fall is an edge of the command; else only that
	// the clutch was certainly engaged at Fall.Early.
	HasCommand bool
	Fall       Edge
	// Driven: the clutch was under drive at Fall.Early, so that nothing had told it to
	// let go before; known where there is no command.
	Driven bool
	Seen   coupling.Seen
	// Proven: the speeds were seen to move together between fall and
	// separation.
	Proven bool
	// Slip before, and what the speeds came to while still together, in rpm.
	SlipBeforeRPM, EngineLowRPM, TurbineLowRPM float64
	Context                                    Context
	Stop                                       bool // the vehicle was slowing without pedal
	// Since is from when on the clutch was engaged and the pedal released.
	Since bus.Micros
	// Reported: what fell is a reported state; the command may have fallen so
	// much earlier, in seconds.
	Reported bool
	HeldS    float64
	// Away is when the state was found to be open.
	Away bus.Micros
}

// releaseTrack follows each release from the fall of the command to the
// instant at which the speeds part, or, where no command is known, by the
// speeds alone. Its results stand in result for the row in which they were
// found.
type releaseTrack struct {
	// watching a fall of the command.
	watching bool
	fall     Edge
	pedal    float64 // at the fall, 0 where unknown
	ctx      Context
	engaged  bus.Micros
	// lifted is the last row with the pedal pressed or unknown, sinceFall the
	// same at the fall.
	lifted, sinceFall bus.Micros
	watch             coupling.Watch
	next              int // point of the trail that the watch takes next
	// parted is when the latest release was seen to have parted, 0 where the clutch was
	// told to close since.
	parted bus.Micros

	speeds withoutCommand

	result Separation
	has    bool
}

// Following reports whether a release of the command is being followed to its end.
func (s *Vehicle) Following() bool { return s.release.watching }

func (p *releaseTrack) holding() bool { return p.watching && !p.watch.Away() }

func (p *releaseTrack) forget() {
	p.watching, p.parted = false, 0
	p.speeds.forget()
}

func (p *releaseTrack) follow(s *Vehicle, m *Moment) {
	p.has = false
	if a, ok := m.Accelerator(); !ok || a >= 1 {
		p.lifted = m.At
	}
	if !s.InDrive() || !m.Running {
		p.parted = 0
	}
	if m.HasCommand || p.watching {
		p.speeds.forget()
		p.commanded(s, m)
		return
	}
	p.speeds.follow(s, m)
	if p.speeds.has {
		p.result, p.has = p.speeds.result, true
	}
}

// commanded follows a release by its command.
func (p *releaseTrack) commanded(s *Vehicle, m *Moment) {
	if m.Rose {
		p.engaged, p.parted = m.Edge.Late, 0
		if p.watching {
			p.finish(s, m, p.watch.Rose())
		}
	}
	if m.Fell {
		p.begin(s, m)
	}
	if !p.watching {
		return
	}
	switch {
	case !s.InDrive() || p.watch.Quiet(m.At):
		p.finish(s, m, coupling.Lost)
	case m.Row.Has(stream.EngineSpeed) && !m.Running && m.Row.V[stream.EngineSpeed] < s.limits.DeadRPM:
		p.finish(s, m, p.watch.Died())
	case m.HasSlip:
		p.step(s, m)
	case (m.At - p.fall.Early).Seconds() > s.set.WatchS:
		p.finish(s, m, coupling.Lost)
	}
}

// step hands the points that are new to the watch.
func (p *releaseTrack) step(s *Vehicle, m *Moment) {
	for p.next < s.trail.End() {
		how := p.watch.Step(&s.trail, p.next)
		p.next++
		if how != coupling.Watching {
			p.finish(s, m, how)
			return
		}
	}
}

// MinEngagedS is how long the clutch must have been told to close before its
// release is one: before that it was still applying.
const MinEngagedS = 0.5

func (p *releaseTrack) begin(s *Vehicle, m *Moment) {
	p.watching, p.parted = false, 0
	if !s.InDrive() || (m.Edge.Early-p.engaged).Seconds() < MinEngagedS {
		return
	}
	if !p.watch.Begin(&s.limits, &s.trail, coupling.Edge{Early: m.Edge.Early, Late: m.Edge.Late}) {
		return // it was open already, or never closed
	}
	p.watching, p.fall = true, m.Edge
	p.next = s.trail.After(m.Edge.Late)
	p.ctx = m.Context(s.SinceStart(m.At))
	p.pedal, _ = m.Accelerator()
	p.sinceFall = p.lifted
}

func (p *releaseTrack) finish(s *Vehicle, m *Moment, how coupling.Outcome) {
	p.watching = false
	w := &p.watch
	if how == coupling.Parted {
		s.trail.Parts()
	}
	proven := w.Proof(&s.trail)
	a, hasPedal := m.Accelerator()
	p.result = Separation{Outcome: how, HasCommand: true, Fall: p.fall, Proven: proven,
		SlipBeforeRPM: w.Base, EngineLowRPM: w.EngineLow, TurbineLowRPM: w.TurbineLow, Context: p.ctx, Away: m.At,
		Stop: p.pedal < 2 && !(hasPedal && a > 5), Since: max(p.engaged, p.sinceFall)}
	switch how {
	case coupling.Parted:
		p.result.Seen = w.Separation(&s.trail)
		p.result.Away, p.parted = w.AwaySince(&s.trail), m.At
		s.Note(p.result.Seen.At, "speeds parted")
	case coupling.Stalled:
		p.result.Seen.Onset = coupling.Onset{At: m.At, Early: max(p.fall.Late, w.RanTo), Late: m.At}
	case coupling.Held:
		p.result.Seen.Onset = coupling.Onset{At: m.At, Early: m.At, Late: m.At}
	}
	p.has = true
}
