package drive

import "joltwatch/bus"

// Wire puts a vehicle's signals on its buses: it is what families of vehicles
// with physics of their own share. Not safe for use from several goroutines.
type Wire struct {
	e     *encoder
	start bus.Micros
}

// NewWire returns a wire for the layout whose clock begins at start.
func NewWire(l *Layout, start bus.Micros, seed uint64) *Wire {
	return &Wire{e: newEncoder(&Scenario{}, l, start, newRandom(seed, 4)), start: start}
}

// Tick sends what is due in millisecond ms.
func (w *Wire) Tick(ms int64, s Source) { w.e.tick(ms, s) }

// Skip lets so many milliseconds pass without sending anything.
func (w *Wire) Skip(ms int64) {
	for i := range w.e.msgs {
		w.e.msgs[i].due += ms
	}
	w.e.pollDue += ms
	w.e.asker.due += ms
}

// Take appends the frames before the instant to out, in order, and returns it.
func (w *Wire) Take(before bus.Micros, out []bus.Frame) []bus.Frame { return w.e.take(before, out) }

// Put adds a frame of another sender, or a notice.
func (w *Wire) Put(f bus.Frame) { w.e.queue(f, 0) }

// Idle reports whether everything sent has been taken.
func (w *Wire) Idle() bool { return len(w.e.pending) == 0 }

// Mute silences the message of that name, or all where it is empty, or lets
// them be heard again.
func (w *Wire) Mute(message string, on bool) {
	for i := range w.e.msgs {
		if m := &w.e.msgs[i]; message == "" || m.m.Name == message {
			m.off = on
		}
	}
}

// Freeze makes the message of that name hold its values, or no longer.
func (w *Wire) Freeze(message string, on bool) {
	for i := range w.e.msgs {
		if m := &w.e.msgs[i]; m.m.Name == message {
			m.stuck = on
		}
	}
}

// Unavailable makes the signals of the message say "not available", or no
// longer.
func (w *Wire) Unavailable(message string, on bool) {
	for i := range w.e.msgs {
		if m := &w.e.msgs[i]; m.m.Name == message {
			m.na = on
		}
	}
}
