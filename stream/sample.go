package stream

import "joltwatch/bus"

// Sample is one decoded value of one role.
type Sample struct {
	// At is the instant of reception; the value was true at some instant in
	// [At-Early, At].
	At    bus.Micros
	Early uint32
	Role  Role
	// Source is the index of the mapping among the role's sources, in the
	// order of the vehicle file.
	Source uint8
	// OK is false where the bus said "not available" or "error", or the value
	// lies outside the definition's range: Value means nothing then.
	OK bool
	// Set, 0 or 1 to NumRoles, numbers samples that always come together: all of the
	// frame's, of the same roles from the same sources in the same order each time, while
	// no other frame has any of these roles. What holds for a set need be found out but
	// once. 0 is no set.
	Set uint8
	// Raw is the integer as the bus sent it (for a Reading, the bits of the
	// float).
	Raw int64
	// Value is in the role's unit.
	Value float64
}

// Row is all roles at one common instant. Rows come in time order.
//
// The continuous roles (speeds, pressures, acceleration) are interpolated
// between the two samples that bracket At; the others hold their last value. A
// role is unknown where its last sample was not OK, or is older than its own
// observed period times the stale factor, or the bracketing samples lie further
// apart than that.
type Row struct {
	At bus.Micros
	// Known has bit 1<<role set where V[role] is a value.
	Known uint32
	V     [NumRoles]float64
	// Prev and Next are the instants between which the truth may have moved: a
	// change seen between two rows happened no earlier than the Prev of the
	// first and no later than the Next of the second. Prev is the earliest
	// instant at which the role's last sample at or before At may have been
	// true. Next, for continuous roles, is the latest at which the sample that
	// closes the bracket may have been true (the same sample as Prev's where
	// it fell on At); for the others it equals Prev. Both are 0 where there
	// is no sample.
	Prev, Next [NumRoles]bus.Micros
	// Derived has bit 1<<role set where the value was computed from other
	// roles (turbine speed from output speed and ratio), Tol its half-width
	// in the role's unit (0 where unknown or measured directly).
	Derived uint32
	Tol     [NumRoles]float64
	// StepRPM is the part of Tol[TurbineSpeed], where that is derived, that one
	// step of the speed below it makes, in rpm: it differs from row to row. The
	// rest is the ratio's, and the same share of the speed throughout a gear.
	StepRPM float64
}

// Has reports whether the role, and any more, are known in the row. Most ask for one:
// no list is made for it.
func (r *Row) Has(role Role, more ...Role) bool {
	for _, x := range more {
		if r.Known&(1<<x) == 0 {
			return false
		}
	}
	return r.Known&(1<<role) != 0
}
