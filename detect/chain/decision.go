package chain

import (
	"math"
	"slices"
)

// Decision is how a fall of the command stands to this vehicle's habit.
type Decision struct {
	// LateS is by how much later than usual it came, LowS and HighS between what,
	// in s; negative where it came sooner.
	LateS, LowS, HighS float64
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
	// how far two rates must be apart to tell a slope. Structural.
	slowest, apart float64
}

var (
	byTurbine = law{func(x *Remembered) (float64, float64) { return x.TurbineRPM, x.RPMPerS }, 40, 15}
	byRoad    = law{func(x *Remembered) (float64, float64) { return x.Kmh, x.KmhPerS }, 1.5, 0.6}
)

// loosest is the widest spread of a habit, in s, by which anything is decided.
// Structural: what a vehicle does within three seconds is no habit.
const loosest = 3.0

// Decide holds a release against the habit; ok is false where there is none yet, or
// none that is kept closely enough. Controllers let go at a turbine or road speed
// that is higher the faster it falls, or a while after the brake (common practice):
// what the vehicle keeps most closely counts.
func (m *Memory) Decide(r *Release) (best Decision, ok bool) {
	x := r.remembered()
	turbine, a := m.bySpeed(&x, &byTurbine)
	road, b := m.bySpeed(&x, &byRoad)
	brake, c := m.byBrake(r)
	way, w := m.byWay(r)
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
	if w && way.HighS-way.LowS <= loosest && (!ok || way.LowS > best.LowS) {
		return way, true
	}
	return best, ok
}

// byWay: for how long the turbine has been below the speed at which the command
// usually falls, in whatever gear: a downshift since may have lifted it above that
// again. What shifts hide counts for at the most only: controllers wait for their end.
func (m *Memory) byWay(r *Release) (d Decision, ok bool) {
	list := m.those(byTurbine.fits)
	if len(list) < Fewest {
		return d, false
	}
	_, slope, _ := byTurbine.slope(list)
	rest := byTurbine.rest(list, slope)
	low, mid, high := reach(rest)
	// Some gears may have a habit of their own.
	low = min(low, at(rest, fewInWay))
	d.N = len(list)
	before := 0.0
	for _, p := range r.Way {
		s := min(p.AgoS-before, wayMostS)
		before = p.AgoS
		off := p.TurbineRPM - float64(slope*p.RPMPerS)
		if p.RPMPerS < byTurbine.slowest || off >= high {
			continue
		}
		d.HighS = p.AgoS
		if off < mid {
			d.LateS += s
			d.UsualRPM, ok = mid+float64(slope*p.RPMPerS), true
		}
		if off < low {
			d.LowS += s
		}
	}
	return d, ok
}

// wayMostS is how much one point of the way stands for at the most.
const wayMostS = 0.1

// fewInWay is the share of sound releases that may be below the habit of the rest by
// mistake: late ones that were not told. Structural.
const fewInWay = 0.15

// bySpeed: a speed against its fall, by the line of Theil 1950 and Sen 1968 through
// those of the same gear, or of all where these are few.
func (m *Memory) bySpeed(r *Remembered, l *law) (d Decision, ok bool) {
	value, rate := l.of(r)
	if rate < l.slowest || value < 0 {
		return d, false
	}
	list := m.like(r, l.fits)
	if len(list) < Fewest {
		return d, false
	}
	least, slope, most := l.slope(list)
	rest := l.rest(list, slope)
	low, mid, high := reach(rest)
	off := value - float64(slope*rate)
	d = Decision{LateS: (mid - off) / rate, LowS: (low - off) / rate, HighS: (high - off) / rate,
		usual: mid + float64(slope*rate), N: len(list)}
	d.SpreadS = (d.HighS - d.LowS) / (2 * wide) * (1 + few/float64(len(list))) * (1 + l.outside(list, rate))
	for _, x := range rest {
		if x > off {
			d.Less += 1 / float64(len(rest))
		}
	}
	for _, b := range [...]float64{least, most} {
		low, _, high := reach(l.rest(list, b))
		off := value - float64(b*rate)
		d.LowS, d.HighS = min(d.LowS, (low-off)/rate), max(d.HighS, (high-off)/rate)
	}
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

// byBrake: the time from brake to command.
func (m *Memory) byBrake(r *Release) (d Decision, ok bool) {
	v := m.all(func(x *Remembered) float64 { return x.BrakeS })
	if len(v) < Fewest || math.IsNaN(r.BrakeS) {
		return d, false
	}
	low, mid, high := reach(v)
	return Decision{LateS: r.BrakeS - mid, LowS: r.BrakeS - high, HighS: r.BrakeS - low, UsualBrakeS: mid, N: len(v)}, true
}

// reach returns the median and how far to each side a habit goes: three standard
// deviations, taken from the median of the absolute deviations, so that a quarter
// of them may have been late without being told.
func reach(v []float64) (low, mid, high float64) {
	slices.Sort(v)
	mid, _ = median(v)
	off := make([]float64, len(v))
	for i, x := range v {
		off[i] = math.Abs(x - mid)
	}
	slices.Sort(off)
	mad, _ := median(off)
	far := float64(wide * 1.4826 * mad)
	return mid - far, mid, mid + far
}

// wide is how many standard deviations to each side a habit goes.
const wide = 3.0

func (m *Memory) those(which func(*Remembered) bool) []*Remembered {
	var list []*Remembered
	for i := range m.Last {
		if which(&m.Last[i]) {
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

// rest is what is left of the value of each release without so much of its rate.
func (l *law) rest(list []*Remembered, slope float64) []float64 {
	rest := make([]float64, len(list))
	for i, x := range list {
		value, rate := l.of(x)
		rest[i] = value - float64(slope*rate)
	}
	return rest
}

// slope is the median of the slopes between all pairs that are far enough apart, with
// the bounds that hold it in 19 of 20 (Sen, J. Am. Stat. Assoc. 63, 1968); 0 where
// there are none. A few releases in unlike gears, each braked its own way, make one by
// chance.
func (l *law) slope(list []*Remembered) (least, mid, most float64) {
	var v []float64
	for i, x := range list {
		a, p := l.of(x)
		for _, y := range list[:i] {
			if b, q := l.of(y); math.Abs(p-q) >= l.apart {
				v = append(v, (a-b)/(p-q))
			}
		}
	}
	if len(v) == 0 {
		return 0, 0, 0
	}
	slices.Sort(v)
	mid, _ = median(v)
	n, pairs := float64(len(list)), float64(len(v))
	c := 1.96 * math.Sqrt(float64(n*(n-1))*float64(2*n+5)/18) / (n * (n - 1) / 2)
	least, most = at(v, max(0, (1-c)/2)), at(v, min((1+c)/2, (pairs-1)/pairs))
	return max(0, least), max(0, mid), max(0, most)
}
