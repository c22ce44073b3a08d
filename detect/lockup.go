package detect

import (
	"fmt"
	"math"

	"joltwatch/stream"
)

// Bands of the account. Speeds by 20 km/h, temperatures by 20 °C, gears by
// number.
const (
	gearBands  = 16 // reverse and neutral, 1…14
	speedBands = 8  // 0-20 … 140 and more
	tempBands  = 8  // below 0, 0-20 … 120 and more
)

// lockupSpec has no kind of finding: the account carries the times.
var lockupSpec = &Spec{
	Kind:     "lockup-fraction",
	Needs:    append(needsLines, needsRoad),
	Sharpens: []stream.Role{stream.ClutchPressureCommand, stream.ClutchCommand, stream.LockupState},
	can: func(in *Inputs) Ability {
		if a, ok := in.byLines("as bounds"); ok {
			return a
		}
		return able(in.slipPeriod(), "slip every %.2g s%s", in.slipPeriod(), in.derivedNote())
	},
	make: func(*counts, *stream.Plan) detector { return blank{} },
}

// times is seconds by clutch state.
type times [5]float64

// Lockup fraction: the share of moving time in partial, closed and coast, each
// apart, by drive, gear, speed band and temperature band, with the unknown time
// beside it. It makes no findings: the account carries it.
type lockup struct {
	moving times
	gears  [gearBands]times
	speeds [speedBands]times
	temps  [tempBands]times
	noGear times
	noTemp times
	// These are where the latest time went, so that it can be moved.
	lastGear, lastSpeed, lastTemp *times
	// waits: the state is told afterwards, by spans; waiting is the moving time
	// of which it is not told yet.
	waits   bool
	waiting float64
}

// row adds the time of a row.
func (l *lockup) row(m *moment) {
	if !m.moving || !m.running {
		l.lastGear, l.lastSpeed, l.lastTemp = nil, nil, nil
		return
	}
	if l.waits {
		l.waiting += m.dt
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

// span adds time of which the state was told afterwards, by the number of the line.
func (l *lockup) span(seconds float64, state clutchState, line int, kmh, temp float64, hasTemp bool) {
	l.waiting = max(0, l.waiting-seconds)
	gear, fluid := &l.noGear, &l.noTemp
	if line > 0 && line < gearBands-1 {
		gear = &l.gears[line+1]
	}
	if hasTemp {
		fluid = &l.temps[min(max(int(math.Floor(temp/20))+1, 0), tempBands-1)]
	}
	for _, t := range []*times{&l.moving, gear, &l.speeds[min(int(kmh/20), speedBands-1)], fluid} {
		t[state] += seconds
	}
}

// move puts the latest seconds into another state: what was found out
// afterwards. It moves no more than is there.
func (l *lockup) move(from, to clutchState, s float64) {
	for _, t := range []*times{&l.moving, l.lastGear, l.lastSpeed, l.lastTemp} {
		if t == nil {
			continue
		}
		x := min(s, t[from])
		t[from] -= x
		t[to] += x
	}
}

// account puts the times into the account.
func (l *lockup) account(a *Account) {
	const ms = 0.001
	a.ClosedS, a.PartialS, a.CoastS = round(l.moving[closed], ms), round(l.moving[partial], ms), round(l.moving[coast], ms)
	a.OpenS, a.UnknownS = round(l.moving[open], ms), round(l.moving[unknown], ms)
	if !a.Ended {
		a.UnknownS = round(l.moving[unknown]+l.waiting, ms)
	}
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
