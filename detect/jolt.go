package detect

import (
	"fmt"
	"math"

	"joltwatch/bus"
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
// stays (a brake released, the end of a stop) is no jolt.
type jolt struct {
	counts *counts
	role   stream.Role // in use
	has    bool
	p      [joltLen]joltPoint
	n      int // ever
	quiet  bus.Micros
	kmh    float64
	minute float64
	last   bus.Micros

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
)

// joltLevelS is the time over which the usual restlessness is taken, in seconds;
// a burst must be joltOverLevel times as much: about six standard deviations.
const (
	joltLevelS    = 20.0
	joltOverLevel = 8.0
	// joltLevel0 is what it is taken for at first, in m/s².
	joltLevel0 = 0.25
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

func (d *jolt) sample(s *scene, x *stream.Sample) {
	rank := joltRank(x.Role)
	if rank == 0 || !x.OK {
		return
	}
	if !d.has || x.Role != d.role {
		if d.has && rank < joltRank(d.role) && x.At-d.last < 2*bus.Second {
			return
		}
		d.role, d.has, d.n, d.level, d.step = x.Role, true, 0, joltLevel0, 0
	}
	v := x.Value
	if x.Role == stream.VehicleSpeed {
		v /= 3.6
		if step := abs(v - d.before); step > 1e-6 && (d.step == 0 || step < d.step) {
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
			d.n = 0
		} else if x.At-prev.at < 8000 {
			return
		}
	}
	d.p[d.n%joltLen] = joltPoint{x.At, v}
	d.n++
	d.last = x.At
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

// mean returns the mean acceleration between two instants: of an accelerometer
// the mean of its values, of a speed the slope of the straight line through
// them, which steps of the value disturb less than the difference of two.
func (d *jolt) mean(from, to bus.Micros) (float64, bool) {
	lo := max(0, d.n-joltLen)
	var sv, st, stt, stv float64
	k := 0
	for i := d.n - 1; i >= lo; i-- {
		q := &d.p[i%joltLen]
		if q.at < from {
			break
		}
		if q.at > to {
			continue
		}
		t := (q.at - from).Seconds()
		sv += q.v
		st += t
		stt += float64(t * t)
		stv += float64(t * q.v)
		k++
	}
	n := float64(k)
	if d.role == stream.Acceleration {
		return sv / max(n, 1), k >= 2
	}
	den := float64(n*stt) - float64(st*st)
	if k < 3 || den <= 0 {
		return 0, false
	}
	return (float64(n*stv) - float64(st*sv)) / den, true
}

func (d *jolt) row(s *scene, m *moment) {
	if d.holding && (m.at-d.held.End).Seconds() > joltAloneS {
		d.release(s)
	}
	if !s.seg.inDrive || !m.hasKmh || d.n < 8 {
		return
	}
	pitch := (d.p[(d.n-1)%joltLen].at - d.p[(d.n-8)%joltLen].at) / 7
	can := pitch <= joltCoarse && d.fine(s, pitch)
	if m.moving {
		d.minute += m.dt
		if d.minute >= 60 {
			d.minute -= 60
			d.counts.add(can, false)
		}
	}
	if !can {
		return
	}
	mid := d.last - joltAfter - joltHalf/2
	if m.kmh < s.set.Jolt.LowKmh {
		d.quiet = max(d.quiet, m.at+joltBefore+joltAfter)
	}
	if mid < d.quiet {
		return
	}
	before, ok1 := d.mean(mid-joltBefore, mid-joltBefore+joltSide)
	after, ok2 := d.mean(mid+joltAfter-joltSide, mid+joltAfter)
	at, ok3 := d.mean(mid-joltHalf/2, mid+joltHalf/2)
	if !ok1 || !ok2 || !ok3 {
		return
	}
	x, y := at-before, at-after
	// The usual restlessness of the signal: noise, steps of the value, road.
	d.level += float64(min(0.2, m.dt/joltLevelS) * (abs(x+y)/2 - d.level))
	if x*y <= 0 {
		return
	}
	burst := min(abs(x), abs(y))
	if burst < max(s.set.Jolt.MinMps2, float64(joltOverLevel*d.level)) || burst > joltMost || burst > joltMostWheel && d.role != stream.Acceleration {
		return
	}
	d.quiet = mid + bus.Second
	alone := d.role == stream.Acceleration || d.seen(mid)
	f := Finding{Kind: KindJolt, Class: JoltFelt, Start: mid - joltHalf, End: mid + joltHalf, Context: m.context(s.seg.sinceStart(mid)), Severity: 0.6, Keep: true}
	if x < 0 {
		burst = -burst
	}
	f.Measures = append(f.Measures, joltMps2.of(burst))
	f.Instants = append(f.Instants, Instant{"jolt", mid, mid - joltHalf, mid + joltHalf})
	if what, off, ok := s.nearest(mid, s.set.Jolt.NearS); ok {
		f.Measures = append(f.Measures, joltAfterS.of(off))
		f.Instants = append(f.Instants, Instant{what, mid - seconds(off), mid - seconds(off), mid - seconds(off)})
	}
	if d.role != stream.Acceleration {
		f.MissingInputs = append(f.MissingInputs, "acceleration")
		if alone {
			f.Drive = s.seg.drive
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
