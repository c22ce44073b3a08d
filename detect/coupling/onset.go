package coupling

import (
	"math"

	"joltwatch/bus"
)

// Onset is the instant at which slip began to leave what it was, and the
// interval that noise and sample times allow for it.
type Onset struct{ At, Early, Late bus.Micros }

// onsetChange is the change of slip, in rpm, that the instant stands for: the
// speeds move together up to there.
const onsetChange = 0.5

// shapeShare is how often slip begins along a ramp, a parabola and a cubic, of
// those that fit alike: most clutches let go at once (cp).
var shapeShare = [3]float64{0.6, 0.3, 0.1}

// onsetSpan is how long before the first point that is off the onset may lie.
const onsetSpan = 1500_000 * bus.Micros(1)

// Onset finds when the slip left base, given that it was off by the parted
// limit at point i1, searching from an instant on. It fits base, then a ramp,
// a parabola or a cubic from the instant sought, by least squares over the instants in
// question: a clutch whose pressure decays lets go along a parabola, one whose
// plates come unstuck along a ramp, and one that lets go just as both speeds
// turn the same way creeps at first (a cubic). The interval holds the instants whose fit
// is not much worse, given the noise, and never less than the bracket of the
// samples around the best.
func (t *Trail) Onset(from bus.Micros, i1 int, base, noise float64) Onset {
	i0 := t.After(max(from, t.Get(i1).At-onsetSpan) - 300_000)
	last := t.Get(i1)
	n := t.steadied(i1, base)
	pitch := (last.At - t.Get(max(i1-5, i0)).At) / bus.Micros(max(1, min(5, i1-i0)))
	if n-i0 < 4 || pitch > 120_000 {
		return t.bracket(from, i0, i1, base, noise)
	}
	x := onsetFits{t: t, i0: i0, n: n, base: base, away: last.Slip - base, lo: max(from, last.At-onsetSpan), best: onsetFit{sse: math.Inf(1)}}
	x.search(last.At)
	if math.IsInf(x.best.sse, 1) {
		return t.bracket(from, i0, i1, base, noise)
	}
	// The model is no law: what it leaves over counts as noise too.
	spare := max(max(float64(noise*noise), 0.3), x.best.sse/float64(max(1, n-i0-3)))
	// Points that share their ripple count as one.
	spare *= max(1, 2*rippleS/pitch.Seconds())
	at, early, late := x.middle(spare)
	margin := float64(pitch/2) + 6000
	o := Onset{At: x.lo + bus.Micros(at), Early: x.lo + bus.Micros(early-margin), Late: x.lo + bus.Micros(late+margin)}
	if first, ok := t.strayed(max(t.After(max(from, last.At-strayedSpan)), i0), i1, base, noise); ok {
		o.Early = min(o.Early, first-pitch-6000)
	}
	o.Late = min(max(o.Late, o.At), last.Late)
	o.Early = max(min(o.Early, o.At), from)
	o.At = min(max(o.At, o.Early), o.Late)
	return o
}

// steadied returns the end of the points that are fitted: a few more than the
// first that is off, while the slip is still small, steady the slope.
func (t *Trail) steadied(i1 int, base float64) int {
	n := i1 + 1
	for d := abs(t.Get(i1).Slip - base); n < t.end && n < i1+3; n++ {
		was := d
		if d = abs(t.Get(n).Slip - base); d >= 80 || d < was {
			break
		}
	}
	return n
}

// onsetFit is one instant tried, with the error that it leaves.
type onsetFit struct {
	at  float64 // of onsetChange, in µs from lo
	sse float64
}

// onsetFits are the fits of points i0 to n over the instants from lo on, for each
// shape.
type onsetFits struct {
	t          *Trail
	i0, n      int
	base, away float64 // slip before, and how far the first that is off is off, rpm
	lo         bus.Micros
	fits       [3][160]onsetFit
	count      [3]int
	best       onsetFit
}

