package stream

import (
	"fmt"
	"math"

	"joltwatch/bus"
)

// Sink takes what a Stream makes. What it is handed is valid during the call
// only.
type Sink interface {
	// Frame is called for every data frame of a mapped identifier, every
	// reading and answer that is mapped, and every notice and error frame,
	// before the samples and rows it leads to.
	Frame(*bus.Frame)
	// Samples is called with the decoded values of a frame that are of a source in
	// use; there is one at least.
	Samples([]Sample)
	// Row is called for each common instant, in time order.
	Row(*Row)
}

const (
	// DefaultStaleFactor times a source's own period is the age at which its
	// value is stale, where the vehicle file says nothing: three samples in a
	// row have then been missed, which ordinary jitter and a busy bus do not
	// do.
	DefaultStaleFactor = 3.5
	// MaxDelay bounds how long a row waits for the samples after it.
	MaxDelay = 2 * bus.Second
	// maxBack is how far a frame may lie behind the latest one and still
	// count as out of order; further back, the clock has jumped.
	maxBack = bus.Second
	// maxPending bounds the rows that wait: 2 s at 500 Hz.
	maxPending = 1024
)

// Stream decodes frames, chooses among the sources of each role and aligns
// the samples. It allocates nothing in steady state, keeps a bounded amount,
// and what it makes depends only on the order of the frames, not on how they
// are batched.
//
// Time. The stream's time is the latest instant seen. A frame up to 1 s behind
// it is out of order: its samples are used where they still come after the
// last one of their role, and are dropped and counted where they do not. Two
// samples of a role at one instant: the later frame counts. A frame further
// behind means that the clock has jumped back: the rows held back are emitted,
// what is known of the past is dropped, and rows go on from the new instant.
// Across a NoticeClockJump nothing is interpolated. A gap makes roles stale.
//
// Rows stand at the instants of the reference role: the slower, by observed
// period, of engine speed and the speed that slip is formed with (turbine
// speed; where it has no value, output speed, then vehicle speed). A row is
// emitted once each interpolated role has a sample at or after it, or can no
// longer have one in time (the role is stale); at the latest MaxDelay after
// it.
type Stream struct {
	plan    *Plan
	decoder *Decoder
	feeds   []feed
	roles   [NumRoles]roleState
	mapped  []Role // in the order of the roles
	queues  []*queue
	smooth  []*queue // those with a role that is interpolated
	sets    int      // of samples that always come together (Sample.Set)
	stale   int64    // the stale factor, in 1/1024
	taken   []Sample // of a frame of which not all are of use

	now     bus.Micros
	started bool

	reference    Role
	hasReference bool
	pending      [maxPending]bus.Micros
	first, end   uint32 // of pending, counting all ever added
	newest       bus.Micros
	hasNewest    bool
	// waitFor, nil for time alone, and waitUntil say what the oldest pending row
	// waits for, so that most frames need one comparison.
	waiting   bool
	passed    int // of the smooth queues, the first ones that it need not wait for
	waitFor   *queue
	waitRow   bus.Micros // the oldest
	waitUntil bus.Micros

	torque torqueReference
	row    Row
	derive derivation
	// learner is nil where turbine speed is mapped.
	learner *RatioLearner
	// reported: the controller says whether the clutch is closed.
	reported bool
	stats    Stats
}

// Stats is what a Stream has counted.
type Stats struct {
	Frames uint64 // all that were pushed
	Mapped uint64 // of a mapped identifier
	Rows   uint64
	// Short counts signals that a frame was too short to hold.
	Short uint64
	// Backwards counts clock jumps backwards.
	Backwards uint64
}

// New returns a Stream for the plan, which must not change afterwards.
func New(plan *Plan) (*Stream, error) {
	d, err := NewDecoder(plan)
	if err != nil {
		return nil, err
	}
	s := &Stream{plan: plan, decoder: d, stale: DefaultStaleFactor * 1024}
	if f := plan.StaleFactor; f != 0 {
		if !(f >= 1 && f <= 1000) {
			return nil, fmt.Errorf("stale factor %v: expected 1 to 1000", f)
		}
		s.stale = int64(math.Round(f * 1024))
	}
	none := &queue{from: &arrival{limit: startPeriod}}
	for r := range s.roles {
		s.roles[r] = roleState{active: -1, queue: none}
	}
	s.taken = make([]Sample, 0, len(d.samples))
	var has [NumRoles]bool
	for _, m := range plan.Messages {
		for _, x := range m.Signals {
			has[x.Role] = true
		}
	}
	for r, ok := range has {
		if ok {
			s.mapped = append(s.mapped, Role(r))
		}
	}
	s.derive.init(plan)
	if !has[TurbineSpeed] && has[EngineSpeed] && has[Gear] && (has[OutputSpeed] || has[VehicleSpeed]) {
		s.learner = &RatioLearner{}
		s.reported = has[LockupState]
		for g, r := range plan.Facts.Ratios {
			s.learner.State(g, r)
		}
	}
	s.torque.init(plan)
	s.growFeeds()
	return s, nil
}

