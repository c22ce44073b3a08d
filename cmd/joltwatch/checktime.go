package main

import (
	"fmt"

	"joltwatch/bus"
)

// timeline watches whether the frames' time runs as time does.
type timeline struct {
	order
	first, now bus.Micros
	started    bool
	backwards  int
	backAt     bus.Micros // since the start
	jump       bus.Micros // the longest forwards
	same       int        // frames in a row at one instant
	standing   int        // the most of these
	frames     uint64
	twice      uint64
	seen       map[uint64]sighting // by bus and identifier
}

type sighting struct {
	at   bus.Micros
	data [8]byte
	n    uint8
}

// Limits: a recording may pause while the key is off, but not for days; a burst
// at one instant comes from a device that stamps its packets.
const (
	jumpDay      = 20 * 3600 * bus.Second
	standFrames  = 300
	twiceWithin  = 60 // µs, less than the shortest frame takes at 1 Mbit/s
	twiceShare   = 0.3
	backTooOften = 1
)

func (t *timeline) take(f *bus.Frame) {
	if f.Kind == bus.Notice {
		return
	}
	if !t.started {
		t.started, t.first, t.now = true, f.At, f.At
		t.seen = map[uint64]sighting{}
	}
	if t.falls(f) {
		if t.backwards++; t.backwards == 1 {
			t.backAt = t.last - t.first
		}
		t.order = order{} // what follows is another time
	}
	t.read(f)
	t.jump = max(t.jump, f.At-t.now)
	if f.At == t.now {
		t.same++
		t.standing = max(t.standing, t.same)
	} else {
		t.same = 0
	}
	t.now = f.At
	t.repeat(f)
}

func (t *timeline) repeat(f *bus.Frame) {
	if f.Kind != bus.Data {
		return
	}
	t.frames++
	key := uint64(f.Bus)<<32 | uint64(f.ID)
	x := sighting{at: f.At, n: f.Len}
	copy(x.data[:], f.Data[:])
	if was, ok := t.seen[key]; ok && was.n == x.n && was.data == x.data && x.at-was.at >= 0 && x.at-was.at < twiceWithin {
		t.twice++
	}
	if len(t.seen) < 4096 {
		t.seen[key] = x
	}
}

// carries reports whether a frame of that identifier was seen.
func (t *timeline) carries(bus int, id uint32) bool {
	_, ok := t.seen[uint64(bus)<<32|uint64(id)]
	return ok
}

func (t *timeline) remarks() []remark {
	var out []remark
	bad := func(format string, a ...any) {
		out = append(out, remark{"time", false, fmt.Sprintf(format, a...)})
	}
	if t.backwards >= backTooOften {
		bad("it runs backwards %s, first %.1f s after the start: recordings joined, or in the wrong order; check each by itself", times(t.backwards), t.backAt.Seconds())
	}
	if t.jump > jumpDay {
		bad("it jumps by %.1f days: recordings joined; check each by itself", t.jump.Seconds()/86400)
	}
	if t.standing > standFrames {
		bad("it stands: %d frames in a row at one instant; record with a time for each frame", t.standing)
	}
	if float64(t.twice) > twiceShare*float64(t.frames) {
		bad("frames come twice (%.0f %% of them): one bus is recorded twice, or lines are doubled", 200*float64(t.twice)/float64(t.frames))
	}
	return out
}
