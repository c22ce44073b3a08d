package stream

import "joltwatch/bus"

// feed is one sender of one signal.
type feed struct {
	feedKey
	period  period
	last    bus.Micros
	seen    bool
	ok      bool // of the last sample
	percent bool // of the reference torque
	// step is the size of one raw step in the role's unit, 0 for floats.
	step float64
}

// roleState is what the stream keeps of one role.
type roleState struct {
	role    Role
	smooth  bool    // interpolated
	feeds   []int32 // of the role, in the order in which they appeared
	active  int32   // the feed in use, -1 before the first sample
	samples uint64
	notOK   uint64
	late    uint64
	changes uint64
	queue   queue
}

// choose decides whether a sample of feed n is taken. The feed in use stays
// until a more preferred one has a value, or until its own value is not
// available or stale and another has one: then the most preferred fresh one
// takes over, of equals the freshest.
func (s *Stream) choose(n int32, at bus.Micros, ok bool) bool {
	f := &s.feeds[n]
	if f.seen {
		f.period.add(at - f.last)
	}
	if !f.seen || at > f.last {
		f.last = at
	}
	f.seen, f.ok = true, ok
	r := &s.roles[f.role]
	switch {
	case r.active == n && ok:
		return true
	case r.active == n:
		if other := s.best(r, n); other >= 0 {
			r.active = other
			r.changes++
			return false
		}
		return true
	case r.active < 0:
		r.active = n
		return true
	case !ok:
		return false
	}
	a := &s.feeds[r.active]
	if f.source < a.source || !a.ok || s.now-a.last > a.period.limit(s.stale) {
		r.active = n
		r.changes++
		return true
	}
	return false
}

// best is the most preferred feed of the role, other than n, that is fresh and
// has a value; -1 where there is none.
func (s *Stream) best(r *roleState, n int32) int32 {
	best := int32(-1)
	for _, i := range r.feeds {
		f := &s.feeds[i]
		if i == n || !f.ok || s.now-f.last > f.period.limit(s.stale) {
			continue
		}
		if best < 0 || f.source < s.feeds[best].source || f.source == s.feeds[best].source && f.last > s.feeds[best].last {
			best = i
		}
	}
	return best
}
