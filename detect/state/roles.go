package state

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// RoleCount is what has come of one role.
type RoleCount struct {
	// Samples of the drive, NotOK of them without a value.
	Samples, NotOK uint64
	// Switched is how often another source took over.
	Switched uint64
	// Last is the latest sample, LastBad the latest without a value.
	Last, LastBad bus.Micros
	// PeriodS is the usual time between two, in seconds.
	PeriodS float64
	// Begun: there has been one.
	Begun  bool
	source uint8
}

// Role returns what has come of a role.
func (s *Vehicle) Role(r stream.Role) *RoleCount { return &s.roles[r] }

// beginRoles counts anew for a drive.
func (s *Vehicle) beginRoles() {
	for i := range s.roles {
		r := &s.roles[i]
		*r = RoleCount{source: r.source, Begun: r.Begun, PeriodS: r.PeriodS, Last: r.Last}
	}
}

// countRoles counts the values of a frame.
func (s *Vehicle) countRoles(of []stream.Sample) {
	for i := range of {
		x := &of[i]
		r := &s.roles[x.Role]
		r.Samples++
		if !x.OK {
			r.NotOK++
			r.LastBad = x.At
		}
		// The usual period: gaps of many periods are no periods.
		if d := (x.At - r.Last).Seconds(); d > 0 && d < 5*r.PeriodS {
			r.PeriodS += float64(0.05 * (d - r.PeriodS))
		} else if r.Begun && d > 0 {
			r.irregular(d)
		}
		if x.Source != r.source && r.Begun {
			r.Switched++
		}
		r.Begun, r.source, r.Last = true, x.Source, x.At
	}
}

// irregular takes the first interval, and one far longer than is usual.
func (r *RoleCount) irregular(d float64) {
	switch {
	case r.PeriodS == 0:
		r.PeriodS = d
	case d < 5:
		// Learn anew should the period really have changed.
		r.PeriodS += float64(0.01 * (d - r.PeriodS))
	}
}
