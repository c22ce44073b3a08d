package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/state"
)

// ownStarts learns whether an engine stops itself at standstill, where nothing says
// so: it runs again in gear, or as the vehicle pulls away, while one that died is started
// out of gear, and the selector moved first (common practice, no source: a starter that a
// driver turns is locked in gear).
type ownStarts struct {
	Stops uint32 `json:"stops"` // with the engine running before
	Own   uint32 `json:"own"`   // starts as the vehicle pulled away

	off bool       // stands with the engine stopped
	ran bus.Micros // when it ran again, 0 none
	// selects: this gear signal has been seen to leave the forward gears at a standstill;
	// inGear: it has not since the engine stopped, own: nor as that ran again.
	selects, inGear, own bool
}

const (
	// ownStartS is how soon after its start the vehicle of such an engine moves
	// (common practice, no source), ownLeast how many show one, ownShare in how many
	// stops at the least: an engine that dies does so now and then.
	ownStartS = 1.5
	ownLeast  = 2
	ownShare  = 4
	// ownKept is how many stops count: older ones fade.
	ownKept = 80
)

// row takes the next row; stopped is whether the engine has just stopped.
func (d *ownStarts) row(m *state.Moment, stopped bool) {
	if m.Gap {
		d.off, d.ran = false, 0 // somebody may have turned the key
	}
	forward := m.HasGear && m.Forward()
	d.selects = d.selects || m.HasGear && m.Gear < 1 && m.HasKmh && !m.Moving
	d.inGear = d.inGear && forward
	switch {
	case stopped && m.HasKmh && m.Kmh <= diedKmh:
		d.off, d.ran, d.own, d.inGear = true, 0, false, d.selects && forward
	case d.off && m.Running:
		d.off, d.ran, d.own = false, m.At, d.inGear
		if d.own {
			d.ran = 0
			d.Own++
		}
	}
	if m.Stopped {
		d.Stops++
	}
	if d.ran != 0 && m.Moving {
		if (m.At - d.ran).Seconds() <= ownStartS {
			d.Own++
		}
		d.ran = 0
	}
	if d.Stops >= ownKept {
		d.Stops, d.Own = d.Stops/2, d.Own/2
	}
}

// known reports whether the engine stops itself.
func (d *ownStarts) known() bool { return d.Own >= ownLeast && d.Own*ownShare >= d.Stops }

// open reports whether it is still to be seen how an engine that has stopped runs again.
func (d *ownStarts) open() bool { return d.off && d.inGear }
