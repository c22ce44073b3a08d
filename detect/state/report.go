package state

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// Report learns whether the clutch state that the controller reports falls before
// the speeds part, and so may be a copy of the command, or only follows what the
// plates do. Where that state is the only command there is, it looks for the
// separations by the speeds alone; a release of which the state was not seen to
// come first is told only once it usually does.
type Report struct {
	speeds withoutCommand
	mem    ReportMemory
	// open is since when the state has said open, 0 where it does not: speeds
	// that go on side by side for long after that are the watch's to judge.
	open      bus.Micros
	fall      Edge
	hasFall   bool
	parted    coupling.Onset
	hasParted bool
	// waiting is a separation by the speeds alone, seen while the release of the
	// state is still being watched.
	waiting    Separation
	hasWaiting bool
	// last is the separation that the speeds alone told last.
	last    coupling.Onset
	hasLast bool
	// engaged: the state said so in the row at saidAt.
	engaged bool
	saidAt  bus.Micros
}

// ReportMemory counts the releases in which the state fell before the speeds
// parted and after, as far as the samples can tell.
type ReportMemory struct {
	Before float64 `json:"before"`
	After  float64 `json:"after"`
}

const (
	// reportCount releases in which the state came first, and reportShare times
	// as many as those in which it came last, make it one that does.
	reportCount, reportShare = 3, 4
	// reportMost bounds the counts: older ones fade.
	reportMost = 100
	// reportReach is how far a fall and a separation of one release may be apart,
	// reportBehind how far the fall may come after the separation.
	reportReach  = 3 * bus.Second
	reportBehind = bus.Second
)

// Leads reports whether the state comes before what the plates do.
func (r *Report) Leads() bool {
	return r.mem.Before >= reportCount && r.mem.Before >= float64(reportShare*r.mem.After)
}

// Follows reports whether the state comes after what the plates do.
func (r *Report) Follows() bool {
	return r.mem.After >= reportCount && r.mem.After >= float64(reportShare*r.mem.Before)
}

// Ahead reports whether the state fell before the speeds parted, as far as they
// tell that by themselves.
func (r *Report) Ahead(p *Separation) bool { return !r.Told(p) || r.last.Late >= p.Fall.Early }

// Told reports whether the release was told by the speeds alone before the state
// fell.
func (r *Report) Told(p *Separation) bool {
	return r.hasLast && r.last.At <= p.Fall.Late && r.last.At > p.Fall.Early-reportBehind
}

// TakeWaiting returns, once, the separation by the speeds alone that was seen
// while the release of the state was being watched; nil where there is none.
func (r *Report) TakeWaiting() *Separation {
	if !r.hasWaiting {
		return nil
	}
	r.hasWaiting = false
	return &r.waiting
}

// Memory is what is to be kept of it; nil where that is nothing.
func (r *Report) Memory() *ReportMemory {
	if r.mem == (ReportMemory{}) {
		return nil
	}
	m := r.mem
	return &m
}

// recall takes up what was kept; what is out of range is left out.
func (r *Report) recall(m *ReportMemory) {
	if m != nil && m.Before >= 0 && m.After >= 0 && m.Before+m.After <= reportMost {
		r.mem = *m
	}
}

// follow takes a row, after the release of the state has taken it.
func (r *Report) follow(s *Vehicle, m *Moment) {
	p := &s.release
	if !s.cmd.onlyState() || s.set.StateDelayS == 0 || !m.HasCommand && !p.watching && !(p.has && p.result.HasCommand) {
		r.speeds.forget()
		r.hasWaiting, r.hasLast = false, false
		r.beside(s, m)
		return
	}
	r.speeds.follow(s, m)
	switch {
	case m.Engaged:
		r.open = 0
	case m.Fell:
		r.open = m.Edge.Late
	}
	if m.Fell {
		r.fall, r.hasFall, r.hasWaiting = m.Edge, true, false
		r.pair()
	}
	if r.speeds.has && r.speeds.result.Outcome == coupling.Parted {
		r.parted, r.hasParted = r.speeds.result.Seen.Onset, true
		r.pair()
	}
	r.watched(p)
	r.choose(s)
}

// besideUnsure is how far an instant may be off at which the speeds part.
const besideUnsure = 50_000 * bus.Micros(1)

// beside takes a row of a vehicle that has a better command than the state: the
// releases by that show when the speeds part.
func (r *Report) beside(s *Vehicle, m *Moment) {
	if !s.cmd.has || s.cmd.onlyState() || !m.Row.Has(stream.LockupState) {
		r.engaged, r.hasFall, r.hasParted = false, false, false
		return
	}
	was, from := r.engaged, r.saidAt
	r.engaged, r.saidAt = m.Row.V[stream.LockupState] != stream.LockupOpen, m.At
	if was && !r.engaged {
		r.fall, r.hasFall = Edge{Early: from, Late: m.At}, true
		r.pair()
	}
	if p := s.Separation(); p != nil && p.Outcome == coupling.Parted && p.Proven && !p.Seen.Hidden {
		at := p.Seen.At
		r.parted, r.hasParted = coupling.Onset{At: at, Early: at - besideUnsure, Late: at + besideUnsure}, true
		r.pair()
	}
}

// watched takes a separation that the watch alone has seen: the speeds were seen
// to move together after the fall.
func (r *Report) watched(p *releaseTrack) {
	x := &p.result
	if p.has && r.hasFall && x.Outcome == coupling.Parted && x.Proven && x.Seen.Early > r.fall.Late && !r.Told(x) {
		r.parted, r.hasParted = x.Seen.Onset, true
		r.pair()
	}
}

// pair compares a fall with the separation of the same release.
func (r *Report) pair() {
	d := r.parted.At - r.fall.Mid()
	if !r.hasFall || !r.hasParted || d < -reportBehind || d > reportReach {
		return
	}
	switch {
	case r.parted.Early > r.fall.Late:
		r.mem.Before++
	case r.parted.Late < r.fall.Early:
		r.mem.After++
	}
	if r.mem.Before+r.mem.After > reportMost {
		r.mem.Before /= 2
		r.mem.After /= 2
	}
	r.hasFall, r.hasParted = false, false
}

// choose puts in the place of a release by the state what is to be told of it.
func (r *Report) choose(s *Vehicle) {
	p := &s.release
	if p.has {
		p.result.Reported = true
		p.result.HeldS = s.set.StateDelayS
		if r.mem.After > r.mem.Before {
			p.result.HeldS = max(p.result.HeldS, reportBehind.Seconds())
		}
	}
	if r.Leads() || !r.speeds.has {
		return
	}
	b := &r.speeds.result
	if r.open != 0 { // it may be the plates that the state follows
		b.Seen.Early = min(b.Seen.Early, r.open)
	}
	if p.watching {
		r.waiting, r.hasWaiting = *b, true
		return
	}
	if !p.has && (r.open == 0 || b.Seen.At < r.open || b.Seen.At < r.open+reportBehind && !s.Dragged(b.EngineLowRPM, b.TurbineLowRPM)) {
		p.result, p.has = *b, true
		r.last, r.hasLast = b.Seen.Onset, true
	}
}

// forget drops what is under way (the clock has jumped).
func (r *Report) forget() {
	r.speeds.forget()
	r.hasFall, r.hasParted, r.hasWaiting, r.hasLast = false, false, false, false
}