// search tries the instants up to hi.
func (x *onsetFits) search(hi bus.Micros) {
	step := max((hi-x.lo)/150, 2000)
	for shape := range x.fits {
		for tau := x.lo; tau < hi; tau += step {
			f, ok := x.fit(shape, tau)
			if !ok {
				continue
			}
			if k := x.count[shape]; k < len(x.fits[shape]) {
				x.fits[shape][k] = f
				x.count[shape]++
			}
			if f.sse < x.best.sse {
				x.best = f
			}
		}
	}
}

// fit fits one shape from one instant on; ok is false where it goes the wrong way.
func (x *onsetFits) fit(shape int, tau bus.Micros) (fit onsetFit, ok bool) {
	var dd, df, ff float64
	for i := x.i0; i < x.n; i++ {
		q := x.t.Get(i)
		d := q.Slip - x.base
		dd += float64(d * d)
		if q.At <= tau {
			continue
		}
		f := (q.At - tau).Seconds()
		switch shape {
		case 1:
			f = float64(f * f)
		case 2:
			f = float64(f*f) * f
		}
		df += float64(d * f)
		ff += float64(f * f)
	}
	if ff == 0 {
		return fit, false
	}
	c := df / ff
	if c*x.away <= 0 {
		return fit, false
	}
	s := onsetChange / abs(c)
	switch shape {
	case 1:
		s = math.Sqrt(s)
	case 2:
		s = math.Cbrt(s)
	}
	return onsetFit{float64(tau-x.lo) + float64(s*1e6), dd - float64(c*df)}, true
}

// middle is the middle of what the fits allow, each by how well it fits, and its
// bounds, in µs from lo: the best alone is early where samples are few.
func (x *onsetFits) middle(spare float64) (at, early, late float64) {
	early, late = x.best.at, x.best.at
	var sum, weight float64
	for shape := range x.fits {
		for _, f := range x.fits[shape][:x.count[shape]] {
			worse := (f.sse - x.best.sse) / spare
			if worse <= 6 {
				early, late = min(early, f.at), max(late, f.at)
			}
			w := shapeShare[shape] / (1 + float64(worse*worse))
			sum += float64(w * f.at)
			weight += w
		}
	}
	return sum / weight, early, late
}

// strayed finds slip that left base by little and came back before it left for
// good: engine and turbine that part near idle speed may cross once more. It
// takes some points in a row on one side, beyond noise, and widens the interval
// only: samples that are a few milliseconds apart look the same.
func (t *Trail) strayed(i0, i1 int, base, noise float64) (bus.Micros, bool) {
	limit := max(strayedRPM, float64(3*noise))
	run, sign := 0, 0.0
	for i := i0; i < i1; i++ {
		d := t.Get(i).Slip - base
		switch {
		case abs(d) < limit:
			run = 0
		case run > 0 && d*sign > 0:
			run++
		default:
			run, sign = 1, d
		}
		if run == strayedRows {
			return t.Get(i - strayedRows + 1).At, true
		}
	}
	return 0, false
}

const (
	strayedRPM  = 3.5
	strayedRows = 4
	// strayedSpan is how long before it leaves for good: what lies further
	// back is the skew of the samples.
	strayedSpan = 250_000 * bus.Micros(1)
)

// bracket is the coarse answer: between the last point that was certainly
// still together and the first that had parted.
func (t *Trail) bracket(from bus.Micros, i0, i1 int, base, noise float64) Onset {
	p := t.Get(i1)
	o := Onset{Late: p.Late, Early: from}
	near := max(3*noise, 3)
	for i := i1 - 1; i >= i0; i-- {
		if abs(t.Get(i).Slip-base) <= near {
			o.Early = max(from, t.Get(i).Early)
			break
		}
	}
	o.At = o.Early + (p.At-o.Early)/2
	o.At = min(max(o.At, o.Early), o.Late)
	return o
}
