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
	Begun   bool
	source  uint8
	counted uint64 // of the samples of its set
}

// roleSet is what has come of roles that always come together, by Sample.Set.
type roleSet struct {
	RoleCount
	roles []stream.Role
	// The places of those whose values are looked at as they come.
	speeds, commands []int
}

// Role returns what has come of a role.
func (s *Vehicle) Role(r stream.Role) *RoleCount {
	x := &s.roles[r]
	if g := s.setOf[r]; g != nil {
		x.Samples += g.Samples - x.counted
		x.counted, x.Last, x.PeriodS, x.Begun, x.source = g.Samples, g.Last, g.PeriodS, g.Begun, g.source
	}
	return x
}

// beginRoles counts anew for a drive.
func (s *Vehicle) beginRoles() {
	for i := range s.roles {
		r := s.Role(stream.Role(i))
		*r = RoleCount{source: r.source, Begun: r.Begun, PeriodS: r.PeriodS, Last: r.Last, counted: r.counted}
	}
}

// countRoles counts the values of a frame that is of no set.
func (s *Vehicle) countRoles(of []stream.Sample) {
	for i := range of {
		x := &of[i]
		if g := s.setOf[x.Role]; g != nil {
			for _, r := range g.roles {
				s.Role(r)
				s.setOf[r] = nil
			}
		}
		r := &s.roles[x.Role]
		r.Samples++
		if !x.OK {
			r.bad(x.At)
		}
		r.come(x)
	}
}

// count counts a frame of the set.
func (g *roleSet) count(s *Vehicle, of []stream.Sample) {
	if g.roles == nil {
		g.begin(s, of)
	}
	g.Samples++
	g.come(&of[0])
	for i := range of {
		if !of[i].OK {
			s.roles[of[i].Role].bad(of[i].At)
		}
	}
}

// begin begins to count a set.
func (g *roleSet) begin(s *Vehicle, of []stream.Sample) {
	g.RoleCount = *s.Role(of[0].Role)
	g.Samples = 0
	for i := range of {
		r := of[i].Role
		g.roles = append(g.roles, r)
		s.setOf[r] = g
		switch {
		case r <= stream.TurbineSpeed:
			g.speeds = append(g.speeds, i)
		case 1<<r&commandRoles != 0:
			g.commands = append(g.commands, i)
		}
	}
}

func (r *RoleCount) bad(at bus.Micros) {
	r.NotOK++
	r.LastBad = at
}

// come takes the instant and the source of a sample.
func (r *RoleCount) come(x *stream.Sample) {
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
