package chain

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// usual is a vehicle whose command falls at 700 rpm and 0.4 s of the turbine's fall
// above it, within 10 rpm, n times.
func usual(n int) *Memory {
	m := &Memory{}
	for i := range n {
		rate := 60 + float64(i%7)*40
		m.Learn(&Release{Gear: 2, Celsius: 70, TurbineRPM: 700 + 0.4*rate + float64(i%5-2)*5, RPMPerS: rate, BrakeS: 2 + float64(i%9),
			PartedLowKPa: 240 + float64(i%3), PartedHighKPa: 260 + float64(i%3), DeadS: 0.04, LagS: 0.2})
	}
	return m
}

func TestDecide(t *testing.T) {
	for _, x := range []struct {
		name      string
		n         int
		rpm, rate float64
		ok        bool
		low, high float64 // bounds of LowS and of HighS
	}{
		{"as usual", 30, 740, 100, true, -0.3, 0.3},
		{"1.5 s late", 30, 740 - 150, 100, true, 1.2, 1.8},
		{"sooner", 30, 1000, 100, true, -3, -2},
		{"too few", Fewest - 1, 590, 100, false, 0, 0},
		{"rolls out", 30, 590, 20, false, 0, 0},
		{"hidden by a shift", 30, math.NaN(), math.NaN(), false, 0, 0},
	} {
		d, ok := usual(x.n).Decide(&Release{Gear: 2, TurbineRPM: x.rpm, RPMPerS: x.rate, BrakeS: 6})
		if ok != x.ok || ok && (d.LowS < x.low || d.HighS > x.high || d.LowS > d.LateS || d.LateS > d.HighS) {
			t.Errorf("%s: %+v, %v", x.name, d, ok)
		}
	}
}

// Eight releases in unlike gears, each braked its own way, make a slope of the road
// speed by chance: what it says of a harder stop is not known so well. A slope that is
// there is kept to.
func TestSlopeByChance(t *testing.T) {
	road := func(kmh, rate float64) *Release {
		return &Release{Gear: 4, Celsius: 70, TurbineRPM: math.NaN(), RPMPerS: math.NaN(), BrakeS: math.NaN(), Kmh: kmh, KmhPerS: rate,
			PartedLowKPa: math.NaN(), PartedHighKPa: math.NaN(), DeadS: math.NaN(), LagS: math.NaN()}
	}
	chance, kept := &Memory{}, &Memory{}
	for _, x := range [][2]float64{{17.4, 3.3}, {20.6, 4.8}, {20.5, 4.5}, {15.1, 4.7}, {14.4, 3}, {17.4, 3.25}, {20.6, 4.6}, {17.4, 3.2}} {
		chance.Learn(road(x[0], x[1]))
		kept.Learn(road(10+2.2*x[1], x[1]))
	}
	harder := road(18.6, 6.5)
	if d, ok := chance.Decide(harder); ok && d.LowS > 0.3 {
		t.Errorf("late by %.2f s at the least, of eight by chance", d.LowS)
	}
	if d, ok := kept.Decide(harder); !ok || d.LowS < 0.5 {
		t.Errorf("late by %.2f s at the least (%v), want 0.8", d.LowS, ok)
	}
}

// A controller that lets go a while after the brake, at any speed, is held against
// that.
func TestDecideByBrake(t *testing.T) {
	m := &Memory{}
	for i := range 20 {
		m.Learn(&Release{Gear: 4, TurbineRPM: 900 + float64(i*i%7)*150, RPMPerS: 100, BrakeS: 0.3 + 0.02*float64(i%4),
			PartedLowKPa: math.NaN(), PartedHighKPa: math.NaN(), DeadS: math.NaN(), LagS: 0.2})
	}
	d, ok := m.Decide(&Release{Gear: 4, TurbineRPM: 1200, RPMPerS: 100, BrakeS: 1.5})
	if !ok || d.UsualBrakeS == 0 || math.Abs(d.LateS-1.17) > 0.05 || d.LowS < 1 {
		t.Errorf("%+v, %v", d, ok)
	}
	if m.Hold().Known {
		t.Error("a pressure was learned where none was seen")
	}
}

