package detect

import (
	"fmt"
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// JoltSettings judge bursts of acceleration.
type JoltSettings struct {
	MinMps2 float64 `toml:"min_mps2"`
	LowKmh  float64 `toml:"low_kmh"`
	NearS   float64 `toml:"near_s"`
}

// JoltFelt is the only class of jolt.
var JoltFelt = Class{"jolt"}

var (
	joltMps2   = Quantity{"jolt_mps2", "m/s²", 0.01}
	joltAfterS = Quantity{"after_nearest_s", "s", 0.01}
)

var joltSpec = &Spec{
	Kind:        KindJolt,
	Alarms:      []Class{JoltFelt},
	Measures:    []*Quantity{&joltMps2, &joltAfterS},
	Chief:       []*Quantity{&joltMps2},
	Needs:       [][]stream.Role{{stream.Acceleration, stream.VehicleSpeed}},
	Sharpens:    []stream.Role{stream.Acceleration},
	Opportunity: "a minute of moving",
	Rate:        true,
	Settings: Table{"jolt", []Setting{
		{"min_mps2", "m/s²", 1.9, 0.3, 10, "how far acceleration must leave, for a moment, what it is before and after; passengers notice about 0.5-1 m/s² (cp), but at 1.2 ordinary driving of the simulated vehicles has such bursts"},
		{"low_kmh", "km/h", 4, 0, 40, "below, the end of a stop is a jerk of its own"},
		{"near_s", "s", 2, 0.1, 15, "how far the clutch event may be that the jolt is tied to"},
	}},
	can: func(in *Inputs) Ability {
		if p := in.Period[stream.Acceleration]; p > 0 {
			return able(p, "from acceleration")
		}
		p := in.Period[stream.VehicleSpeed]
		if p > joltCoarse.Seconds() {
			return Ability{Says: fmt.Sprintf("not observable: needs acceleration, or vehicle_speed every %.2g s; it comes every %.2g s", joltCoarse.Seconds(), p)}
		}
		return able(p, "from vehicle_speed, where its steps turn out fine enough")
	},
	make: func(c *counts, _ *stream.Plan) detector { return &jolt{counts: c} },
}

// Jolt: a burst of longitudinal acceleration, up or down and back again within
// some tenths of a second, from an accelerometer where fitted, else from a road
// speed whose steps and rate can carry it; tied to the clutch event nearest in
// time. A shaft's twist is not felt by the body and makes no jolt. A step that
// stays (a brake released, the end of a stop) is no jolt. A burst of a road speed
// must also have changed the speed by more than its noise and the slip of the
// tyres do.
type jolt struct {
	counts *counts
	role   stream.Role // in use
	has    bool
	p      [joltLen]joltPoint
	n      int // ever
	// What stands out at seenN values: of what was before, and of what comes after;
	// whole where there are values for both.
	seenN      int
	rise, fall float64
	whole      bool
	quiet      bus.Micros
	minute     float64
	last       bus.Micros

	// noise is the deviation of a road speed's noise, in m/s.
	noise float64

	// held is a burst seen in a road speed, until it is clear that it
	// stands alone: wheels that spin on ice make one after another.
	held    Finding
	holding bool
	burst   bus.Micros // the last
	level   float64    // m/s²
	// step is the least change of the road speed seen, in m/s: its quantisation
	// step; before is the value before.
	step, before float64
}

// joltAloneS is how long a burst of the road's speed must stand
// alone, before and after, in seconds.
const joltAloneS = 8.0

type joltPoint struct {
	at bus.Micros
	v  float64 // m/s² or speed in m/s
}

const (
	joltLen = 256
	// The burst is compared with what was before and what comes after.
	joltBefore = 350_000 * bus.Micros(1)
	joltHalf   = 120_000 * bus.Micros(1)
	joltAfter  = 350_000 * bus.Micros(1)
	joltSide   = 150_000 * bus.Micros(1)
	// joltCoarse is the sample spacing above which a burst falls between
	// samples.
	joltCoarse = 60_000 * bus.Micros(1)
	// A speed has noise: its burst is looked for over joltHalfSpeed, and the
	// change that it made over joltLine before and after, less joltGap.
	joltHalfSpeed = 200_000 * bus.Micros(1)
	joltLine      = 400_000 * bus.Micros(1)
	joltGap       = 100_000 * bus.Micros(1)
)

// joltLevelS is the time over which the usual restlessness is taken, in seconds;
// a burst must be joltOverLevel times as much: about six standard deviations.
const (
	joltLevelS    = 20.0
	joltOverLevel = 8.0
	// joltLevel0 is what it is taken for at first, in m/s².
	joltLevel0 = 0.25
)

const (
	// joltNoiseS is the time over which a speed's noise is taken, in seconds:
	// it grows with the speed.
	joltNoiseS = 4.0
	// joltSure is how many deviations of its noise the change of speed is:
	// a hundred hours have some millions of independent ones.
	joltSure = 6.0
	// joltPulseS is how long a jolt lasts, in seconds (cp); joltOff how many
	// deviations of one value the change of speed deviates by, with eight values
	// before and after.
	joltPulseS, joltOff = 0.15, 1.5
	// joltTyre is the acceleration at which driven tyres would slip by all of the
	// speed if they kept on as they begin, in m/s²: a tyre's force grows by ten
	// times its load and more for all of its slip, and half of the weight is on
	// driven wheels (cp).
	joltTyre = 50.0
)

// joltMost is more than tyres can do, in m/s²: a sensor's fault.
const (
	joltMost = 15.0
	// joltMostWheel is the same for a wheel: a vehicle that gains or
	// loses so much slips on its tyres.
	joltMostWheel = 6.0
)

func joltRank(r stream.Role) int {
	switch r {
	case stream.Acceleration:
		return 3
	case stream.VehicleSpeed:
		return 1
	}
	return 0
}

func (d *jolt) samples(r stream.Role) bool { return joltRank(r) > 0 }

func (d *jolt) sample(s *scene, x *stream.Sample) {
	if !x.OK {
		return
	}
	rank := joltRank(x.Role)
	if !d.has || x.Role != d.role {
		if d.has && rank < joltRank(d.role) && x.At-d.last < 2*bus.Second {
			return
		}
		d.role, d.has, d.n, d.seenN, d.level, d.step, d.noise = x.Role, true, 0, 0, joltLevel0, 0, 0
	}
	v := x.Value
	if x.Role == stream.VehicleSpeed {
		v /= 3.6
		if step := math.Abs(v - d.before); step > 1e-6 && (d.step == 0 || step < d.step) {
			d.step = step
		}
		d.before = v
	}
	if d.n > 0 {
		prev := &d.p[(d.n-1)%joltLen]
		if x.At <= prev.at {
			return
		}
		if x.At-prev.at > 3*joltCoarse {
			d.n, d.seenN = 0, 0
		} else if x.At-prev.at < 8000 {
			return
		}
	}
	d.p[d.n%joltLen] = joltPoint{x.At, v}
	d.n++
	d.last = x.At
	d.roughness()
}

// fine reports whether the steps of the road speed can carry a jolt: the slope
// over joltSide of values rounded to a step is off by a deviation of
// step/(T sqrt(n(n²-1))) for n values a time T apart (least squares, rounding
// error uniform), which must be small against what is looked for.
func (d *jolt) fine(s *scene, pitch bus.Micros) bool {
	if d.role == stream.Acceleration {
		return true
	}
	n := float64(joltSide / max(pitch, 1))
	if n < 3 || d.step == 0 {
		return false
	}
	return float64(joltFine*d.step)/(pitch.Seconds()*math.Sqrt(n*(float64(n*n)-1))) <= s.set.Jolt.MinMps2
}

// joltFine is how many such deviations a jolt is at least. Structural: three
// slopes are compared, and a drive has thousands of them.
const joltFine = 8.0

// quietly reports whether the noise of the road speed leaves the change that the
// least jolt makes standing out; a jolt that is larger may.
func (d *jolt) quietly(s *scene) bool {
	return d.role == stream.Acceleration || float64(joltSure*joltOff*d.noise) <= float64(s.set.Jolt.MinMps2*joltPulseS)
}

// line is a straight line through the values between two instants (least
// squares): what it is at an instant, its slope, the deviation of the values
// from it, and by how many of them what it is there may be off.
type line struct {
	value, slope, left, off float64
	n                       float64
}

// line fits one; ok is false where there are too few values.
func (d *jolt) line(from, to, at bus.Micros) (l line, ok bool) {
	var sv, svv, st, stt, stv float64
	first := 0.0
	for i := d.n - 1; i >= max(0, d.n-joltLen); i-- {
		q := &d.p[uint(i)%joltLen]
		if q.at < from {
			break
		}
		if q.at > to {
			continue
		}
		if l.n == 0 {
			first = q.v
		}
		t, v := (q.at - at).Seconds(), q.v-first
		sv += v
		svv += float64(v * v)
		st += t
		stt += float64(t * t)
		stv += float64(t * v)
		l.n++
	}
	den := stt - float64(st*st)/l.n
	if l.n < 3 || den <= 0 {
		return l, false
	}
	l.slope = (stv - float64(st*sv)/l.n) / den
	l.value = first + (sv-float64(l.slope*st))/l.n
	l.left = max(0, svv-float64(sv*sv)/l.n-float64(float64(l.slope*l.slope)*den))
	l.off = math.Sqrt(1/l.n + float64(st/l.n)*float64(st/l.n)/den)
	return l, true
}

// mean returns the mean acceleration between two instants, from the value i on, and
// the value before them: of an accelerometer the mean of its values, of a speed the
// slope of the straight line through them, which steps of the value disturb less than
// the difference of two.
func (d *jolt) mean(i int, from, to bus.Micros) (mps2 float64, next int, ok bool) {
	if d.role != stream.Acceleration {
		l, ok := d.line(from, to, from)
		return l.slope, i, ok
	}
	sum, k := 0.0, 0
	for oldest := max(0, d.n-joltLen); i >= oldest; i-- {
		q := &d.p[uint(i)%joltLen]
		if q.at < from {
			break
		}
		if q.at <= to {
			sum += q.v
			k++
		}
	}
	return sum / max(float64(k), 1), i, k >= 2
}

// gained returns by how much the speed has changed in a burst, beyond what it
// did before and does after and what the tyres' slip takes where drive turns into
// braking, and the deviation that its noise leaves that with.
func (d *jolt) gained(mid bus.Micros) (mps, sd float64, ok bool) {
	before, ok1 := d.line(mid-joltGap-joltLine, mid-joltGap, mid)
	after, ok2 := d.line(mid+joltGap, mid+joltAfter, mid)
	if !ok1 || !ok2 {
		return 0, 0, false
	}
	noise := max(math.Sqrt((before.left+after.left)/max(1, before.n+after.n-4)), d.noise)
	mps = after.value - before.value
	// A wheel that drives turns faster than the road, one that brakes slower.
	slip := float64(math.Abs(before.value) * (after.slope - before.slope) / joltTyre)
	if slip*mps > 0 {
		mps = math.Copysign(max(0, math.Abs(mps)-math.Abs(slip)), mps)
	}
	return mps, float64(noise * math.Hypot(before.off, after.off)), true
}

// roughness follows the deviation of a speed's noise: of white noise the second
// difference deviates by the square root of six of it.
func (d *jolt) roughness() {
	if d.n < 3 {
		return
	}
	a, b, c := &d.p[(d.n-3)%joltLen], &d.p[(d.n-2)%joltLen], &d.p[(d.n-1)%joltLen]
	second := math.Abs(c.v-b.v-(b.v-a.v)) / math.Sqrt(6) * math.Sqrt(math.Pi/2)
	if d.noise == 0 {
		d.noise = second
	}
	d.noise += float64(min(0.2, (c.at-b.at).Seconds()/joltNoiseS) * (second - d.noise))
}

func (d *jolt) row(s *scene, m *state.Moment) {
	if d.holding && (m.At-d.held.End).Seconds() > joltAloneS {
		d.release(s)
	}
	if !s.InDrive() || !m.HasKmh || d.n < 8 {
		return
	}
	pitch := (d.p[uint(d.n-1)%joltLen].at - d.p[uint(d.n-8)%joltLen].at) / 7
	can := pitch <= joltCoarse && d.fine(s, pitch)
	if m.Moving {
		d.minute += m.DtS
		if d.minute >= 60 {
			d.minute -= 60
			d.counts.add(can && d.quietly(s), false)
		}
	}
	if !can {
		return
	}
	mid := d.last - joltAfter - joltHalf/2
	if m.Kmh < s.set.Jolt.LowKmh {
		d.quiet = max(d.quiet, m.At+joltBefore+joltAfter)
	}
	if mid < d.quiet {
		return
	}
	half := joltHalf / 2
	if d.role != stream.Acceleration {
		half = joltHalfSpeed / 2
	}
	// Rows may come more often than values.
	if d.seenN != d.n {
		after, i, ok1 := d.mean(d.n-1, mid+joltAfter-joltSide, mid+joltAfter)
		at, i, ok2 := d.mean(i, mid-half, mid+half)
		before, _, ok3 := d.mean(i, mid-joltBefore, mid-joltBefore+joltSide)
		d.seenN, d.whole, d.rise, d.fall = d.n, ok1 && ok2 && ok3, at-before, at-after
	}
	if !d.whole {
		return
	}
	x, y := d.rise, d.fall
	// The usual restlessness of the signal: noise, steps of the value, road.
	d.level += float64(min(0.2, m.DtS/joltLevelS) * (math.Abs(x+y)/2 - d.level))
	if x*y <= 0 {
		return
	}
	burst := min(math.Abs(x), math.Abs(y))
	if burst < max(s.set.Jolt.MinMps2, float64(joltOverLevel*d.level)) || burst > joltMost || burst > joltMostWheel && d.role != stream.Acceleration {
		return
	}
	if d.role != stream.Acceleration {
		mps, sd, ok := d.gained(mid)
		if !ok || mps*x < 0 || math.Abs(mps) < float64(joltSure*sd) {
			return
		}
	}
	d.quiet = mid + bus.Second
	alone := d.role == stream.Acceleration || d.seen(mid)
	f := Finding{Kind: KindJolt, Class: JoltFelt, Start: mid - joltHalf, End: mid + joltHalf, Context: m.Context(s.SinceStart(mid)), Severity: 0.6, Keep: true}
	if x < 0 {
		burst = -burst
	}
	f.Measures = append(f.Measures, joltMps2.of(burst))
	f.Instants = append(f.Instants, Instant{"jolt", mid, mid - joltHalf, mid + joltHalf})
	if what, off, ok := s.Nearest(mid, s.set.Jolt.NearS); ok {
		f.Measures = append(f.Measures, joltAfterS.of(off))
		f.Instants = append(f.Instants, Instant{what, mid - seconds(off), mid - seconds(off), mid - seconds(off)})
	}
	if d.role != stream.Acceleration {
		f.MissingInputs = append(f.MissingInputs, "acceleration")
		if alone {
			f.Drive = s.Drive()
			d.held, d.holding = f, true
		}
		return
	}
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}

// seen notes a burst of a speed, and reports whether it stands alone so far.
func (d *jolt) seen(at bus.Micros) bool {
	alone := d.burst == 0 || (at-d.burst).Seconds() > joltAloneS
	if !alone {
		d.holding = false
	}
	d.burst = at
	return alone
}

func (d *jolt) release(s *scene) {
	d.holding = false
	d.counts.add(true, true)
	s.out.finding(&d.held, nil)
}

func (d *jolt) end(s *scene, _ bus.Micros) {
	if d.holding {
		d.release(s)
	}
	d.minute = 0
}
