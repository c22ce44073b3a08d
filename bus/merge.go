package bus

import (
	"io"
	"sync"
	"time"
)

// Merged is several sources as one, in the order of their instants. It reads
// each ahead into a queue of its own, so that a consumer that is held up by a
// slow disk for a second or two loses nothing.
type Merged struct {
	sources []Source
	delay   Micros
	now     func() Micros

	mu     sync.Mutex
	cond   *sync.Cond
	queues []queue
	closed bool
	limit  int // of a queue
	timer  *time.Timer
	late   uint64
	last   Micros
	heard  time.Time // when Read last returned a frame
}

// MergeOptions say how long one source may keep another's frames waiting.
type MergeOptions struct {
	// Delay is the longest a frame waits for earlier ones of other sources;
	// 0 means 100 ms. The sources' instants and Now must be of one clock.
	Delay Micros
	// Now is the present on that clock. Nil, for recordings: frames wait for
	// the other sources however long it takes, and Delay is not used.
	Now func() Micros
	// Queue is how many frames of each source are read ahead at most; 0 means
	// 32768 (2.9 MB), which is over 1.5 s of a saturated bus at 1 Mbit/s. The
	// queue of a quiet source stays small.
	Queue int
}

const (
	mergeDelay = 100_000
	mergeQueue = 1 << 15
	mergeStart = 1 << 8 // frames in a queue before it grows
	mergeBatch = 256
)

// queue is a ring of frames from one source.
type queue struct {
	ring   []Frame
	at, n  int
	ended  bool
	err    error
	waited *sync.Cond // the reader waits here while the ring is full
}

// Merge starts reading the sources. Closing the result closes them.
func Merge(sources []Source, opt MergeOptions) *Merged {
	m := &Merged{sources: sources, delay: opt.Delay, now: opt.Now, heard: time.Now()}
	if m.delay == 0 {
		m.delay = mergeDelay
	}
	m.limit = opt.Queue
	if m.limit == 0 {
		m.limit = mergeQueue
	}
	m.cond = sync.NewCond(&m.mu)
	m.queues = make([]queue, len(sources))
	for i := range m.queues {
		m.queues[i].ring = make([]Frame, min(mergeStart, m.limit))
		m.queues[i].waited = sync.NewCond(&m.mu)
		go m.fill(i)
	}
	return m
}

func (m *Merged) fill(i int) {
	q := &m.queues[i]
	batch := make([]Frame, mergeBatch)
	for {
		n, err := m.sources[i].Read(batch)
		m.mu.Lock()
		// While the ring is full the source is not read, so that what is lost
		// in the end is lost in the kernel, where it is counted.
		for done := 0; done < n; {
			if q.n == len(q.ring) && q.n < m.limit {
				q.grow(m.limit)
			}
			for q.n == len(q.ring) && !m.closed {
				q.waited.Wait()
			}
			if m.closed {
				break
			}
			to := (q.at + q.n) % len(q.ring)
			room := min(len(q.ring)-q.n, len(q.ring)-to)
			k := copy(q.ring[to:to+room], batch[done:n])
			q.n += k
			done += k
			m.cond.Signal()
		}
		if err != nil || m.closed {
			q.ended = true
			if err != io.EOF {
				q.err = err
			}
		}
		ended := q.ended
		if ended {
			m.cond.Signal()
		}
		m.mu.Unlock()
		if ended {
			return
		}
	}
}

// grow doubles a full ring, up to the limit.
func (q *queue) grow(limit int) {
	ring := make([]Frame, min(2*len(q.ring), limit))
	k := copy(ring, q.ring[q.at:])
	copy(ring[k:], q.ring[:q.at])
	q.ring, q.at = ring, 0
}

// Read returns the next frames in order. Where the sources are live it waits for
// the first, up to 0.2 s, or a minute once nothing has come for long.
func (m *Merged) Read(batch []Frame) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var until time.Time
	if m.now != nil {
		now := time.Now()
		until = now.Add(quietTime)
		if now.Sub(m.heard) > restAfter.Duration() {
			until = now.Add(2 * restQuietTime) // its sources wake it
		}
	}
	for {
		n, wait := m.take(batch)
		if n > 0 {
			if m.now != nil {
				m.heard = time.Now()
			}
			return n, nil
		}
		if m.closed {
			return 0, io.EOF
		}
		open := false
		for i := range m.queues {
			if q := &m.queues[i]; !q.ended || q.n > 0 {
				open = true
			} else if q.err != nil {
				err := q.err
				q.err = nil
				return 0, err
			}
		}
		if !open {
			return 0, io.EOF
		}
		if m.now != nil {
			left := time.Until(until)
			if left <= 0 {
				return 0, nil
			}
			if wait > 0 {
				left = min(left, wait.Duration())
			}
			m.wakeAfter(left)
		}
		m.cond.Wait()
	}
}

// take moves what is ripe into batch; wait is how long until something will be,
// 0 where nothing is queued.
func (m *Merged) take(batch []Frame) (n int, wait Micros) {
	var now Micros
	if m.now != nil {
		now = m.now()
	}
	for n < len(batch) {
		first, complete := -1, true
		for i := range m.queues {
			q := &m.queues[i]
			if q.n == 0 {
				complete = complete && q.ended
				continue
			}
			if first < 0 || q.ring[q.at].At < m.queues[first].ring[m.queues[first].at].At {
				first = i
			}
		}
		if first < 0 {
			return n, 0
		}
		q := &m.queues[first]
		f := &q.ring[q.at]
		if !complete {
			if m.now == nil {
				return n, 0
			}
			if age := now - f.At; age < m.delay {
				return n, m.delay - age
			}
		}
		if f.At < m.last {
			m.late++
		}
		m.last = max(m.last, f.At)
		batch[n] = *f
		n++
		q.at = (q.at + 1) % len(q.ring)
		if q.n == len(q.ring) {
			q.waited.Signal()
		}
		q.n--
	}
	return n, 0
}

// wakeAfter makes cond.Wait return at the latest after d.
func (m *Merged) wakeAfter(d time.Duration) {
	if m.timer == nil {
		m.timer = time.AfterFunc(d, func() {
			m.mu.Lock()
			m.cond.Broadcast()
			m.mu.Unlock()
		})
		return
	}
	m.timer.Reset(d)
}

// Clock is the first source's: all are to have one clock.
func (m *Merged) Clock() Clock {
	if len(m.sources) == 0 {
		return Clock{}
	}
	return m.sources[0].Clock()
}

// Stats is the sum over the sources; Frames may be ahead of what Read has
// returned by what is queued.
func (m *Merged) Stats() Stats {
	var sum Stats
	for _, s := range m.sources {
		one := s.Stats()
		sum.Frames += one.Frames
		sum.BadLines += one.BadLines
		sum.Dropped += one.Dropped
		sum.Errors += one.Errors
	}
	return sum
}

// Late is how many frames came after a later one had been handed out, because
// their source kept them longer than the delay.
func (m *Merged) Late() uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.late
}

// Close closes the sources and ends a Read that waits.
func (m *Merged) Close() error {
	m.mu.Lock()
	m.closed = true
	m.cond.Broadcast()
	for i := range m.queues {
		m.queues[i].waited.Broadcast()
	}
	m.mu.Unlock()
	var first error
	for _, s := range m.sources {
		if err := s.Close(); err != nil && first == nil {
			first = err
		}
	}
	return first
}
