package detect

import (
	"fmt"
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// chanceKind numbers the kinds in the account.
type chanceKind int

const (
	chRelease chanceKind = iota
	chHill
	chApply
	chShift
	chOpen
	chGearset
	chFlare
	chShudder
	chJolt
	chMark
	chBus
	chStale
	chKinds
)

var chanceNames = [chKinds]string{KindReleaseLag, KindHillSlip, KindApply, KindShift, KindOpenUnderDrive,
	KindGearsetSlip, KindFlare, KindShudder, KindJolt, KindMark, KindBusFault, KindRoleStale}

// Bands of the account. Speeds by 20 km/h, temperatures by 20 °C, gears by
// number.
const (
	gearBands  = 16 // reverse and neutral, 1…14
	speedBands = 8  // 0-20 … 140 and more
	tempBands  = 8  // below 0, 0-20 … 120 and more
)

// times is seconds by clutch state.
type times [5]float64

// ledger keeps the account of the drive under way, and with it the lockup
// fraction: the share of moving time in each state.
type ledger struct {
	a        Account
	moving   times
	gears    [gearBands]times
	speeds   [speedBands]times
	temps    [tempBands]times
	noGear   times
	noTemp   times
	engineOn float64
	chances  [chKinds]Chance
	mapped   []stream.Role
	roles    [stream.NumRoles]roleCount
	// lastBand is where the latest time went, so that it can be moved.
	lastGear, lastSpeed, lastTemp *times
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
	l.moving, l.noGear, l.noTemp = times{}, times{}, times{}
	l.gears, l.speeds, l.temps = [gearBands]times{}, [speedBands]times{}, [tempBands]times{}
	l.engineOn = 0
	l.lastGear, l.lastSpeed, l.lastTemp = nil, nil, nil
	l.chances = [chKinds]Chance{}
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
	if !m.moving || !m.running {
		l.lastGear, l.lastSpeed, l.lastTemp = nil, nil, nil
		return
	}
	l.lastGear, l.lastTemp = &l.noGear, &l.noTemp
	if m.hasGear && m.gear >= stream.GearReverse && m.gear < gearBands-1 {
		l.lastGear = &l.gears[m.gear+1]
	}
	l.lastSpeed = &l.speeds[min(int(m.kmh/20), speedBands-1)]
	if m.row.Has(stream.FluidTemperature) {
		t := int(math.Floor(m.row.V[stream.FluidTemperature]/20)) + 1
		l.lastTemp = &l.temps[min(max(t, 0), tempBands-1)]
	}
	l.moving[m.state] += m.dt
	l.lastGear[m.state] += m.dt
	l.lastSpeed[m.state] += m.dt
	l.lastTemp[m.state] += m.dt
}

// move puts the latest seconds into another state: what was found out
// afterwards. It moves no more than is there.
func (l *ledger) move(from, to clutchState, s float64) {
	for _, t := range []*times{&l.moving, l.lastGear, l.lastSpeed, l.lastTemp} {
		if t == nil {
			continue
		}
		x := min(s, t[from])
		t[from] -= x
		t[to] += x
	}
}

// chance counts an opportunity.
func (l *ledger) chance(k chanceKind, observable, hit bool) {
	c := &l.chances[k]
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
	a.ClosedS, a.PartialS, a.CoastS = round(l.moving[closed], ms), round(l.moving[partial], ms), round(l.moving[coast], ms)
	a.OpenS, a.UnknownS = round(l.moving[open], ms), round(l.moving[unknown], ms)
	a.MovingS = round(a.ClosedS+a.PartialS+a.CoastS+a.OpenS+a.UnknownS, ms)
	var bands []Band
	add := func(of, label string, from, to float64, t *times) {
		if *t == (times{}) {
			return
		}
		bands = append(bands, Band{Of: of, Label: label, From: from, To: to,
			Closed: round(t[closed], ms), Partial: round(t[partial], ms), Coast: round(t[coast], ms),
			Open: round(t[open], ms), Unknown: round(t[unknown], ms)})
	}
	for i := range l.gears {
		g := i - 1
		add("gear", gearLabel(g), float64(g), float64(g), &l.gears[i])
	}
	add("gear", "unknown", gearBands, gearBands, &l.noGear)
	for i := range l.speeds {
		from, to := 20*i, 20*i+20
		label := fmt.Sprintf("%d–%d", from, to)
		if i == speedBands-1 {
			label, to = fmt.Sprintf("%d+", from), 300
		}
		add("speed_kmh", label, float64(from), float64(to), &l.speeds[i])
	}
	for i := range l.temps {
		from, to := 20*i-20, 20*i
		label := fmt.Sprintf("%d–%d", from, to)
		switch i {
		case 0:
			label, from = "<0", -60
		case tempBands - 1:
			label, to = fmt.Sprintf("%d+", from), 300
		}
		add("temperature_c", label, float64(from), float64(to), &l.temps[i])
	}
	add("temperature_c", "unknown", 300, 300, &l.noTemp)
	a.Bands = bands
	a.Chances = make([]Chance, chKinds)
	for k := range l.chances {
		a.Chances[k] = l.chances[k]
		a.Chances[k].Kind = chanceNames[k]
	}
	for _, r := range l.mapped {
		c := &l.roles[r]
		a.Roles = append(a.Roles, RoleCover{Role: r.String(), FreshS: round(c.fresh, ms), Samples: c.samples,
			NotOK: c.notOK, PeriodS: round(c.period, 0.0001), Switched: c.switched})
	}
	return a
}

func gearLabel(g int) string {
	switch g {
	case stream.GearReverse:
		return "reverse"
	case stream.GearNeutral:
		return "neutral"
	}
	return fmt.Sprint(g)
}
