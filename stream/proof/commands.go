package proof

import (
	"fmt"

	"joltwatch/bus"
	"joltwatch/stream"
)

// clutchRoles say what the clutch is told, or what became of it.
var clutchRoles = [...]stream.Role{stream.ClutchPressureCommand, stream.ClutchPressure, stream.ClutchCommand, stream.LockupState}

// commands: at standstill in gear the clutch has to be open, so command,
// pressure and state are low there; and slip is small while they are high.
type commands struct {
	roles [len(clutchRoles)]commanded
	// since when engine and turbine turn as one, or clearly do not.
	together, apart bus.Micros
}

type commanded struct {
	lo, hi          float64
	seen            bool
	stand, nStand   float64 // the sum at standstill
	joined, nJoined float64 // while engine and turbine turn as one
	apart, nApart   float64 // while they clearly do not
	pairs           [8]pair // by eighths of the range [lo, hi], renewed as it grows
}

// leastKPa is less than any converter clutch closes with.
const leastKPa = 100

// pair sums |slip| while the role lies in one part of its range.
type pair struct{ slip, n float64 }

func (p *commands) row(s *scene) {
	p.watch(s)
	for i, role := range clutchRoles {
		if !s.r.Has(role) {
			continue
		}
		v := s.r.V[role]
		p.roles[i].take(s, v)
		if held(p.together, s.r.At, togetherFor) {
			p.roles[i].joined += v
			p.roles[i].nJoined++
		}
		if held(p.apart, s.r.At, apartFor) {
			p.roles[i].apart += v
			p.roles[i].nApart++
		}
	}
}

// How long speeds must have turned as one before that says something of the
// clutch (in a stop they pass each other), and how long apart.
const (
	togetherFor = 15 * bus.Second / 10
	apartFor    = bus.Second / 2
)

func held(since, now, least bus.Micros) bool { return since != 0 && now-since > least }

func (p *commands) watch(s *scene) {
	slip := s.engine - s.turbine
	driving := s.slipKnown && s.hasRoad && s.road > 4
	note := func(since *bus.Micros, is bool) {
		switch {
		case !is:
			*since = 0
		case *since == 0:
			*since = s.r.At
		}
	}
	note(&p.together, driving && abs(slip) < 20)
	note(&p.apart, driving && slip > 120)
}

func (x *commanded) take(s *scene, v float64) {
	if !x.seen {
		x.lo, x.hi, x.seen = v, v, true
	}
	if v < x.lo || v > x.hi {
		x.lo, x.hi = min(x.lo, v), max(x.hi, v)
		if x.hi-x.lo > 0 && x.pairs != [8]pair{} {
			x.pairs = [8]pair{} // what was sorted by another range
		}
	}
	if s.stopped && s.standS > 1.5 && s.standS < 4 && s.engine > 300 {
		x.stand += v
		x.nStand++
	}
	if s.slipKnown && s.hasRoad && s.road > droveKmh && s.calmS > settleS && x.hi > x.lo {
		k := min(int(8*(v-x.lo)/(x.hi-x.lo)), 7)
		x.pairs[k].slip += min(abs(s.engine-s.turbine), 600)
		x.pairs[k].n++
	}
}

func (p *commands) statements(s *scene) []Statement {
	var out []Statement
	for i, role := range clutchRoles {
		if !s.mapped[role] || !p.roles[i].seen {
			continue
		}
		if x := p.roles[i].statement(role); x.What != "" {
			out = append(out, x)
		}
	}
	return out
}

