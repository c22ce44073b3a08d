package chain

import (
	"math"
	"slices"
	"sort"
)

// Decision is how a fall of the command stands to this vehicle's habit.
type Decision struct {
	// LateS is by how much later than usual it came, LowS and HighS between what,
	// in s; negative where it came sooner.
	LateS, LowS, HighS float64
	// EarliestS is how long before the turbine came to its habit for the first time,
	// shifts or not; 0 where it did not. A command that falls as usual may have been due
	// since then, if that is rare.
	EarliestS float64
	// UsualRPM is the turbine's speed at which it usually falls with the turbine
	// falling as fast; 0 where the habit is a time after the brake, UsualBrakeS.
	UsualRPM, UsualBrakeS float64
	// UsualKmh is the road speed in place of it where that is what is kept.
	UsualKmh, usual float64
	// SpreadS is the standard deviation of the habit, by the median of the absolute
	// deviations, in s, the larger the fewer there are and the further the release is
	// from them; Less the share of its releases that came less late.
	SpreadS, Less float64
	// N is how many releases the habit rests on.
	N int
}

// law is one way in which a controller may decide: at a speed that is higher the
// faster it falls.
type law struct {
	of func(*Remembered) (value, rate float64)
	// slowest is the least rate at which a difference in speed is a difference in
	// time: slower, a stop takes so long that nobody feels what comes late. apart is
	// how far two rates must be apart to tell a slope, least how far a habit goes at the
	// least: road speeds come in whole km/h, and the same ones again and again show no
	// narrower one. Structural.
	slowest, apart, least float64
}

var (
	byTurbine = law{func(x *Remembered) (float64, float64) { return x.TurbineRPM, x.RPMPerS }, 40, 15, 10}
	byRoad    = law{func(x *Remembered) (float64, float64) { return x.Kmh, x.KmhPerS }, 1.5, 0.6, 1}
)

// loosest is the widest spread of a habit, in s, by which anything is decided.
// Structural: what a vehicle does within three seconds is no habit.
const loosest = 3.0

// Decide holds a release against the habit; ok is false where there is none yet, or
// none that is kept closely enough. Controllers let go at a turbine or road speed
// that is higher the faster it falls, or a while after the brake (common practice):
// what the vehicle keeps most closely counts. A fall that the pedal's lift decides, as many
// of the vehicle's, is not late.
func (m *Memory) Decide(r *Release) (Decision, bool) {
	c, x := m.turning(r)
	return c.decide(&x, c.slower(r))
}

// slower is for how long the road speed has been below nearly all at which the command
// fell before, in whatever gear, in s: no shift hides that.
func (m *Memory) slower(r *Release) float64 {
	v := m.all(func(x *Remembered) float64 { return x.Kmh })
	if len(v) < Fewest || !(r.Kmh >= 0) || !(r.KmhPerS >= byRoad.slowest) {
		return 0
	}
	return max(0, (at(v, fewInWay)-byRoad.least-r.Kmh)/r.KmhPerS)
}

// decide takes a release with the gears told apart, and what slower says of it.
func (m *apart) decide(r *Release, slowerS float64) (best Decision, ok bool) {
	x := r.remembered()
	turbine, a := m.bySpeed(&x, &byTurbine)
	road, b := m.bySpeed(&x, &byRoad)
	brake, c := m.byBrake(r)
	var way Decision
	w := false
	h, n, known := m.atTurbine(r)
	if known {
		way, w = m.byWay(r, &h, n, slowerS)
	}
	if k, ok := m.kept(); ok && 2*k.WithinS < brake.HighS-brake.LowS {
		c = false // the brake came as it did by chance
	}
	if a {
		turbine.UsualRPM = turbine.usual
	}
	if b {
		road.UsualKmh = road.usual
	}
	for _, d := range []struct {
		Decision
		ok bool
	}{{turbine, a}, {road, b}, {brake, c}} {
		if spread := d.HighS - d.LowS; d.ok && spread <= loosest && (!ok || spread < best.HighS-best.LowS) {
			best, ok = d.Decision, true
		}
	}
	// One that fell as usual was hardly due before.
	usual := ok && best.usually()
	byWay := w && !usual && way.HighS-way.LowS <= loosest && (!ok || way.LowS > best.LowS)
	if byWay {
		best, ok = way, true
	}
	if r.RolledS > 0 && best.LowS > r.RolledS {
		// Under drive nothing was due.
		best.LowS, best.LateS = r.RolledS, min(best.LateS, r.RolledS)
	}
	if best.LowS > 0 && (best.UsualBrakeS == 0 && m.another(&x) || r.LiftedS > 0 && r.LiftedS <= m.liftS) {
		best.LowS = 0
	}
	if byWay {
		return best, true
	}
	if known {
		best.EarliestS = first(r.Way, h.slope, h.high)
	}
	if best.LowS > 0 {
		// It may have been due as a shift went on, too.
		best.HighS = max(best.HighS, best.EarliestS)
	}
	return best, ok
}

