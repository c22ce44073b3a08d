package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// ledger keeps the account of the drive under way.
type ledger struct {
	a        Account
	lockup   lockup
	engineOn float64
	counts   []counts // as All
	mapped   []stream.Role
	roles    [stream.NumRoles]roleCount
}

type roleCount struct {
	fresh          float64
	samples, notOK uint64
	switched       uint64
	source         uint8
	last, lastBad  bus.Micros
	period         float64
	begun          bool
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
	l.lockup = lockup{waits: l.lockup.waits}
	l.engineOn = 0
	clear(l.counts)
	for i := range l.roles {
		r := &l.roles[i]
		*r = roleCount{source: r.source, begun: r.begun, period: r.period, last: r.last}
	}
}

func (l *ledger) sample(s *stream.Sample) {
	r := &l.roles[s.Role]
	r.samples++
	if !s.OK {
		r.notOK++
		r.lastBad = s.At
	}
	if r.begun {
		if s.Source != r.source {
			r.switched++
		}
		// The usual period: gaps of many periods are no periods.
		if d := (s.At - r.last).Seconds(); d > 0 && (r.period == 0 || d < 5*r.period) {
			if r.period == 0 {
				r.period = d
			}
			r.period += float64(0.05 * (d - r.period))
		} else if d > 0 && d < 5 {
			// Learn anew should the period really have changed.
			r.period += float64(0.01 * (d - r.period))
		}
	}
	r.begun, r.source, r.last = true, s.Source, s.At
}

// row adds the time of a row.
func (l *ledger) row(m *moment, stopped bool) {
	if stopped {
		l.a.Stops++
	}
	if m.dt == 0 {
		return
	}
	if m.running {
		l.engineOn += m.dt
		for _, r := range l.mapped {
			if m.row.Known&(1<<r) != 0 && m.row.Derived&(1<<r) == 0 {
				l.roles[r].fresh += m.dt
			}
		}
	}
	l.lockup.row(m)
}

// account returns the account so far, its own to keep; now is the row that it ends
// with, nil where the drive has ended.
func (l *ledger) account(at bus.Micros, now *stream.Row) *Account {
	c := l.a
	a := &c
	a.End, a.Ended = at, now == nil
	const ms = 0.001
	a.EngineOnS = round(l.engineOn, ms)
	l.lockup.account(a)
	for i, spec := range All {
		if spec.Opportunity != "" {
			x := l.counts[i].Opportunity
			x.Kind = spec.Kind
			a.Opportunities = append(a.Opportunities, x)
		}
	}
	for _, r := range l.mapped {
		c := &l.roles[r]
		x := RoleCover{Role: r.String(), FreshS: round(c.fresh, ms), Samples: c.samples,
			NotOK: c.notOK, PeriodS: round(c.period, 0.0001), Switched: c.switched}
		if now != nil && now.Has(r) {
			v := round(now.V[r], ms)
			x.Now = &v
		}
		a.Roles = append(a.Roles, x)
	}
	return a
}