// interpolated reports whether a role is continuous enough to be interpolated
// between its samples.
func interpolated(r Role) bool {
	switch r {
	case EngineSpeed, TurbineSpeed, OutputSpeed, VehicleSpeed, ClutchPressureCommand, ClutchPressure, SlipReported, Acceleration:
		return true
	}
	return false
}

// growFeeds follows the decoder's feeds: some appear with the first frame of
// an identifier.
func (s *Stream) growFeeds() {
	known := len(s.feeds)
	for i := known; i < len(s.decoder.feeds); i++ {
		k := s.decoder.feeds[i]
		s.feeds = append(s.feeds, feed{feedKey: k.feedKey, arrival: s.arrivalOf(&k), step: k.step, percent: k.percent})
		s.torque.wanted = s.torque.wanted || k.percent
		r := &s.roles[k.role]
		r.feeds = append(r.feeds, int32(i))
		if len(r.feeds) > 1 {
			s.separate(r.queue)
		}
	}
	for i := known; i < len(s.feeds); i++ {
		s.share(int32(i))
		if r := &s.roles[s.feeds[i].role]; len(r.queue.roles) == 0 {
			r.queue = newQueue(r.queue.from, s.feeds[i].role)
		}
	}
	s.arrange()
}

// Push takes one frame.
func (s *Stream) Push(f *bus.Frame, sink Sink) {
	s.stats.Frames++
	switch {
	case !s.started:
		s.started, s.now = true, f.At
	case f.At > s.now:
		s.now = f.At
	case f.At < s.now-maxBack:
		s.restart(f.At, sink)
	}
	switch f.Kind {
	case bus.Notice:
		sink.Frame(f)
		if bus.NoticeCode(f.ID) == bus.NoticeClockJump {
			for _, q := range s.queues {
				q.broken = true
			}
		}
	case bus.Error:
		sink.Frame(f)
	default:
		m, none := s.decoder.hit(f)
		if none {
			break
		}
		if m != nil && m.shared != nil {
			s.stats.Mapped++
			sink.Frame(f)
			s.takeAll(m, f, sink)
			break
		}
		samples, mapped := s.decoder.Decode(f)
		if mapped {
			s.stats.Mapped++
			sink.Frame(f)
		}
		if len(s.feeds) != len(s.decoder.feeds) {
			s.growFeeds()
			if m, _ := s.decoder.hit(f); m != nil && m.shared != nil {
				s.takeAll(m, f, sink)
				break
			}
		}
		if len(samples) > 0 {
			s.take(samples, sink)
		} else if mapped && s.torque.wanted {
			s.torque.take(f)
		}
	}
	if s.first != s.end && !s.waits() {
		s.emit(sink)
	}
}

// take puts the samples of one frame to use.
func (s *Stream) take(samples []Sample, sink Sink) {
	if !s.decoder.direct {
		s.part(len(samples))
	}
	s.taken = s.taken[:0]
	var heard *arrival
	for i := range samples {
		x, n := &samples[i], s.decoder.feedOf(i)
		f := &s.feeds[n]
		if f.percent {
			s.torque.convert(x, f.address)
		}
		if f.arrival != heard {
			heard = f.arrival
			heard.heard(x.At, s.stale)
		}
		f.ok = x.OK
		r := &s.roles[x.Role]
		if (r.active != n || !x.OK) && !s.choose(n, f, r, x.OK) {
			continue
		}
		s.takeOne(r.queue, x, sink)
	}
	if len(s.taken) > 0 {
		sink.Samples(s.taken)
	}
}

