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

func (r *RoleCount) take(s *stream.Sample) {
	r.Samples++
	if !s.OK {
		r.NotOK++
		r.LastBad = s.At
	}
	if r.Begun {
		if s.Source != r.source {
			r.Switched++
		}
		// The usual period: gaps of many periods are no periods.
		if d := (s.At - r.Last).Seconds(); d > 0 && (r.PeriodS == 0 || d < 5*r.PeriodS) {
			if r.PeriodS == 0 {
				r.PeriodS = d
			}
			r.PeriodS += float64(0.05 * (d - r.PeriodS))
		} else if d > 0 && d < 5 {
			// Learn anew should the period really have changed.
			r.PeriodS += float64(0.01 * (d - r.PeriodS))
		}
	}
	r.Begun, r.source, r.Last = true, s.Source, s.At
}