// liftS is until when after the pedal's lift a command's fall is one that the lift decides,
// at whatever speed, in s: the most falls that come within overdueS of the first of them,
// and as long again; 0 where this vehicle's do not come together so.
func (m *Memory) liftS() float64 {
	var v []float64
	for i := range m.Last {
		if s := m.Last[i].LiftedS; s > 0 && s <= liftReachS {
			v = append(v, s)
		}
	}
	slices.Sort(v)
	most, until := max(fewestOwn, int(float64(fewInWay*float64(len(m.Last))))+1), 0.0
	for i := range v {
		if n := sort.SearchFloat64s(v, v[i]+overdueS) - i; n >= most {
			most, until = n, v[i]+2*overdueS
		}
	}
	return until
}

// liftReachS is the longest that a controller waits after the pedal's lift. Structural:
// what comes later the road decides (cp).
const liftReachS = 2.0

// usually reports whether a fall was as usual, by a habit that is one.
func (d *Decision) usually() bool {
	return d.LowS <= 0 && d.HighS >= 0 && d.HighS-d.LowS <= loosest
}

// atTurbine is the habit of the turbine's speed in the release's gear, and on how many
// releases it rests; ok is false where they are too few, or its way down is not known.
func (m *apart) atTurbine(r *Release) (h habit, n int, ok bool) {
	list := m.those(byTurbine.fits)
	if len(list) < Fewest || len(r.Way) == 0 {
		return h, 0, false
	}
	x := m.lay(&byTurbine, list)
	return byTurbine.line(x.sound, r.Gear, x.slope), len(list), true
}

// byWay: since when the turbine has been below the speed at which the command usually
// falls, in whatever gear: a downshift since may have lifted it above that again. It
// is overdue from where the turbine stayed below for a while and no shift was under
// way, for controllers wait for the end of one; what this vehicle's sound releases are
// overdue by is its habit.
//
// At a road speed below nearly all before, a shift hides nothing: it has been overdue
// for as long as that, but not from before the turbine was below for the first time.
func (m *Memory) byWay(r *Release, h *habit, n int, slowerS float64) (d Decision, ok bool) {
	// Some gears may have a habit of their own.
	low := min(h.low, at(h.rest, fewInWay))
	d = Decision{N: n, LowS: overdue(r.Way, h.slope, low), LateS: overdue(r.Way, h.slope, h.mid), HighS: first(r.Way, h.slope, h.high)}
	slowerS = min(slowerS, first(r.Way, h.slope, low))
	if d.LateS == 0 && slowerS == 0 {
		return m.astray(r, h)
	}
	usual := m.all(func(x *Remembered) float64 { return x.OverdueS })
	if len(usual) > 0 {
		d.LowS = max(0, d.LowS-at(usual, 1-fewInWay))
	}
	d.LowS = max(d.LowS, slowerS)
	d.LateS = max(d.LateS, d.LowS)
	d.UsualRPM = h.mid + float64(h.slope*r.Way[0].RPMPerS)
	return d, true
}

// Overdue is for how long a release had been overdue when the command fell, as far as
// the turbine's way down tells it against the releases before; NaN where it does not.
func (m *Memory) Overdue(r *Release) float64 {
	c, x := m.turning(r)
	h, _, known := c.atTurbine(&x)
	if !known {
		return math.NaN()
	}
	return overdue(x.Way, h.slope, min(h.low, at(h.rest, fewInWay)))
}