// A downshift after the turbine came below the habit lifts it above that again: what
// is late is told by the way down, even where a shift hides the fall itself.
func TestDecideByWay(t *testing.T) {
	// 100 rpm/s from 790 rpm, 50 above the habit of 740, for 1.5 s; then a downshift
	// to 900 rpm, and the fall another 0.5 s later: overdue since 1.5 s.
	var down, hidden []Passed
	for ago := 0.05; ago < 2; ago += 0.05 {
		p := Passed{AgoS: ago, TurbineRPM: 790 - 100*(2-ago), RPMPerS: 100}
		if ago < 0.5 {
			p.TurbineRPM = 900
		}
		down = append(down, p)
		p.Hidden = true
		hidden = append(hidden, p)
	}
	for _, x := range []struct {
		name string
		rpm  float64
		way  []Passed
		late float64
		ok   bool
	}{
		{"downshift", 850, down, 1.5, true},
		{"hidden by a shift", math.NaN(), down, 1.5, true},
		{"below only as a shift went on", math.NaN(), hidden, 0, false},
		{"below as the shift began, and let go far above the habit", 850, down[27:], 1.4, true},
		{"below as the shift began", math.NaN(), down[27:], 0, false},
		{"never below", math.NaN(), down[:5], 0, false},
		{"as usual", 740, nil, 0, true},
		{"as usual, after it was below before the downshift", 740, down, 0, true},
	} {
		rate := 100.0
		if math.IsNaN(x.rpm) {
			rate = math.NaN()
		}
		d, ok := usual(30).Decide(&Release{Gear: 2, TurbineRPM: x.rpm, RPMPerS: rate, BrakeS: 6, Way: x.way})
		if ok != x.ok || ok && (math.Abs(d.LateS-x.late) > 0.2 || d.LowS > d.LateS || d.LateS > d.HighS) {
			t.Errorf("%s: %+v, %v", x.name, d, ok)
		}
	}
}

// A fall at a road speed well below those of all before, whatever the gear, is late
// though shifts hide when it was due; not where the turbine was never below its habit, nor
// where such a speed is usual.
func TestDecideByRoadSpeed(t *testing.T) {
	var below, above []Passed
	for ago := 0.05; ago < 2; ago += 0.05 {
		below = append(below, Passed{AgoS: ago, TurbineRPM: 650, RPMPerS: 100, Hidden: true})
		above = append(above, Passed{AgoS: ago, TurbineRPM: 900, RPMPerS: 100, Hidden: true})
	}
	for _, x := range []struct {
		name      string
		n         int
		kmh       float64
		way       []Passed
		slow      int // of the releases before, at 6 km/h
		ok        bool
		low, high float64
	}{
		// 12.5 km/h, below which were 15 in 100, less one of rounding, at 4 km/h a second.
		{"below all", 30, 6, below, 0, true, 1.375, 1.95},
		{"for longer than the turbine was below", 30, 3, below, 0, true, 1.95, 1.95},
		{"below nearly all", 30, 6, below, 3, true, 1.25, 1.95},
		{"as slow as some before", 30, 6, below, 6, false, 0, 0},
		{"among those before", 30, 13, below, 0, false, 0, 0},
		{"not known", 30, math.NaN(), below, 0, false, 0, 0},
		{"never below its habit", 30, 6, above, 0, false, 0, 0},
		{"too few", Fewest - 1, 6, below, 0, false, 0, 0},
	} {
		m := usual(x.n)
		for i := range m.Last {
			m.Last[i].Kmh, m.Last[i].KmhPerS = 12+float64(i%9)*0.5, 4
			if i < x.slow {
				m.Last[i].Kmh = 6
			}
			m.Last[i].BrakeS = unknown
		}
		r := &Release{Gear: 1, Celsius: 70, TurbineRPM: math.NaN(), RPMPerS: math.NaN(), BrakeS: math.NaN(), Kmh: x.kmh, KmhPerS: 4, Way: x.way}
		d, ok := m.Decide(r)
		if ok != x.ok || ok && (math.Abs(d.LowS-x.low) > 0.01 || math.Abs(d.HighS-x.high) > 0.01 || d.LateS < d.LowS || d.LateS > d.HighS) {
			t.Errorf("%s: %+v, %v", x.name, d, ok)
		}
	}
}