// takeOne puts a sample into the queue that its role has for itself.
func (s *Stream) takeOne(q *queue, x *Sample, sink Sink) {
	row, at := s.push(q, x.At, x.Early, sink)
	if row == nil {
		return
	}
	if row[0] = 0; x.OK {
		row[0], q.last().ok = x.Value, 1<<x.Role
	} else {
		s.roles[x.Role].notOK++
	}
	s.taken = append(s.taken, *x)
	if q.refers {
		s.refer(q, at, sink)
	}
}

// takeAll decodes a frame into the queue that the roles of its message share.
func (s *Stream) takeAll(m *message, f *bus.Frame, sink Sink) {
	q := m.shared
	q.from.heard(f.At, s.stale)
	if q.samples == 0 {
		for i, r := range q.roles {
			s.follow(&s.roles[r], s.decoder.base+int32(i))
		}
	}
	row, at := s.push(q, f.At, f.Early, sink)
	if row == nil {
		return
	}
	ok := m.decode(f, row)
	if q.percent {
		ok = s.convert(m, row, ok)
	}
	if q.last().ok = ok; ok != q.all {
		for i := range m.samples {
			if !m.samples[i].OK {
				s.roles[m.samples[i].Role].notOK++
			}
		}
	}
	sink.Samples(m.samples)
	if q.refers {
		s.refer(q, at, sink)
	}
}

// convert turns the torques of a message that are in percent into N·m.
func (s *Stream) convert(m *message, row []float64, ok uint32) uint32 {
	for i := range m.samples {
		x := &m.samples[i]
		if f := &s.feeds[s.decoder.base+int32(i)]; f.percent {
			s.torque.convert(x, f.address)
			if row[i] = x.Value; !x.OK {
				row[i], ok = 0, ok&^(1<<x.Role)
			}
		}
	}
	return ok
}

// push adds a point of a frame's instant to a queue and returns where its values go,
// nil where it comes too late, and the instant in the middle of its interval.
func (s *Stream) push(q *queue, at bus.Micros, early uint32, sink Sink) ([]float64, bus.Micros) {
	half := early / 2
	at -= bus.Micros(half)
	if row := q.next(at, half); row != nil {
		return row, at
	}
	if q.full() {
		s.makeRoom(q, sink)
	}
	row := q.push(at, half)
	if row == nil {
		q.late++
	} else {
		q.samples++
	}
	return row, at
}

// makeRoom emits rows before their time, or drops the oldest point where no
// row waits for it.
func (s *Stream) makeRoom(q *queue, sink Sink) {
	for q.full() && s.first != s.end {
		s.emitOldest(sink)
	}
	if q.full() {
		q.cur, q.held = q.cur+1, false
	}
}

// alive reports whether the queue has a sample that is not stale.
func (s *Stream) alive(q *queue) bool {
	return q.cur != q.end && s.now-q.latest <= q.from.limit
}

// refer adds a row where the queue has the reference role.
func (s *Stream) refer(q *queue, at bus.Micros, sink Sink) {
	other := Role(NumRoles)
	for c := TurbineSpeed; c <= VehicleSpeed; c++ {
		if x := s.roles[c].queue; s.alive(x) && x.last().ok>>c&1 != 0 {
			other = c
			break
		}
	}
	e := s.roles[EngineSpeed].queue
	engine := s.alive(e)
	switch {
	case !engine && other == NumRoles:
		return
	case !engine:
		s.reference = other
	case other == NumRoles:
		s.reference = EngineSpeed
	default:
		s.slower(other)
	}
	s.hasReference = true
	if q != s.roles[s.reference].queue || s.hasNewest && at <= s.newest {
		return
	}
	if s.end-s.first == maxPending {
		s.emitOldest(sink)
	}
	s.pending[s.end%maxPending] = at
	s.end++
	s.newest, s.hasNewest = at, true
}

// slower makes the slower of engine speed and another the reference; one must be
// clearly slower to take the place of the other.
func (s *Stream) slower(other Role) {
	e, o := s.roles[EngineSpeed].queue.from.period.value(), s.roles[other].queue.from.period.value()
	switch {
	case s.hasReference && s.reference == EngineSpeed:
		if o > e+e/4 {
			s.reference = other
		}
	case s.hasReference && s.reference == other:
		if e > o+o/4 {
			s.reference = EngineSpeed
		}
	case o > e:
		s.reference = other
	default:
		s.reference = EngineSpeed
	}
}

