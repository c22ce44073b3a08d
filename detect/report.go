package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// report learns whether the clutch state that the controller reports, where
// that is the only command there is, falls before the speeds part, and so may be
// a copy of the command, or only follows what the plates do. It looks for the
// partings by the speeds alone. A release of which the state was not seen to
// come first is told only once it usually does.
type report struct {
	bare partingTrack
	mem  reportMemory

	// open is since when the state has said open, 0 where it does not: speeds
	// that go on side by side for long after that are the watch's to judge.
	open      bus.Micros
	fall      edge
	hasFall   bool
	parted    coupling.Onset
	hasParted bool
	// waiting is a parting by the speeds alone, seen while the release of the
	// state is still being watched.
	waiting    parting
	hasWaiting bool
	// last is the parting that the speeds alone told last.
	last    coupling.Onset
	hasLast bool
}

// reportMemory counts the releases in which the state fell before the speeds
// parted and after, as far as the samples can tell.
type reportMemory struct {
	Before float64 `json:"before"`
	After  float64 `json:"after"`
}

const (
	// reportCount releases in which the state came first, and reportShare times
	// as many as those in which it came last, make it one that does.
	reportCount, reportShare = 3, 4
	// reportMost bounds the counts: older ones fade.
	reportMost = 100
	// reportReach is how far a fall and a parting of one release may be apart,
	// reportBehind how far the fall may come after the parting.
	reportReach  = 3 * bus.Second
	reportBehind = bus.Second
)

// leads reports whether the state comes before what the plates do.
func (r *reportMemory) leads() bool {
	return r.Before >= reportCount && r.Before >= float64(reportShare*r.After)
}

// load takes up what was kept; what is out of range is left out.
func (r *report) load(m *reportMemory) {
	if m != nil && m.Before >= 0 && m.After >= 0 && m.Before+m.After <= reportMost {
		r.mem = *m
	}
}

// only reports whether a reported state is all that is known of the command.
func (c *commandTrack) only() bool { return c.has && c.role == stream.LockupState }

// follow takes a row, after the release of the state has taken it.
func (r *report) follow(s *scene, m *moment) {
	r.bare.has = false
	if !s.cmd.only() || s.set.ReleaseLag.StateDelayS == 0 || !m.hasCommand && !s.part.watching && !(s.part.has && s.part.result.command) {
		r.forget()
		return
	}
	r.bare.uncommanded(s, m)
	switch {
	case m.engaged:
		r.open = 0
	case m.fell:
		r.open = m.edge.late
	}
	if m.fell {
		r.fall, r.hasFall, r.hasWaiting = m.edge, true, false
		r.pair()
	}
	if r.bare.has && r.bare.result.outcome == coupling.Parted {
		r.parted, r.hasParted = r.bare.result.part.Onset, true
		r.pair()
	}
	r.watched(&s.part)
	r.choose(s)
}

// watched takes a parting that the watch alone has seen: the speeds were seen to
// move together after the fall.
func (r *report) watched(p *partingTrack) {
	x := &p.result
	if p.has && r.hasFall && x.outcome == coupling.Parted && x.proven && x.part.Early > r.fall.late && !r.told(x) {
		r.parted, r.hasParted = x.part.Onset, true
		r.pair()
	}
}

// pair compares a fall with the parting of the same release.
func (r *report) pair() {
	d := r.parted.At - r.fall.mid()
	if !r.hasFall || !r.hasParted || d < -reportBehind || d > reportReach {
		return
	}
	switch {
	case r.parted.Early > r.fall.late:
		r.mem.Before++
	case r.parted.Late < r.fall.early:
		r.mem.After++
	}
	if r.mem.Before+r.mem.After > reportMost {
		r.mem.Before /= 2
		r.mem.After /= 2
	}
	r.hasFall, r.hasParted = false, false
}

// choose puts in the place of a release by the state what is to be told of it.
func (r *report) choose(s *scene) {
	p := &s.part
	if p.has {
		p.result.reported = true
		p.result.heldS = s.set.ReleaseLag.StateDelayS
		if r.mem.After > r.mem.Before {
			p.result.heldS = max(p.result.heldS, reportBehind.Seconds())
		}
	}
	if r.mem.leads() || !r.bare.has {
		return
	}
	if p.watching {
		r.waiting, r.hasWaiting = r.bare.result, true
		return
	}
	b := &r.bare.result
	if !p.has && (r.open == 0 || b.part.At < r.open || b.part.At < r.open+reportBehind && !s.dragged(b.engineLow, b.turbineLow)) {
		p.result, p.has = *b, true
		r.last, r.hasLast = b.part.Onset, true
	}
}

// ahead reports whether the state fell before the speeds parted, as far as they
// tell that by themselves.
func (r *report) ahead(p *parting) bool { return !r.told(p) || r.last.Late >= p.fall.early }

// told reports whether the release was told by the speeds alone before the state
// fell.
func (r *report) told(p *parting) bool {
	return r.hasLast && r.last.At <= p.fall.late && r.last.At > p.fall.early-reportBehind
}

// forget drops what is under way (the clock has jumped).
func (r *report) forget() {
	r.bare.forget()
	r.hasFall, r.hasParted, r.hasWaiting, r.hasLast = false, false, false, false
}