// overdue is how long before the fall the turbine came below the line, and stayed: for
// longer the further the points are apart. Where it has ceased to fall since, nothing
// was due.
func overdue(way []Passed, slope, line float64) float64 {
	since, from, running := 0.0, 0.0, false
	for i := len(way) - 1; i >= 0; i-- {
		p := &way[i]
		if !p.Hidden && p.RPMPerS < byTurbine.slowest {
			since, running = 0, false
			continue
		}
		was := running
		if running = !p.Hidden && p.below(slope, line); running && !was {
			from = p.AgoS
		}
		if running && was && since == 0 && from-p.AgoS >= overdueS+2*(way[i+1].AgoS-p.AgoS) {
			since = from
		}
	}
	if since == 0 && running && way[0].AgoS <= overdueS {
		return from // up to the fall
	}
	return since
}

// first is how long before the fall the turbine was below the line for the first time,
// shifts or not.
func first(way []Passed, slope, line float64) float64 {
	for i := len(way) - 1; i >= 0; i-- {
		if way[i].below(slope, line) {
			return way[i].AgoS
		}
	}
	return 0
}

func (p *Passed) below(slope, line float64) bool {
	return p.RPMPerS >= byTurbine.slowest && p.TurbineRPM-float64(slope*p.RPMPerS) < line
}

// astray: a fall well above the speed at which the command usually falls in this gear
// was not decided there; if a shift brought the turbine down to it before, it was then.
func (m *Memory) astray(r *Release, h *habit) (d Decision, ok bool) {
	x := r.remembered()
	value, rate := byTurbine.of(&x)
	if value < 0 || rate < byTurbine.slowest || h.own < fewestOwn || value-float64(h.slope*rate) < h.high+(h.high-h.mid) || above(h.rest, h.high) > fewInWay {
		return d, false
	}
	for i := range r.Way {
		p := &r.Way[i]
		if p.below(h.slope, h.high) {
			return Decision{LateS: p.AgoS, LowS: p.AgoS, HighS: first(r.Way, h.slope, h.high), N: len(h.rest),
				UsualRPM: h.mid + float64(h.slope*rate)}, true
		}
	}
	return d, false
}

const (
	// overdueS is how long the turbine must have stayed below: what a controller's own
	// filters and its messages' period take (cp).
	overdueS = 0.15
	// fewInWay is the share of sound releases that may be below the habit of the rest by
	// mistake: late ones that were not told. Structural.
	fewInWay = 0.15
)

// bySpeed: a speed against its fall, by the line of Theil 1950 and Sen 1968.
func (m *apart) bySpeed(r *Remembered, l *law) (d Decision, ok bool) {
	value, rate := l.of(r)
	if rate < l.slowest || value < 0 {
		return d, false
	}
	list := m.like(r, l.fits)
	if len(list) < Fewest {
		return d, false
	}
	laid := m.lay(l, list)
	of, least, slope, most := laid.sound, laid.least, laid.slope, laid.most
	if len(of) < Fewest { // too few of them lie on a line by chance
		a, _, b := l.slope(list)
		least, most = min(least, a), max(most, b)
	}
	h := l.line(of, r.Gear, slope)
	off := value - float64(h.slope*rate)
	d = Decision{LateS: (h.mid - off) / rate, LowS: (h.low - off) / rate, HighS: (h.high - off) / rate,
		usual: h.mid + float64(h.slope*rate), N: len(list)}
	for _, b := range [...]float64{least, most} {
		x := l.line(of, r.Gear, b)
		off := value - float64(b*rate)
		d.LowS, d.HighS = min(d.LowS, (x.low-off)/rate), max(d.HighS, (x.high-off)/rate)
	}
	d.SpreadS = (d.HighS - d.LowS) / (2 * wide) * (1 + few/float64(len(of))) * (1 + l.outside(of, rate))
	d.Less = above(l.rests(list, slope), off)
	return d, true
}

// few releases make a deviation by their median half as large again and more, by
// chance. Structural.
const few = float64(Fewest)

// outside is by what share of itself a rate lies beyond those of the releases: a law
// says little where it was not seen.
func (l *law) outside(list []*Remembered, rate float64) float64 {
	low, high := math.Inf(1), 0.0
	for _, x := range list {
		_, q := l.of(x)
		low, high = min(low, q), max(high, q)
	}
	return max(0, low/rate-1, rate/max(high, l.slowest)-1)
}

// like returns the releases that are held to be alike: those of the same gear with
// the fluid about as warm, or of the same gear, or all that fit, whichever are
// enough.
func (m *Memory) like(r *Remembered, fits func(*Remembered) bool) []*Remembered {
	gear := func(x *Remembered) bool { return fits(x) && x.Gear == r.Gear }
	warm := func(x *Remembered) bool { return gear(x) && math.Abs(x.Celsius-r.Celsius) <= alikeC }
	for _, which := range []func(*Remembered) bool{warm, gear} {
		if list := m.those(which); len(list) >= Fewest {
			return list
		}
	}
	return m.those(fits)
}