// waits reports whether the oldest pending row still waits for what it did.
func (s *Stream) waits() bool {
	return s.waiting && s.now <= s.waitUntil && (s.waitFor == nil || !s.waitFor.reaches(s.waitRow))
}

// emit emits the pending rows that need wait no longer.
func (s *Stream) emit(sink Sink) {
	for s.first != s.end && !s.mustWait(s.pending[s.first%maxPending]) {
		s.emitOldest(sink)
	}
}

// mustWait reports whether a row at t should still wait, and notes for what.
func (s *Stream) mustWait(t bus.Micros) bool {
	s.waiting, s.waitRow = false, t
	if s.now > t+MaxDelay {
		return false
	}
	for s.passed < len(s.smooth) && s.smooth[s.passed].reaches(t) {
		s.passed++
	}
	for _, q := range s.smooth[s.passed:] {
		if q.empty() || q.reaches(t) {
			continue
		}
		l := q.last()
		// A sample later than this would lie too far from the last one to be
		// interpolated with. It arrives half its own interval after its
		// instant, for which the last one's stands.
		until := min(l.at+q.from.limit+bus.Micros(l.half), t+MaxDelay)
		if s.now <= until {
			s.waiting, s.waitFor, s.waitUntil = true, q, until
			return true
		}
	}
	if until := t + gearAhead; s.now < until && s.derive.possible && !s.alive(s.roles[TurbineSpeed].queue) {
		s.waiting, s.waitFor, s.waitUntil = true, nil, until-1
		return true
	}
	return false
}

func (s *Stream) emitOldest(sink Sink) {
	t := s.pending[s.first%maxPending]
	s.first++
	s.waiting, s.passed = false, 0
	s.align(t)
	s.stats.Rows++
	sink.Row(&s.row)
}

// align works out the row at t.
func (s *Stream) align(t bus.Micros) {
	w := &s.row
	w.At, w.Derived, w.Tol[TurbineSpeed], w.StepRPM = t, 0, 0, 0
	known := uint32(0)
	for _, q := range s.queues {
		known |= q.align(w, t)
	}
	w.Known = known
	if s.derive.possible {
		s.deriveTurbine(w)
	}
	if s.learner != nil {
		s.learn(w)
	}
}

// restart begins anew after the clock has jumped back.
func (s *Stream) restart(at bus.Micros, sink Sink) {
	s.Flush(sink)
	s.stats.Backwards++
	s.now = at
	s.hasNewest, s.hasReference = false, false
	for _, q := range s.queues {
		q.clear()
	}
	for i := range s.feeds {
		s.feeds[i].seen, s.feeds[i].ok = false, false
		s.feeds[i].last = at
	}
	s.derive.forget()
}

// Flush emits the rows still held back; call it at the end of the input.
func (s *Stream) Flush(sink Sink) {
	for s.first != s.end {
		s.emitOldest(sink)
	}
}

// Stats returns the counters.
func (s *Stream) Stats() Stats {
	st := s.stats
	st.Short = s.decoder.short
	return st
}

// RoleCover is what a Stream has counted of one role.
type RoleCover struct {
	Role Role
	// Samples of the source in use, NotOK of them without a value.
	Samples, NotOK uint64
	// Late counts samples dropped because their instant lies before one
	// already taken.
	Late uint64
	// Switches counts changes of the source in use after the first.
	Switches uint64
	// Source is the index of the source in use in Plan.Sources, -1 before
	// the first sample; Address its J1939 source address, or -1.
	Source, Address int
	// Period is the observed period of the source in use, 0 before two
	// samples.
	Period bus.Micros
	// Step is the size of one raw step of the source in use in the role's
	// unit, 0 where it is a floating-point number or not yet seen.
	Step float64
}

// Cover returns the counters of the mapped roles, in the order of the roles.
func (s *Stream) Cover() []RoleCover {
	out := make([]RoleCover, 0, len(s.mapped))
	for _, r := range s.mapped {
		x := &s.roles[r]
		c := RoleCover{Role: r, Samples: x.queue.samples, NotOK: x.notOK, Late: x.queue.late, Switches: x.changes, Source: -1, Address: -1}
		if x.active >= 0 {
			f := &s.feeds[x.active]
			c.Source, c.Address, c.Period, c.Step = int(f.source), f.address, f.period.value(), f.step
		}
		out = append(out, c)
	}
	return out
}
