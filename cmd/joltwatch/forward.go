package main

import (
	"fmt"

	"joltwatch/bus"
)

// How far time must fall for recordings to be joined: interfaces of one recording
// may be out of step by less than a second, frames of one interface by what a
// driver's buffers make (common practice, no source).
const (
	backwardsFrom    = bus.Second
	backwardsFromOne = bus.Second / 10
)

// order is the time that has been read, of all interfaces and of each.
type order struct {
	last bus.Micros
	of   [256]bus.Micros
}

// falls reports whether the frame's time falls behind what has been read.
func (o *order) falls(f *bus.Frame) bool {
	return f.At < o.last-backwardsFrom || f.At < o.of[f.Bus]-backwardsFromOne
}

// read notes a frame's time.
func (o *order) read(f *bus.Frame) {
	o.last, o.of[f.Bus] = max(o.last, f.At), max(o.of[f.Bus], f.At)
}

// forward passes over frames of a time that has been read already: where recordings
// are joined, or one is in the file twice, nothing is counted twice.
type forward struct {
	source
	order
	started bool
	first   bus.Micros
	behind  bool       // since a fall of time, until it is caught up
	fell    int        // how often
	fellAt  bus.Micros // since the start
	passed  uint64
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
		w.started, w.first = true, f.At
	}
	if f.At > w.last {
		w.behind = false
	} else if !w.behind && w.falls(f) {
		if w.fell++; w.fell == 1 {
			w.fellAt = w.last - w.first
		}
		w.behind = true
	}
	if w.behind && f.At >= w.first {
		w.passed++
		return false
	}
	w.read(f)
	return true
}

// says is one line on a recording whose time runs backwards; empty where it does not.
func (w *forward) says() string {
	if w == nil || w.fell == 0 {
		return ""
	}
	return fmt.Sprintf("the recording's time runs backwards %s, first %.1f s after its start: recordings joined? %d frames of a time that had been read already were passed over; run each recording by itself",
		times(w.fell), w.fellAt.Seconds(), w.passed)
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