// alikeC is how far two temperatures may be apart, in °C, that count as one. Structural:
// oil's viscosity halves in about so much (common practice).
const alikeC = 20.0

// another reports whether a release is as some before at about the same turbine and road
// speed and fall, too many of them to be late ones: a vehicle may let go in one way as the
// pedal is lifted and in another as it is braked, and what is usual of the one is no
// lateness of the other. Those that were told as late count; of its gear alone, where
// there are some.
func (m *Memory) another(r *Remembered) bool {
	var alike, of, gear [2]int
	for i := range m.Last {
		x := &m.Last[i]
		if x.TurbineRPM < 0 || x.RPMPerS < 0 {
			continue
		}
		own := 0
		if x.Gear == r.Gear {
			own = 1
		}
		gear[own]++
		if x.RPMPerS < r.RPMPerS/alikeRate || x.RPMPerS > r.RPMPerS*alikeRate {
			continue
		}
		of[own]++
		roads := x.Kmh >= 0 && r.Kmh >= 0 && math.Abs(x.Kmh-r.Kmh) > 2*byRoad.least
		if math.Abs(x.TurbineRPM-r.TurbineRPM) <= 2*byTurbine.least && !roads {
			alike[own]++
		}
	}
	if gear[1] < fewestOwn {
		alike[1], of[1] = alike[1]+alike[0], of[1]+of[0]
	}
	return r.TurbineRPM >= 0 && alike[1] >= fewestOwn && float64(alike[1]) > float64(fewInWay*float64(of[1]))
}

// alikeRate is how many times as fast a turbine may fall that falls alike. Structural:
// a law of its fall moves by no more than a habit's spread (cp).
const alikeRate = 1.5

// byBrake: the time from brake to command. Where more come later than it than late ones
// may be among sound ones, it is no habit.
func (m *Memory) byBrake(r *Release) (d Decision, ok bool) {
	v := m.all(func(x *Remembered) float64 { return x.BrakeS })
	if len(v) < Fewest || math.IsNaN(r.BrakeS) {
		return d, false
	}
	low, mid, high := reach(v, 0)
	all, beyond := 0.0, 0.0
	for i := range m.Last {
		if s := m.Last[i].BrakeS; s >= 0 {
			all++
			if s > high {
				beyond++
			}
		}
	}
	if beyond > float64(fewInWay*all) {
		return d, false
	}
	return Decision{LateS: r.BrakeS - mid, LowS: r.BrakeS - high, HighS: r.BrakeS - low, UsualBrakeS: mid, N: len(v)}, true
}

// reach returns the median and how far to each side a habit goes: three standard
// deviations, taken from the median of the absolute deviations, so that a quarter
// of them may have been late without being told; least at the least.
func reach(v []float64, least float64) (low, mid, high float64) {
	slices.Sort(v)
	mid, _ = median(v)
	off := make([]float64, len(v))
	for i, x := range v {
		off[i] = math.Abs(x - mid)
	}
	slices.Sort(off)
	mad, _ := median(off)
	far := max(float64(wide*1.4826*mad), least)
	return mid - far, mid, mid + far
}

// wide is how many standard deviations to each side a habit goes.
const wide = 3.0

func (m *Memory) those(which func(*Remembered) bool) []*Remembered {
	var list []*Remembered
	for i := range m.Last {
		if !m.Last[i].Told && which(&m.Last[i]) {
			list = append(list, &m.Last[i])
		}
	}
	return list
}

// fits reports whether both are known of a release.
func (l *law) fits(x *Remembered) bool {
	value, rate := l.of(x)
	return value >= 0 && rate >= 0
}

// habit is a line of the value over its rate: the slope, what is left of the value of
// each release without it, ascending, and between what that usually lies in a gear.
type habit struct {
	slope          float64
	rest           []float64
	low, mid, high float64
	own            int // releases of the gear
}

// fewestOwn releases of a gear show where its own habit lies, within the spread of
// all. Structural.
const fewestOwn = 3

// laid is a line through the sound ones of releases that are held to be alike: its slope,
// and between what that lies.
type laid struct {
	law                *law
	list, sound        []*Remembered
	least, slope, most float64
}