// What sound releases of this vehicle are overdue by is no lateness.
func TestOverdueByHabit(t *testing.T) {
	var way []Passed
	for ago := 0.05; ago < 2; ago += 0.05 {
		way = append(way, Passed{AgoS: ago, TurbineRPM: 600, RPMPerS: 100})
	}
	r := &Release{Gear: 2, TurbineRPM: math.NaN(), RPMPerS: math.NaN(), BrakeS: 6, Way: way}
	m := usual(30)
	d, _ := m.Decide(r)
	m = &Memory{latest: latest[Remembered]{Last: m.Last}}
	for i := range m.Last {
		m.Last[i].OverdueS = 1.5
	}
	if x, _ := m.Decide(r); d.LowS < 1.8 || math.Abs(d.LowS-1.5-x.LowS) > 0.01 {
		t.Errorf("%g s overdue, and %g s where 1.5 s is usual", d.LowS, x.LowS)
	}
	if got := m.Overdue(r); math.Abs(got-1.95) > 0.01 {
		t.Errorf("%g s overdue, want 1.95", got)
	}
}

// A stop asks for the same lines again and again: they are laid once.
func TestLaidOnce(t *testing.T) {
	m := usual(30)
	r := &Release{Gear: 2, TurbineRPM: 900, RPMPerS: 120, BrakeS: 6, Way: []Passed{{AgoS: 0.05, TurbineRPM: 906, RPMPerS: 120}}}
	m.Decide(r)
	laid := len(m.told.laid)
	m.Overdue(r)
	m.Decide(r)
	if n := len(m.told.laid); laid == 0 || n != laid {
		t.Errorf("%d lines are laid for a release, %d once it was asked about again", laid, n)
	}
	if m.Learn(r); m.told != nil {
		t.Error("they outlast the release that is learned")
	}
}

// A gear of its own habit, seen a few times only, is held against that.
func TestDecideInOwnGear(t *testing.T) {
	m := usual(20)
	for i := range 4 {
		m.Learn(&Release{Gear: 1, Celsius: 70, TurbineRPM: 900 + 0.4*100 + float64(i), RPMPerS: 100, BrakeS: 6,
			PartedLowKPa: math.NaN(), PartedHighKPa: math.NaN(), DeadS: math.NaN(), LagS: 0.2})
	}
	for rpm, late := range map[float64]float64{940: 0, 840: 1, 740: 2} {
		d, ok := m.Decide(&Release{Gear: 1, Celsius: 70, TurbineRPM: rpm, RPMPerS: 100, BrakeS: 6})
		if !ok || math.Abs(d.LateS-late) > 0.1 || d.LowS < late-0.6 || d.HighS > late+0.6 {
			t.Errorf("first gear at %g rpm: %+v, want %g s late", rpm, d, late)
		}
	}
}

// A vehicle that lets go soon after the brake, and braked otherwise at about 1,080 rpm,
// is held against neither alone: what comes 3 s after the brake is no habit's lateness.
// Nor is a third release told as late at another speed once some were told there.
func TestTwoHabits(t *testing.T) {
	release := func(rpm, rate, brake float64) *Release {
		return &Release{Gear: 4, Celsius: 70, TurbineRPM: rpm, RPMPerS: rate, BrakeS: brake, Kmh: math.NaN(), KmhPerS: math.NaN(),
			PartedLowKPa: math.NaN(), PartedHighKPa: math.NaN(), DeadS: math.NaN(), LagS: 0.1}
	}
	m := &Memory{}
	for i := range 20 {
		m.Learn(release(1100+12*float64(i), 60+7*float64(i%5), 0.38))
	}
	late := release(1000, 90, 3)
	if d, ok := m.Decide(late); !ok || d.LowS < 2 {
		t.Errorf("%+v, %v: a habit after the brake", d, ok)
	}
	for i := range 5 {
		m.Told(release(1075+float64(i), 90, 2+float64(i)))
	}
	if d, ok := m.Decide(late); ok && d.LowS > 0 && d.UsualBrakeS > 0 {
		t.Errorf("%+v: told by the brake though one in five came later", d)
	}

	m = &Memory{}
	for i := range 20 {
		m.Learn(release(1500+4*float64(i%5), 100, math.NaN()))
	}
	for i := range 5 {
		d, ok := m.Decide(release(1108+2*float64(i), 100, 6))
		if told := ok && d.LowS > 0; told != (i < 4) {
			t.Errorf("told %v as no. %d at another speed: %+v", told, i+1, d)
		}
		m.Told(release(1108+2*float64(i), 100, 6))
	}
	if d, ok := m.Decide(release(1300, 100, 6)); !ok || d.LowS < 1.5 {
		t.Errorf("%+v, %v: between the two it is late still", d, ok)
	}
}

