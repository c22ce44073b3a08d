package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// opportunityKind numbers the kinds in the account.
type opportunityKind int

const (
	opRelease opportunityKind = iota
	opHill
	opApply
	opShift
	opOpen
	opGearset
	opFlare
	opShudder
	opJolt
	opMark
	opBus
	opStale
	opKinds
)

var opportunityNames = [opKinds]string{KindReleaseLag, KindHillSlip, KindApply, KindShift, KindOpenUnderDrive,
	KindGearsetSlip, KindFlare, KindShudder, KindJolt, KindMark, KindBusFault, KindRoleStale}

// ledger keeps the account of the drive under way.
type ledger struct {
	a             Account
	lockup        lockup
	engineOn      float64
	opportunities [opKinds]Opportunity
	mapped        []stream.Role
	roles         [stream.NumRoles]roleCount
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
	l.lockup = lockup{}
	l.engineOn = 0
	l.opportunities = [opKinds]Opportunity{}
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

// chance counts an opportunity.
func (l *ledger) opportunity(k opportunityKind, observable, hit bool) {
	c := &l.opportunities[k]
	c.Seen++
	if observable || hit {
		c.Observable++
	}
	if hit {
		c.Hits++
	}
}

// account returns the account so far, its own to keep.
func (l *ledger) account(at bus.Micros, ended bool) *Account {
	c := l.a
	a := &c
	a.End, a.Ended = at, ended
	const ms = 0.001
	a.EngineOnS = round(l.engineOn, ms)
	l.lockup.account(a)
	a.Opportunities = make([]Opportunity, opKinds)
	for k := range l.opportunities {
		a.Opportunities[k] = l.opportunities[k]
		a.Opportunities[k].Kind = opportunityNames[k]
	}
	for _, r := range l.mapped {
		c := &l.roles[r]
		a.Roles = append(a.Roles, RoleCover{Role: r.String(), FreshS: round(c.fresh, ms), Samples: c.samples,
			NotOK: c.notOK, PeriodS: round(c.period, 0.0001), Switched: c.switched})
	}
	return a
}
