package stream

import "joltwatch/bus"

// feed is one sender of one signal.
type feed struct {
	feedKey
	*arrival
	ok      bool // of the last sample
	percent bool // of the reference torque
	parted  bool // its arrival is its own for good
	// step is the size of one raw step in the role's unit, 0 for floats.
	step float64
}

// arrival is when the frames of a feed come. The signals that a message always
// has share it: what holds for the message is worked out once a frame.
type arrival struct {
	period period
	last   bus.Micros
	seen   bool
	// limit is the age at which the last value is stale.
	limit bus.Micros
}

// heard takes a frame's instant; stale is the stale factor in 1/1024.
func (a *arrival) heard(at bus.Micros, stale int64) {
	if dt := at - a.last; a.seen && dt > 0 && a.period.n == startIntervals {
		a.period.follow(dt) // as nearly always
		a.limit, a.last = a.period.limit(stale), at
		return
	}
	if a.seen {
		a.period.add(at - a.last)
		a.limit = a.period.limit(stale)
	}
	if !a.seen || at > a.last {
		a.last = at
	}
	a.seen = true
}

// arrivalOf is the arrival of the feed that is to be added: that of the one before
// it where both are always in the same frame. A role twice in a message has two, so
// that choosing between them sees them come one after the other.
func (s *Stream) arrivalOf(k *decodedFeed) *arrival {
	if n := len(s.feeds); k.signal > 0 && s.decoder.messages[k.message].small {
		twice := false
		for i := n - k.signal; i < n; i++ {
			twice = twice || s.feeds[i].role == k.role
		}
		if !twice {
			return s.feeds[n-k.signal].arrival
		}
	}
	a := &arrival{}
	a.limit = a.period.limit(s.stale)
	return a
}

// part gives each feed of a frame that had not all signals of its message, or may
// not have had, an arrival of its own.
func (s *Stream) part(samples int) {
	for i := range samples {
		n := s.decoder.feedOf(i)
		k := &s.decoder.feeds[n]
		if !s.decoder.messages[k.message].small || s.feeds[n].parted {
			continue
		}
		first := int(n) - k.signal
		for j := range s.decoder.messages[k.message].fields {
			f := &s.feeds[first+j]
			s.separate(s.roles[f.role].queue)
			own := *f.arrival
			f.arrival, f.parted = &own, true
			if r := &s.roles[f.role]; r.active == n-int32(k.signal)+int32(j) {
				r.queue.from = f.arrival
			}
		}
	}
}

// share has the signals of a message share a queue, from its first feed on, where no
// other frame has a role of theirs.
func (s *Stream) share(first int32) {
	k := s.decoder.feeds[first]
	m := &s.decoder.messages[k.message]
	if k.signal != 0 || !m.small || s.sets == int(NumRoles) {
		return
	}
	var of []Role
	for i := range m.fields {
		r := m.fields[i].role
		if len(s.roles[r].feeds) > 1 {
			return
		}
		of = append(of, r)
	}
	q := newQueue(s.feeds[first].arrival, of...)
	s.sets++
	m.shared, q.message = q, m
	for i, r := range of {
		s.roles[r].queue, s.roles[r].column = q, uint8(i)
		q.percent = q.percent || s.feeds[first+int32(i)].percent
		m.samples[i].Set = uint8(s.sets)
	}
}

// separate gives each role of a queue one of its own.
func (s *Stream) separate(q *queue) {
	if q.message == nil {
		return
	}
	for i := range q.message.samples {
		q.message.samples[i].Set = 0
	}
	q.message.shared = nil
	for i, role := range q.roles {
		r := &s.roles[role]
		r.queue, r.column = q.alone(i), 0
		if !q.empty() {
			s.feeds[r.active].ok = r.queue.last().ok != 0
		}
	}
	s.arrange()
}

// arrange lists the queues anew.
func (s *Stream) arrange() {
	s.queues, s.smooth, s.waiting, s.passed = s.queues[:0], s.smooth[:0], false, 0
	for _, r := range s.mapped {
		if q := s.roles[r].queue; len(q.roles) > 0 && q.roles[0] == r {
			s.queues = append(s.queues, q)
			if len(q.smooth) > 0 {
				s.smooth = append(s.smooth, q)
			}
		}
	}
}

// roleState is what the stream keeps of one role.
type roleState struct {
	feeds   []int32 // of the role, in the order in which they appeared
	active  int32   // the feed in use, -1 before the first sample
	notOK   uint64
	changes uint64
	queue   *queue
	column  uint8 // of the queue
}

// choose decides whether a sample of feed n is taken. The feed in use stays
// until a more preferred one has a value, or until its own value is not
// available or stale and another has one: then the most preferred fresh one
// takes over, of equals the freshest.
func (s *Stream) choose(n int32, f *feed, r *roleState, ok bool) bool {
	switch {
	case r.active == n:
		if other := s.best(r, n); other >= 0 {
			s.follow(r, other)
			r.changes++
			return false
		}
		return true
	case r.active < 0:
		s.follow(r, n)
		return true
	case !ok:
		return false
	}
	a := &s.feeds[r.active]
	if f.source < a.source || !a.ok || s.now-a.last > a.limit {
		s.follow(r, n)
		r.changes++
		return true
	}
	return false
}

// follow makes a feed the one in use.
func (s *Stream) follow(r *roleState, n int32) {
	r.active, r.queue.from = n, s.feeds[n].arrival
}

// best is the most preferred feed of the role, other than n, that is fresh and
// has a value; -1 where there is none.
func (s *Stream) best(r *roleState, n int32) int32 {
	best := int32(-1)
	for _, i := range r.feeds {
		f := &s.feeds[i]
		if i == n || !f.ok || s.now-f.last > f.limit {
			continue
		}
		if best < 0 || f.source < s.feeds[best].source || f.source == s.feeds[best].source && f.last > s.feeds[best].last {
			best = i
		}
	}
	return best
}