// A vehicle that lets go 0.4 s after the pedal's lift at whatever speed, else at about
// 1,080 rpm: what the lift decided in third gear is no habit of that gear's speed. Falls
// that are apart in time, or together at more than 2 s, the lift did not decide.
func TestDecidedByLift(t *testing.T) {
	release := func(gear int, rpm, lifted float64) *Release {
		return &Release{Gear: gear, Celsius: 70, TurbineRPM: rpm, RPMPerS: 150, BrakeS: math.NaN(), Kmh: math.NaN(), KmhPerS: math.NaN(),
			PartedLowKPa: math.NaN(), PartedHighKPa: math.NaN(), DeadS: math.NaN(), LagS: math.NaN(), RolledS: lifted, LiftedS: lifted}
	}
	for _, x := range []struct {
		name      string
		from, per float64 // s after the lift
		rpm, late float64
	}{
		{"as the other gears", 0.36, 0.01, 1076, 0},
		{"late in that too", 0.36, 0.01, 930, 1},
		{"apart", 0.1, 0.18, 1076, 1.2},
		{"long after", 5, 0.01, 1076, 1.2},
	} {
		m := &Memory{}
		for i := range 10 {
			if i < 7 {
				m.Learn(release(3, 1280+4*float64(i%4), x.from+x.per*float64(i)))
			}
			m.Learn(release(4-2*(i%2), 1074+4*float64(i%4), 2.5+0.7*float64(i)))
		}
		d, ok := m.Decide(release(3, x.rpm, 6))
		if !ok || math.Abs(max(0, d.LateS)-x.late) > 0.3 || (d.LowS > 0) != (x.late > 0) {
			t.Errorf("%s: %+v, %v", x.name, d, ok)
		}
		if d, ok := m.Decide(release(3, 900, x.from)); x.from < 1 && ok && (d.LowS > 0) != (x.per > 0.1) {
			t.Errorf("%s, soon after the lift: %+v", x.name, d)
		}
	}
}

// A vehicle that keeps a speed goes by no time after the brake, that of a few stops by
// chance: a slow one as usual by its speed comes long after the brake.
func TestNoHabitOfTheBrake(t *testing.T) {
	m := &Memory{}
	for i := range 11 {
		m.Learn(&Release{Gear: 4, TurbineRPM: 916 + 3*float64(i%4), RPMPerS: 150 + 10*float64(i), BrakeS: 0.5 + 0.1*float64(i), Kmh: math.NaN(), KmhPerS: math.NaN(),
			PartedLowKPa: math.NaN(), PartedHighKPa: math.NaN(), DeadS: math.NaN(), LagS: 0.2})
	}
	if d, ok := m.Decide(&Release{Gear: 4, TurbineRPM: 890, RPMPerS: 8, BrakeS: 6.4, Kmh: math.NaN(), KmhPerS: math.NaN()}); ok && d.LowS > 0 {
		t.Errorf("%+v", d)
	}
}

// Of the first releases in unlike gears those in the lower ones are not late by the
// road's speed: nothing is by so much.
func TestLowerGearsAreNotLate(t *testing.T) {
	m := &Memory{}
	release := func(gear int, kmh, rate float64) *Release {
		return &Release{Gear: gear, TurbineRPM: math.NaN(), RPMPerS: math.NaN(), BrakeS: math.NaN(), Kmh: kmh, KmhPerS: rate}
	}
	for _, x := range [][3]float64{{2, 14.4, 5.9}, {6, 48.1, 7}, {5, 37.9, 8.6}, {3, 20.8, 5.4}, {3, 19.8, 6.2}, {6, 47.4, 4.7}, {6, 47.6, 8.8}, {6, 46.9, 7.1}, {6, 47.8, 7.6}} {
		m.Learn(release(int(x[0]), x[1], x[2]))
	}
	if d, ok := m.Decide(release(2, 13.8, 4.6)); ok && d.LowS > 0 {
		t.Errorf("%+v", d)
	}
}

