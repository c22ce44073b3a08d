package main

import (
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"

	"github.com/rs/zerolog"
)

// line is the whole way of a frame: it decodes, watches and stores, and is
// what run and check share. It takes frames from one goroutine.
type line struct {
	stream  *stream.Stream
	monitor *detect.Monitor
	// store is nil where nothing is to be kept (check on a recording).
	store *storage.Writer
	log   zerolog.Logger

	// seen, where set, is told of every finding.
	seen func(*detect.Finding)
	// codes, where set, adds trouble codes to what is worth it; asking is
	// told what it needs to know when to be silent and what matters.
	codes  *codes
	asking asking

	last   bus.Micros // the latest frame
	first  bus.Micros
	pushed uint64 // frames, with notices
	// muted is how many frames bring nothing new: what they show is in the stay
	// already.
	muted    uint64
	before   []byte    // what the stay had learned before them
	asleep   bool      // the bus has gone quiet
	away     [256]bool // sources, by bus, that are known to be away
	counted  bus.Stats // since the start, in the order of the frames
	base     bus.Stats // what of that belongs to drives already ended
	ended    int       // the latest of these
	findings map[string]int
	failed   error // the first error of the store
}

// Push takes one frame from the source.
func (l *line) Push(f *bus.Frame) error {
	if l.pushed++; l.pushed == 1 {
		l.first = f.At
	}
	l.count(f)
	if f.Kind != bus.Notice {
		l.last, l.asleep = f.At, false
	}
	if l.codes != nil {
		l.codes.frame(f)
		l.release(f.At)
	}
	l.stream.Push(f, l)
	return l.failed
}

func (l *line) count(f *bus.Frame) {
	switch f.Kind {
	case bus.Data, bus.Remote, bus.Reading, bus.Answer:
		l.counted.Frames++
	case bus.Error:
		l.counted.Errors++
	case bus.Notice:
		switch bus.NoticeCode(f.ID) {
		case bus.NoticeDropped:
			l.counted.Dropped += uint64(f.Count())
		case bus.NoticeBadInput:
			l.counted.BadLines += uint64(f.Count())
		case bus.NoticeDown, bus.NoticeBusOff:
			l.away[f.Bus] = true
		case bus.NoticeUp, bus.NoticeRestarted:
			l.away[f.Bus] = false
		}
	}
}

// Frame implements stream.Sink: mapped frames and everything that is not data.
func (l *line) Frame(f *bus.Frame) {
	l.monitor.Traffic(l.counted.Frames)
	if f.Kind == bus.Notice || f.Kind == bus.Error {
		l.monitor.Notice(f)
	}
	if l.store != nil {
		l.store.Frame(f)
	}
}

// Samples implements stream.Sink.
func (l *line) Samples(of []stream.Sample) {
	if len(l.asking.buses) > 0 {
		for i := range of {
			l.asking.sample(&of[i])
		}
	}
	l.monitor.Samples(of)
}

// Row implements stream.Sink.
func (l *line) Row(r *stream.Row) { l.monitor.Row(r) }

// Finding implements detect.Out.
func (l *line) Finding(f *detect.Finding, percentiles []detect.Percentile) {
	l.findings[f.Kind+" "+f.Class.String()]++
	l.log.Info().Str("kind", f.Kind).Str("class", f.Class.String()).Float64("at_s", f.Start.Seconds()).Int("drive", f.Drive).Msg("found")
	if l.seen != nil {
		l.seen(f)
	}
	switch {
	case l.store == nil || l.pushed <= l.muted:
	case l.codes != nil && f.Severity >= codesSeverity:
		l.codes.hold(f, percentiles, l.last, &l.asking)
	default:
		l.keep(l.store.Event(f, percentiles))
	}
}

// release stores the findings whose trouble codes have come, or have been
// waited for long enough.
func (l *line) release(now bus.Micros) {
	for l.codes != nil && l.store != nil {
		h, ok := l.codes.next(now)
		if !ok {
			return
		}
		l.keep(l.store.Event(h.finding, h.percentiles))
	}
}

// Account implements detect.Out and adds what was counted on the way in, shared
// out among the drives by what it was when the last one ended; that of an earlier drive
// has it.
func (l *line) Account(a *detect.Account) {
	if a.Drive > l.ended {
		a.Frames = l.counted.Frames - l.base.Frames
		a.BadLines = l.counted.BadLines - l.base.BadLines
		a.Dropped = l.counted.Dropped - l.base.Dropped
		a.Errors = l.counted.Errors - l.base.Errors
		a.Asking = l.asking.lines()
	}
	if l.store != nil && l.pushed > l.muted {
		if a.Ended && a.Drive >= l.ended {
			l.monitor.KeepRatios(l.stream.RatioMemory())
			l.keep(l.store.History(l.monitor.History()))
		}
		l.keep(l.store.Account(a))
	}
	if a.Ended && a.Drive > l.ended {
		l.base, l.ended = l.counted, a.Drive
	}
}

// patience is how long a silence may last before it is taken for the key.
func (l *line) patience() bus.Micros {
	if slices.Contains(l.away[:], true) {
		return awayAfter
	}
	return quietAfter
}

// sleep ends the running drive when the bus has gone quiet. What is still to be
// written goes with the next tick; after that there is nothing to write until
// frames come again.
func (l *line) sleep() {
	l.asleep = true
	l.stream.Flush(l)
	l.monitor.Flush()
	l.release(math.MaxInt64) // no frame will come to do it
	l.log.Info().Msg("the bus is quiet: the drive has ended, nothing is written until it wakes")
}

// Finish ends the running drive and closes the store.
func (l *line) Finish() error {
	l.stream.Flush(l)
	l.monitor.Flush()
	if l.store != nil {
		l.release(math.MaxInt64)
		l.keep(l.store.Close())
	}
	return l.failed
}

func (l *line) keep(err error) {
	if err != nil && l.failed == nil {
		l.failed = err
	}
}
