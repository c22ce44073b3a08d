package detect

import (
	"fmt"
	"math"

	"joltwatch/detect/state"
	"joltwatch/stream"
)

// Bands of the account. Speeds by 20 km/h, temperatures by 20 °C, gears by
// number.
const (
	gearBands  = 16 // reverse and neutral, 1…14
	speedBands = 8  // 0-20 … 140 and more
	tempBands  = 8  // below 0, 0-20 … 120 and more
)

// tempBand is the number of that of a temperature.
func tempBand(celsius float64) int { return min(max(int(math.Floor(celsius/20))+1, 0), tempBands-1) }

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
	make: func(*counts, *stream.Plan) detector { return &lockup{} },
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
	// was is the state of the row before, edge the time that the instants of its
	// changes leave open.
	was  state.Clutch
	edge float64
	// fills is for how long, in seconds, a clutch that was told to apply may
	// still be filling.
	fills float64
}

// fillS is how long a clutch fills at most before it carries (cp: 0.1 to 0.5 s).
// Structural: it only widens bounds.
const fillS = 0.5

// lightPct is a pedal below which an open converter slips no more than is regulated,
// so that the plates may carry nothing (cp). Structural: it only widens bounds.
const lightPct = 25.0

// change takes a change between held and open. It lies within the samples on both
// sides of it, and is blurred by what the engine's speed passes through on its way.
func (l *lockup) change(s *scene, m *state.Moment) {
	if m.State.On() && l.was == state.Open || l.was.On() && m.State == state.Open {
		c := s.Chain()
		apart := 2 * s.PitchS()
		for _, x := range [...]stream.Role{stream.EngineSpeed, stream.TurbineSpeed} {
			apart = max(apart, 2*s.Role(x).PeriodS)
		}
		l.edge += apart + (math.Round(1000*c.FilterS)+math.Round(1000*c.UnsureS))/1000
		l.fills = 0
		if l.was == state.Open && m.HasCommand {
			l.fills = fillS
		}
	}
	if m.State == state.Closed {
		l.fills = 0
	}
	if a, ok := m.Accelerator(); ok && a < lightPct && m.State == state.Partial {
		l.edge += m.DtS
	}
	if l.fills > 0 {
		l.edge += min(m.DtS, l.fills)
		l.fills -= m.DtS
	}
	l.was = m.State
}

func (l *lockup) begin(*scene) { *l = lockup{waits: l.waits} }

// row adds the time of a row.
func (l *lockup) row(s *scene, m *state.Moment) {
	for _, r := range s.Revisions() {
		l.move(r.From, r.To, r.S)
	}
	if m.DtS == 0 || !s.InDrive() {
		return
	}
	if !m.Moving || !m.Running {
		l.lastGear, l.lastSpeed, l.lastTemp = nil, nil, nil
		return
	}
	if l.waits {
		l.waiting += m.DtS
		return
	}
	l.change(s, m)
	l.lastGear, l.lastTemp = &l.noGear, &l.noTemp
	if m.HasGear && m.Gear >= stream.GearReverse && m.Gear < gearBands-1 {
		l.lastGear = &l.gears[m.Gear+1]
	}
	l.lastSpeed = &l.speeds[min(int(m.Kmh/20), speedBands-1)]
	if m.Row.Has(stream.FluidTemperature) {
		l.lastTemp = &l.temps[tempBand(m.Row.V[stream.FluidTemperature])]
	}
	l.moving[m.State] += m.DtS
	l.lastGear[m.State] += m.DtS
	l.lastSpeed[m.State] += m.DtS
	l.lastTemp[m.State] += m.DtS
}

// span adds time of which the state was told afterwards, by the number of the line.
func (l *lockup) span(seconds float64, clutch state.Clutch, line int, kmh, temp float64, hasTemp bool) {
	l.waiting = max(0, l.waiting-seconds)
	gear, fluid := &l.noGear, &l.noTemp
	if line > 0 && line < gearBands-1 {
		gear = &l.gears[line+1]
	}
	if hasTemp {
		fluid = &l.temps[tempBand(temp)]
	}
	for _, t := range []*times{&l.moving, gear, &l.speeds[min(int(kmh/20), speedBands-1)], fluid} {
		t[clutch] += seconds
	}
}

// move puts the latest seconds into another state: what was found out
// afterwards. It moves no more than is there.
func (l *lockup) move(from, to state.Clutch, s float64) {
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
	a.ClosedS, a.PartialS, a.CoastS = state.Round(l.moving[state.Closed], ms), state.Round(l.moving[state.Partial], ms), state.Round(l.moving[state.Coast], ms)
	a.OpenS, a.UnknownS = state.Round(l.moving[state.Open], ms), state.Round(l.moving[state.Unknown]+l.waiting, ms)
	a.EdgeS = state.Round(l.edge, ms)
	a.MovingS = state.Round(a.ClosedS+a.PartialS+a.CoastS+a.OpenS+a.UnknownS, ms)
	var bands []Band
	add := func(of, label string, from, to float64, t *times) {
		if *t == (times{}) {
			return
		}
		bands = append(bands, Band{Of: of, Label: label, From: from, To: to,
			Closed: state.Round(t[state.Closed], ms), Partial: state.Round(t[state.Partial], ms), Coast: state.Round(t[state.Coast], ms),
			Open: state.Round(t[state.Open], ms), Unknown: state.Round(t[state.Unknown], ms)})
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