// Under drive nothing is due: a command that falls soon after the pedal is released is
// late by no more than that, at whatever speed.
func TestLateSinceRolling(t *testing.T) {
	r := &Release{Gear: 2, TurbineRPM: 500, RPMPerS: 100, BrakeS: 6, RolledS: 0.4}
	if d, ok := usual(30).Decide(r); !ok || d.LowS != 0.4 || d.LateS != 0.4 || d.HighS < 1 {
		t.Errorf("%+v, %v", d, ok)
	}
}

// What is kept is bounded, comes back from its file, and damage is told.
func TestMemory(t *testing.T) {
	m := usual(3 * remembered)
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var back Memory
	if err := json.Unmarshal(b, &back); err != nil || !back.Valid() || len(back.Last) != remembered {
		t.Errorf("%d came back, %v", len(back.Last), err)
	}
	if h := back.Hold(); !h.Known || h.LowKPa != 240 || h.HighKPa != 262 {
		t.Errorf("%+v", h)
	}
	back.Next = len(back.Last)
	if back.Valid() {
		t.Error("a place outside counts as valid")
	}
}

// play lets the command fall at 1 s and the pressure follow by tau after dead
// seconds, a sample every 20 ms, and the speeds part at a time.
func play(dead, tau, partedS float64, hold Hold) Links {
	var track Track
	row := func(ms int) *stream.Row {
		s := float64(ms) / 1000
		p := 400.0
		if s > 1+dead {
			p = 400 * math.Exp(-(s-1-dead)/tau)
		}
		r := &stream.Row{At: bus.Micros(ms) * 1000}
		put := func(role stream.Role, v float64) {
			r.V[role], r.Known = v, r.Known|1<<role
			r.Prev[role], r.Next[role] = r.At, r.At
		}
		put(stream.ClutchPressure, p)
		put(stream.Brake, map[bool]float64{true: 1}[s >= 0.5])
		put(stream.Accelerator, map[bool]float64{true: 20}[s < 0.3])
		return r
	}
	at := bus.Micros(partedS * 1e6)
	for ms := 0; ms <= 4000; ms += 20 {
		r := row(ms)
		if ms == 1000 {
			track.Begin(Span{Early: 980_000, Late: 1_000_000}, r)
		}
		track.Row(r)
	}
	return track.End(Span{at - 10_000, at + 10_000}, hold)
}

func TestLinks(t *testing.T) {
	hold := Hold{Known: true, LowKPa: 240, HighKPa: 260}
	inside := func(name string, x Span, s float64) {
		at := bus.Micros(s * 1e6)
		if x.Early > at || x.Late < at || x.Late-x.Early > 120_000 {
			t.Errorf("%s: %.3f s is not within %.3f and %.3f s", name, s, x.Early.Seconds(), x.Late.Seconds())
		}
	}
	l := play(0.6, 0.2, 2.5, hold)
	inside("brake", l.Braked, 0.5)
	inside("pedal", l.Lifted, 0.3)
	inside("fell", l.Fell, 0.99)
	inside("began", l.Began, 1.6+0.02)
	inside("gone", l.Gone, 1.6+0.2*math.Log(400.0/250))
	if want := 400 * math.Exp(-0.9/0.2); math.Abs(l.PartedKPa-want) > 1 || l.BeforeKPa != 400 {
		t.Errorf("parted at %.1f kPa of %.1f, want %.1f of 400", l.PartedKPa, l.BeforeKPa, want)
	}
	if l := play(0, 1e6, 2.5, hold); l.HasGone || l.HasBegan {
		t.Errorf("a pressure that stood has fallen: %+v", l)
	}
	// Where what holds is not known, next to nothing holds nothing.
	l = play(0, 0.2, 2.5, Hold{})
	inside("gone to a tenth", l.Gone, 1+0.2*math.Log(10))
}

