package bus

import "sync"

// outbox is what a live source has taken in and not handed out yet, and what it has
// counted. Only Stats may be called beside the goroutine that reads.
type outbox struct {
	bus  uint8 // of all that goes out
	out  []Frame
	next int
	last Micros // what goes out in order is never earlier
	down bool   // the device is away, and that has been told

	counting sync.Mutex
	stats    Stats
}

// hand fills batch with what waits; where nothing does, receive takes more in.
func (o *outbox) hand(batch []Frame, receive func() error) (int, error) {
	if o.next == len(o.out) {
		o.out, o.next = o.out[:0], 0
		if err := receive(); err != nil {
			return 0, err
		}
		o.publish()
	}
	n := copy(batch, o.out[o.next:])
	o.next += n
	return n, nil
}

func (o *outbox) publish() {
	o.counting.Lock()
	defer o.counting.Unlock()
	for i := range o.out {
		addStats(&o.stats, &o.out[i])
	}
}

// addStats counts one frame of a source.
func addStats(s *Stats, f *Frame) {
	switch f.Kind {
	case Error:
		s.Errors++
		s.Frames++
	case Notice:
		switch NoticeCode(f.ID) {
		case NoticeDropped:
			s.Dropped += uint64(f.Count())
		case NoticeBadInput:
			s.BadLines += uint64(f.Count())
		}
	default:
		s.Frames++
	}
}

// notice puts a notice into the box.
func (o *outbox) notice(at Micros, code NoticeCode, count int64) {
	o.out = append(o.out, NewNotice(at, o.bus, code, count))
}

// note is notice in order: not before what went out last.
func (o *outbox) note(at Micros, code NoticeCode, count int64) {
	o.last = max(o.last, at)
	o.notice(o.last, code, count)
}

// setDown tells once that the device is away.
func (o *outbox) setDown() {
	if !o.down {
		o.down = true
		o.note(BootNow(), NoticeDown, 0)
	}
}

// Clock relates boot time to wall time as the host knows it now.
func (o *outbox) Clock() Clock { return BootClock() }

// Stats returns the counters so far; notices are not counted as frames.
func (o *outbox) Stats() Stats {
	o.counting.Lock()
	defer o.counting.Unlock()
	return o.stats
}
