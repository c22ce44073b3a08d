package detect

import (
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
	fresh    [stream.NumRoles]float64 // seconds in which a role was known
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
	l.fresh = [stream.NumRoles]float64{}
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
		for _, r := range l.mapped {
			if m.Row.Known&(1<<r) != 0 && m.Row.Derived&(1<<r) == 0 {
				l.fresh[r] += m.DtS
			}
		}
	}
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
	for _, r := range l.mapped {
		c := s.Role(r)
		x := RoleCover{Role: r.String(), FreshS: state.Round(l.fresh[r], ms), Samples: c.Samples,
			NotOK: c.NotOK, PeriodS: state.Round(c.PeriodS, 0.0001), Switched: c.Switched}
		if now != nil && now.Has(r) {
			v := state.Round(now.V[r], ms)
			x.Now = &v
		}
		a.Roles = append(a.Roles, x)
	}
	return a
}