// What the driver did before a fall: the pedal released where it is known, else the
// brake; neither where the pedal is pressed again, nothing is known, or it is long ago.
func TestDriver(t *testing.T) {
	for _, x := range []struct {
		name          string
		pedal, brake  bool // known
		again         bool // the pedal is pressed again
		before        float64
		let, braked   float64 // s; 0 none
		brakeFromRow1 bool
	}{
		{"both", true, true, false, 5, 1, 2, false},
		{"brake alone", false, true, false, 5, 2, 2, false},
		{"pedal alone", true, false, false, 5, 1, 0, false},
		{"pressed again", true, false, true, 5, 0, 0, false},
		{"pressed again, braking on", true, true, true, 5, 2, 2, false},
		{"nothing known", false, false, false, 5, 0, 0, false},
		{"before either", true, true, false, 0.5, 0, 0, false},
		{"between them", true, true, false, 1.5, 1, 0, false},
		{"long ago", true, true, false, 40, 0, 0, false},
		{"on from the first row: since when is not known", false, true, false, 5, 0, 0, true},
	} {
		var track Track
		for ms := 0; ms <= int(1000*min(x.before, 10)); ms += 20 {
			s := float64(ms) / 1000
			r := &stream.Row{At: bus.Micros(ms) * 1000}
			put := func(role stream.Role, on bool, v float64) {
				if on {
					r.V[role], r.Known = v, r.Known|1<<role
					r.Prev[role], r.Next[role] = r.At, r.At
				}
			}
			put(stream.Accelerator, x.pedal, map[bool]float64{true: 20}[s < 1 || x.again && s >= 3])
			put(stream.Brake, x.brake, map[bool]float64{true: 1}[s >= 2 || x.brakeFromRow1])
			track.Row(r)
		}
		let, braked, ok := track.Driver(bus.Micros(x.before * 1e6))
		near := func(got Span, want float64) bool { return math.Abs(got.Mid().Seconds()-want) <= 0.03 }
		if ok != (x.let > 0) || ok && !near(let, x.let) || !near(braked, x.braked) {
			t.Errorf("%s: let %v, braked %v, %v", x.name, let, braked, ok)
		}
	}
}

// Late releases among those that a habit is taken from are set aside by it: with three in
// ten late by a second the habit is about as narrow as without, from its first sixteen on.
// One that is wide by itself stays that, and says so.
func TestLateOnesAreNoHabit(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	memory := func(n, late int, sd float64) *Memory {
		m := &Memory{}
		for i := range n {
			rate := 80 + 150*r.Float64()
			by := 0.0
			if 3*i%10 < late {
				by = 0.7 + 0.6*r.Float64()
			}
			m.Learn(&Release{Gear: 2, Celsius: 70, TurbineRPM: 900 + 0.4*rate - by*rate + sd*r.NormFloat64(), RPMPerS: rate,
				BrakeS: math.NaN(), Kmh: math.NaN(), KmhPerS: math.NaN(), PartedLowKPa: math.NaN(), PartedHighKPa: math.NaN(),
				DeadS: math.NaN(), LagS: math.NaN()})
		}
		return m
	}
	for _, n := range []int{16, 20, 60} {
		for range 20 {
			sound, some := memory(n, 0, 8), memory(n, 3, 8)
			x := &Release{Gear: 2, Celsius: 70, TurbineRPM: 900 + 0.4*150 - 150, RPMPerS: 150, BrakeS: math.NaN()}
			a, ok := sound.Decide(x)
			b, too := some.Decide(x)
			if !ok || !too || math.Abs(b.LateS-1) > 0.2 || b.SpreadS > a.SpreadS+0.12 {
				t.Errorf("of %d, late by %.2f s with a spread of %.2f s without late ones, %.2f and %.2f (%v) with", n, a.LateS, a.SpreadS, b.LateS, b.SpreadS, too)
			}
			if k, ok := some.Kept(); !ok || k.Releases != n || k.Late < n/5 || k.Late > n/2 || k.WithinS > 0.4 {
				t.Errorf("of %d: %+v", n, k)
			}
		}
	}
	wide := memory(40, 0, 80)
	if d, ok := wide.Decide(&Release{Gear: 2, Celsius: 70, TurbineRPM: 900 + 0.4*150 - 150, RPMPerS: 150, BrakeS: math.NaN()}); ok && d.SpreadS < 0.3 {
		t.Errorf("a spread of %.2f s, of a wide habit", d.SpreadS)
	}
	for name, m := range map[string]*Memory{"wide by itself": wide, "late at the most of its stops": memory(40, 7, 8)} {
		if k, ok := m.Kept(); !ok || k.WithinS < 1 {
			t.Errorf("%s: %+v", name, k)
		}
	}
}