func (x *commanded) statement(role stream.Role) Statement {
	st := Statement{What: role.String()}
	turned := role.String() + ": its signal is the other way round (high means open): give states, or a scale of the other sign"
	if role == stream.LockupState {
		turned = "lockup_state: its states are the wrong way round"
	}
	if x.hi <= x.lo || x.nStand < 20 {
		st.Says = "not seen both driving and at standstill yet"
		return st
	}
	low := (x.stand/x.nStand - x.lo) / (x.hi - x.lo)
	var few, many pair // little and much of it
	for k, p := range x.pairs {
		if k < 2 {
			few.slip, few.n = few.slip+p.slip, few.n+p.n
		} else if k >= 6 || k == 5 {
			many.slip, many.n = many.slip+p.slip, many.n+p.n
		}
	}
	switch {
	case low > 0.6:
		st.Verdict, st.Change = Against, turned
		st.Says = fmt.Sprintf("at standstill it is at %.0f %% of its range; an engine cannot stand with a closed clutch", 100*low)
	case (role == stream.ClutchPressureCommand || role == stream.ClutchPressure) && x.hi < leastKPa && x.nJoined > 100:
		st.Verdict, st.Change = Against, role.String()+": its unit or scale"
		st.Says = fmt.Sprintf("it never reaches %d kPa, and a clutch is not closed with that", leastKPa)
	case role == stream.LockupState && x.hi < stream.LockupClosed && x.nJoined > 500:
		st.Verdict, st.Change = Against, "lockup_state: its states, start bit or length"
		st.Says = "it never says closed while engine and turbine turn as one"
	case x.nJoined > 100 && x.nApart > 20 && x.joined/x.nJoined-x.lo < 0.4*(x.hi-x.lo) && x.joined/x.nJoined-x.apart/x.nApart < 0.1*(x.hi-x.lo):
		st.Verdict, st.Change = Against, role.String()+": its signal, place or states"
		st.Says = fmt.Sprintf("it does not go with the clutch: %.3g while engine and turbine turn as one, %.3g while they do not", x.joined/x.nJoined, x.apart/x.nApart)
	case few.n > 50 && many.n > 50 && many.slip/many.n > 2*few.slip/few.n+40:
		st.Verdict, st.Change = Against, turned
		st.Says = fmt.Sprintf("slip is %.0f rpm while it is high and %.0f while it is low", many.slip/many.n, few.slip/few.n)
	default:
		st.Verdict = Shown
		st.Says = fmt.Sprintf("low at standstill (%.0f %% of its range)", 100*low)
		if few.n > 50 && many.n > 50 {
			st.Says += fmt.Sprintf("; slip is %.0f rpm while it is high, %.0f while it is low", many.slip/many.n, few.slip/few.n)
		}
	}
	return st
}

// follows: pressure comes after its command and to about its value.
type follows struct {
	command, pressure crossing
	before, after     int
	ratio             spread
}

// crossing notes when a role last crossed the middle of its range.
type crossing struct {
	lo, hi    float64
	seen, up  bool
	at        bus.Micros
	rising    bool
	unmatched bool
}

func (c *crossing) take(at bus.Micros, v float64) {
	if !c.seen {
		c.lo, c.hi, c.seen = v, v, true
	}
	c.lo, c.hi = min(c.lo, v), max(c.hi, v)
	mid, band := (c.lo+c.hi)/2, (c.hi-c.lo)/20
	switch {
	case !c.up && v > mid+band:
		c.up, c.rising, c.at, c.unmatched = true, true, at, true
	case c.up && v < mid-band:
		c.up, c.rising, c.at, c.unmatched = false, false, at, true
	}
}

func (p *follows) row(s *scene) {
	r := s.r
	if !r.Has(stream.ClutchPressureCommand, stream.ClutchPressure) {
		return
	}
	p.command.take(r.At, r.V[stream.ClutchPressureCommand])
	p.pressure.take(r.At, r.V[stream.ClutchPressure])
	a, b := &p.command, &p.pressure
	if a.unmatched && b.unmatched && a.rising == b.rising {
		d := b.at - a.at
		switch {
		case d > -bus.Second && d < 0:
			p.before++
		case d > 0 && d < bus.Second:
			p.after++
		}
		a.unmatched, b.unmatched = false, false
	}
	if c := r.V[stream.ClutchPressureCommand]; c > 0.8*p.command.hi && c > 50 {
		p.ratio.add(r.V[stream.ClutchPressure] / c)
	}
}

func (p *follows) statements(s *scene) []Statement {
	if !s.mapped[stream.ClutchPressureCommand] || !s.mapped[stream.ClutchPressure] {
		return nil
	}
	x := Statement{What: "pressure after its command"}
	v, _ := p.ratio.densest(0.05)
	switch {
	case p.before+p.after < 2:
		x.Says = "not enough changes of the command yet"
	case p.before > p.after:
		x.Verdict = Against
		x.Says = fmt.Sprintf("clutch_pressure changes before clutch_pressure_command does, %d times of %d", p.before, p.before+p.after)
		x.Change = "the signals of clutch_pressure and clutch_pressure_command: exchange them"
	case p.ratio.n > 100 && (v < 0.7 || v > 1.4):
		x.Verdict = Against
		x.Says = fmt.Sprintf("clutch_pressure settles at %.2g times its command", v)
		x.Change = "clutch_pressure or clutch_pressure_command: " + scaleHint(v)
	default:
		x.Verdict, x.Says = Shown, fmt.Sprintf("follows it, %d times of %d", p.after, p.before+p.after)
	}
	return []Statement{x}
}
