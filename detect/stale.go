package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// RoleStaleSettings judge roles that fall silent.
type RoleStaleSettings struct {
	MinS float64 `toml:"min_s"`
}

// Classes of a stale role.
var (
	RoleStale        = Class{"stale"}
	RoleNotAvailable = Class{"not-available"}
)

var staleSpec = &Spec{
	Kind:        KindRoleStale,
	Alarms:      []Class{RoleStale, RoleNotAvailable},
	Measures:    []*Quantity{&durationS},
	Opportunity: "a signal that went missing",
	Settings: Table{"role_stale", []Setting{
		{"min_s", "s", 2, 0.2, 600, "how long a role must be unknown that was known before"},
	}},
	can:  func(*Inputs) Ability { return able(0, "always") },
	make: func(c *counts, plan *stream.Plan) detector { return newRoleStale(c, plan) },
}

// Stale role: a mapped role that was known in this drive falls silent (stale)
// or is sent as not available while the engine runs or the vehicle moves, and other
// roles go on.
type roleStale struct {
	counts *counts
	roles  []stream.Role
	state  [stream.NumRoles]staleState
	// askedOn is the bus on which a role is known by asking only, -1 for none;
	// paused are the buses, a bit each, on which nothing is asked at present.
	askedOn [stream.NumRoles]int
	paused  uint64
	all     uint32 // the roles, a bit each
	steady  bool   // all were known in the latest row, and none was lost
	gone    goneTogether
	last    bus.Micros // the latest row
}

// goneTogether are roles that went and came back together: one controller, one
// finding.
type goneTogether struct {
	on       bool
	from, to bus.Micros
	roles    []string
	class    Class
	context  Context
}

// togetherS is how far apart roles of one controller go and come. Structural: the
// slowest of its messages come about once a second.
const togetherS = 1.5

type staleState struct {
	known bool // was known in this drive
	lost  bool
	since bus.Micros
	moved bus.Micros // the latest row in which the vehicle moved, where not all was known
}

// staleSamples is how many values of a role must have come before its silence
// means something: until then its period is a guess.
const staleSamples = 6

func newRoleStale(c *counts, plan *stream.Plan) *roleStale {
	d := &roleStale{counts: c}
	var has [stream.NumRoles]bool
	for _, m := range plan.Messages {
		for _, x := range m.Signals {
			if x.Role >= stream.NumRoles {
				continue
			}
			on := -1
			if m.Match == stream.MatchAnswer && m.Bus < 64 {
				on = m.Bus
			}
			if has[x.Role] && d.askedOn[x.Role] != on {
				on = -1
			}
			has[x.Role], d.askedOn[x.Role] = true, on
		}
	}
	for r, ok := range has {
		if ok && stream.Role(r) != stream.DriverMark {
			d.roles = append(d.roles, stream.Role(r))
			d.all |= 1 << r
		}
	}
	return d
}

func (d *roleStale) begin(*scene) {
	d.state, d.steady = [stream.NumRoles]staleState{}, false
}

// notice follows asking: what is not asked for falls silent, and nothing is
// wrong with it.
func (d *roleStale) notice(_ *scene, f *bus.Frame) {
	switch {
	case f.Kind != bus.Notice || f.Bus >= 64:
	case bus.NoticeCode(f.ID) == bus.NoticeNotAsking:
		d.paused |= 1 << f.Bus
	case bus.NoticeCode(f.ID) == bus.NoticeAsking:
		d.paused &^= 1 << f.Bus
	}
}

func (d *roleStale) row(s *scene, m *state.Moment) {
	if !s.InDrive() || !m.Running && !m.Moving {
		// A key may have been turned: only what was missing while the vehicle moved, and
		// is back, is told.
		back := m.Row.Known &^ m.Row.Derived
		for _, r := range d.roles {
			x := &d.state[r]
			if x.lost && back&(1<<r) != 0 {
				d.close(s, r, x.moved)
			}
			x.lost = x.lost && s.InDrive() && x.moved > x.since
		}
		d.tell(s)
		return
	}
	if m.Gap {
		d.silenced()
	}
	d.last = m.At
	fresh := m.Row.Known &^ m.Row.Derived
	if d.paused == 0 && d.steady && fresh&d.all == d.all {
		d.together(s, m)
		return // as nearly always: all are known, and were
	}
	d.steady = true
	for _, r := range d.roles {
		x := &d.state[r]
		switch {
		case d.askedOn[r] >= 0 && d.paused>>d.askedOn[r]&1 != 0:
			if x.lost { // before the pause, which has nothing to do with it
				d.close(s, r, m.At)
			}
			*x = staleState{} // until it is known again
		case fresh&(1<<r) != 0:
			if x.lost {
				d.close(s, r, m.At)
			}
			x.known, x.lost = true, false
		case x.known && !x.lost && s.Role(r).Samples >= staleSamples:
			x.lost, x.since = true, m.At
		}
		if m.Moving {
			x.moved = m.At
		}
		d.steady = d.steady && x.known && !x.lost
	}
	d.together(s, m)
}

// together hands on what went together once nothing more can be a part of it.
func (d *roleStale) together(s *scene, m *state.Moment) {
	if d.gone.on && (m.At-d.gone.to).Seconds() > togetherS {
		d.tell(s)
	}
}

// silenced forgets what fell silent with the whole bus: that is told of the bus, or
// it was the key.
func (d *roleStale) silenced() {
	for _, r := range d.roles {
		if x := &d.state[r]; x.lost && (d.last-x.since).Seconds() <= togetherS {
			x.lost = false
		}
	}
}

func (d *roleStale) close(s *scene, r stream.Role, at bus.Micros) {
	x := &d.state[r]
	x.lost = false
	long := (at - x.since).Seconds()
	if long < s.set.RoleStale.MinS {
		return
	}
	c := s.Role(r)
	class := RoleStale
	// What still comes but is no number is not silence.
	if c.Begun && c.Last >= x.since && c.NotOK > 0 && (c.Last-x.since).Seconds() > 0.5*long && c.LastBad >= x.since {
		class = RoleNotAvailable
	}
	g := &d.gone
	if g.on && g.class == class && math.Abs((x.since-g.from).Seconds()) <= togetherS && math.Abs((at-g.to).Seconds()) <= togetherS {
		g.from, g.to = min(g.from, x.since), max(g.to, at)
		g.roles = append(g.roles, r.String())
		return
	}
	d.tell(s)
	*g = goneTogether{on: true, from: x.since, to: at, class: class, roles: []string{r.String()}, context: s.Now().Context(s.SinceStart(x.since))}
}

// tell hands on what went together.
func (d *roleStale) tell(s *scene) {
	g := &d.gone
	if !g.on {
		return
	}
	g.on = false
	f := Finding{Kind: KindRoleStale, Class: g.class, Start: g.from, End: g.to, Severity: 0.3, Keep: true, MissingInputs: g.roles, Context: g.context}
	f.Measures = append(f.Measures, durationS.of((g.to - g.from).Seconds()))
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}

func (d *roleStale) end(s *scene, at bus.Micros) {
	for _, r := range d.roles {
		if d.state[r].lost {
			d.close(s, r, at)
		}
	}
	d.tell(s)
}
