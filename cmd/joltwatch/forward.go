package main

import (
	"fmt"

	"joltwatch/bus"
)

// backwardsFrom is how far time must fall for recordings to be joined: interfaces
// of one recording may be out of step by less.
const backwardsFrom = bus.Second

// forward passes over frames of a time that has been read already: where recordings
// are joined, or one is in the file twice, nothing is counted twice.
type forward struct {
	source
	started     bool
	first, last bus.Micros // the time that has been read
	behind      bool       // since a fall of time, until it is caught up
	falls       int
	fellAt      bus.Micros // since the start
	passed      uint64
}

// Read implements source.
func (w *forward) Read(batch []bus.Frame) (int, error) {
	for {
		n, err := w.source.Read(batch)
		kept := 0
		for i := range batch[:n] {
			if w.takes(&batch[i]) {
				batch[kept] = batch[i]
				kept++
			}
		}
		if kept > 0 || n == 0 || err != nil {
			return kept, err
		}
	}
}

func (w *forward) takes(f *bus.Frame) bool {
	if f.Kind == bus.Notice {
		return true
	}
	if !w.started {
		w.started, w.first, w.last = true, f.At, f.At
	}
	if f.At > w.last {
		w.last, w.behind = f.At, false
		return true
	}
	if !w.behind && f.At < w.last-backwardsFrom {
		if w.falls++; w.falls == 1 {
			w.fellAt = w.last - w.first
		}
		w.behind = true
	}
	if w.behind && f.At >= w.first {
		w.passed++
		return false
	}
	return true
}

// says is one line on a recording whose time runs backwards; empty where it does not.
func (w *forward) says() string {
	if w == nil || w.falls == 0 {
		return ""
	}
	return fmt.Sprintf("the recording's time runs backwards %s, first %.1f s after its start: recordings joined? %d frames of a time that had been read already were passed over; run each recording by itself",
		times(w.falls), w.fellAt.Seconds(), w.passed)
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
