package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// ledger keeps the account of the drive under way.
type ledger struct {
	a        Account
	engineOn float64
	counts   []counts // as All
	mapped   []stream.Role
	// fresh is the time in which a role was known, without the latest, since when the
	// same ones have been.
	fresh  [stream.NumRoles]bus.Micros
	same   uint32 // 1<<role
	latest bus.Micros
}

func (l *ledger) init(plan *stream.Plan) {
	l.counts = make([]counts, len(All))
	var has [stream.NumRoles]bool
	for _, m := range plan.Messages {
		for _, s := range m.Signals {
			if s.Role < stream.NumRoles {
				has[s.Role] = true
			}
		}
	}
	for r, ok := range has {
		if ok {
			l.mapped = append(l.mapped, stream.Role(r))
		}
	}
}

func (l *ledger) begin(drive int, at bus.Micros) {
	l.a = Account{Drive: drive, Start: at}
	l.engineOn = 0
	clear(l.counts)
	l.fresh, l.latest = [stream.NumRoles]bus.Micros{}, 0
}

// row adds the time of a row.
func (l *ledger) row(m *state.Moment) {
	if m.Stopped {
		l.a.Stops++
	}
	if m.DtS == 0 {
		return
	}
	if m.Running {
		l.engineOn += m.DtS
		if known := m.Row.Known &^ m.Row.Derived; known != l.same {
			l.settle()
			l.same = known
		}
		l.latest += bus.Micros(math.Round(m.DtS * 1e6))
	}
}

// settle counts the latest time for the roles that were known in it.
func (l *ledger) settle() {
	for _, r := range l.mapped {
		if l.same&(1<<r) != 0 {
			l.fresh[r] += l.latest
		}
	}
	l.latest = 0
}

// account returns the account so far, its own to keep; now is the row that it ends
// with, nil where the drive has ended.
func (l *ledger) account(s *scene, of []accounter, at bus.Micros, now *stream.Row) *Account {
	c := l.a
	a := &c
	a.End, a.Ended = at, now == nil
	const ms = 0.001
	a.EngineOnS = state.Round(l.engineOn, ms)
	for _, d := range of {
		d.account(a)
	}
	for i, spec := range All {
		if spec.Opportunity != "" {
			x := l.counts[i].Opportunity
			x.Kind = spec.Kind
			a.Opportunities = append(a.Opportunities, x)
		}
	}
	l.settle()
	for _, r := range l.mapped {
		c := s.Role(r)
		x := RoleCover{Role: r.String(), FreshS: state.Round(l.fresh[r].Seconds(), ms), Samples: c.Samples,
			NotOK: c.NotOK, PeriodS: state.Round(c.PeriodS, 0.0001), Switched: c.Switched}
		if now != nil && now.Has(r) {
			v := state.Round(now.V[r], ms)
			x.Now = &v
		}
		a.Roles = append(a.Roles, x)
	}
	return a
}
