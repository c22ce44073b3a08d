package storage

import (
	"fmt"
	"io"

	"joltwatch/bus"
)

// Replay hands out the frames of a store again, as a source of frames.
//
// Runs are played one after the other. The instants of the first run that has
// frames are as they were. Where wall time is known for it and a later run, the
// later run's instants are moved so that wall time goes on; else so that the
// run begins ten seconds after the one before, longer than any detector looks
// back. Either way instants never run backwards from one run to the next.
type Replay struct {
	store *Store
	boots []Boot
	clock bus.Clock
	shift bus.Micros
	last  bus.Micros
	begun bool
	boot  int
	spans []spanAt
	next  uint64
	ready []bus.Frame
	stats bus.Stats
	bad   []Damage
}

// betweenRuns separates runs of which wall time does not say how far they were
// apart.
const betweenRuns = 10 * bus.Second

// OpenReplay opens the store in dir for replay.
func OpenReplay(dir string) (*Replay, error) {
	s, err := Read(dir)
	if err != nil {
		return nil, err
	}
	if len(s.boots) == 0 {
		return nil, fmt.Errorf("%s: no store: expected the folder of a stay", dir)
	}
	r := &Replay{store: s, boots: s.boots, boot: -1}
	// The clock must be known before the first frame is read.
	if err := r.fill(); err != nil && err != io.EOF {
		return nil, err
	}
	return r, nil
}

// Read fills batch with the next frames; io.EOF at the end.
func (r *Replay) Read(batch []bus.Frame) (int, error) {
	if len(r.ready) == 0 {
		if err := r.fill(); err != nil {
			return 0, err
		}
	}
	n := copy(batch, r.ready)
	r.ready = r.ready[n:]
	return n, nil
}

// fill decodes the next span.
func (r *Replay) fill() error {
	for len(r.ready) == 0 {
		for len(r.spans) == 0 {
			r.boot++
			if r.boot >= len(r.boots) {
				return io.EOF
			}
			spans, damage, err := r.store.spansOf(r.boots[r.boot].Number)
			if err != nil {
				return err
			}
			r.spans, r.next = spans, 0
			r.store.unpacker.budget = newBudget(r.store.size(r.boots[r.boot].Number))
			r.bad = append(r.bad, damage...)
			if len(spans) > 0 {
				r.place(spans[0].from)
			}
		}
		at := r.spans[0]
		r.spans = r.spans[1:]
		frames, err := r.store.span(at)
		if err != nil {
			r.bad = append(r.bad, Damage{File: at.file, Offset: at.offset, What: err.Error()})
			continue
		}
		if at.first < r.next {
			frames = frames[min(uint64(len(frames)), r.next-at.first):]
		}
		r.next = max(r.next, at.first+uint64(at.frames))
		for i := range frames {
			frames[i].At += r.shift
			r.last = max(r.last, frames[i].At)
			if k := frames[i].Kind; k == bus.Error {
				r.stats.Errors++
			}
			if frames[i].Kind != bus.Notice {
				r.stats.Frames++
			}
		}
		r.ready = frames
	}
	return nil
}

// place works out how far the instants of a run are moved.
func (r *Replay) place(first bus.Micros) {
	b := &r.boots[r.boot]
	if !r.begun {
		r.begun, r.clock, r.shift = true, b.Clock, 0
		return
	}
	r.shift = r.last + betweenRuns - first
	if r.clock.Known && b.Clock.Known {
		if s := b.Clock.Zero - r.clock.Zero; s > r.shift-betweenRuns {
			r.shift = s
		}
	}
}

// Clock is that of the first run that has frames.
func (r *Replay) Clock() bus.Clock { return r.clock }

// Stats counts the frames handed out.
func (r *Replay) Stats() bus.Stats { return r.stats }

// Damage is what could not be read so far.
func (r *Replay) Damage() []Damage { return r.bad }

// Close does nothing: files are open only while a span is read.
func (r *Replay) Close() error { return nil }