// lay lays the line, where it is not laid yet: a stop asks for the same one several times.
func (m *apart) lay(l *law, list []*Remembered) laid {
	for _, x := range m.laid {
		if x.law == l && slices.Equal(x.list, list) {
			return x
		}
	}
	x := laid{law: l, list: list, sound: l.sound(list)}
	x.least, x.slope, x.most = l.slope(x.sound)
	m.laid = append(m.laid, x)
	return x
}

// line is the habit of releases that are held to be alike, with so much of a slope. Where
// the gear has some of its own they say where the habit lies, and all of them, each about
// those of its gear, how far it goes; a gear that has not may have a habit like that of any
// other.
func (l *law) line(list []*Remembered, gear int, slope float64) (h habit) {
	h.slope, h.rest = slope, l.rests(list, slope)
	of := map[int][]float64{}
	for i, x := range list {
		of[x.Gear] = append(of[x.Gear], h.rest[i])
	}
	h.low, h.mid, h.high = reach(h.rest, l.least)
	if h.own = len(of[gear]); h.own == len(list) {
		return h
	}
	least, most := h.mid, h.mid
	var off []float64
	for _, v := range of {
		mid := h.mid
		if len(v) >= fewestOwn {
			mid, _ = median(sorted(v))
			least, most = min(least, mid), max(most, mid)
		}
		for _, x := range v {
			off = append(off, math.Abs(x-mid))
		}
	}
	mad, _ := median(sorted(off))
	far := max(float64(wide*1.4826*mad), l.least)
	if h.own < fewestOwn {
		h.low, h.high = min(least-far, at(h.rest, fewInWay)), max(most+far, at(h.rest, 1-fewInWay))
		return h
	}
	h.mid, _ = median(of[gear])
	// So few say of their own middle no better than within a part of the spread.
	far *= 1 + few/2/float64(h.own)
	h.low, h.high = h.mid-far, h.mid+far
	return h
}

func sorted(v []float64) []float64 {
	slices.Sort(v)
	return v
}

// rests is what is left of the value of each without the slope.
func (l *law) rests(list []*Remembered, slope float64) []float64 {
	rest := make([]float64, len(list))
	for i, x := range list {
		value, rate := l.of(x)
		rest[i] = value - float64(slope*rate)
	}
	return rest
}

// above is the share of those that are.
func above(rest []float64, off float64) (s float64) {
	for _, x := range rest {
		if x > off {
			s += 1 / float64(len(rest))
		}
	}
	return s
}

// slope is the median of the slopes between all pairs that are far enough apart, of
// the same gear where there are enough, with the bounds that hold it in 19 of 20 (Sen,
// J. Am. Stat. Assoc. 63, 1968; by gears, the sums over them); 0 where there are none. A
// few releases in unlike gears, each braked its own way, make one by chance.
func (l *law) slope(list []*Remembered) (least, mid, most float64) {
	gears := map[int]float64{}
	for _, x := range list {
		gears[x.Gear]++
	}
	all := l.slopes(list, func(*Remembered, *Remembered) bool { return true })
	own := l.slopes(list, func(x, y *Remembered) bool { return x.Gear == y.Gear })
	if len(own) >= Fewest {
		all = own
	} else {
		gears = map[int]float64{0: float64(len(list))}
	}
	if len(all) == 0 {
		return 0, 0, 0
	}
	mid, _ = median(sorted(all))
	variance, possible := 0.0, 0.0
	for _, n := range gears { // whole numbers: in any order the same
		variance += float64(n*(n-1)) * float64(2*n+5)
		possible += float64(n*(n-1)) / 2
	}
	c, pairs := 1.96*math.Sqrt(variance/18)/possible, float64(len(all))
	least, most = at(all, max(0, (1-c)/2)), at(all, min((1+c)/2, (pairs-1)/pairs))
	return max(0, least), max(0, mid), max(0, most)
}

// slopes are those between all pairs of a sort that are far enough apart.
func (l *law) slopes(list []*Remembered, which func(x, y *Remembered) bool) (of []float64) {
	for i, x := range list {
		a, p := l.of(x)
		for _, y := range list[:i] {
			if b, q := l.of(y); math.Abs(p-q) >= l.apart && which(x, y) {
				of = append(of, (a-b)/(p-q))
			}
		}
	}
	return of
}
