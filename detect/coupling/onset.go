package coupling

import (
	"math"

	"joltwatch/bus"
)

// Onset is the instant at which slip began to leave what it was, and the
// interval that noise and sample times allow for it.
type Onset struct{ At, Early, Late bus.Micros }

const (
	// onsetChange is the change of slip, in rpm, that the instant stands for: the
	// speeds move together up to there.
	onsetChange = 0.5
	// onsetSpan is how long before the first point that is off the onset may lie.
	onsetSpan = 1500_000 * bus.Micros(1)
	// onsetSteps is how many instants of the span are tried.
	onsetSteps = 150
	// allowedWorse is how much worse than the best a fit may be, in units of the
	// noise, for its instant to be in the interval: 2.4 standard deviations.
	allowedWorse = 6.0
)

// The shapes along which slip leaves: plates that come unstuck let it go along a
// ramp, a pressure that decays along a parabola; where both speeds turn the same
// way just then it creeps at first (a cubic), and where an engine in overrun goes
// over to what the fluid holds it at, it eases off soon.
const (
	ramp = iota
	parabola
	cubic
	easing
	shapes
)

// shapeShare is how often each is met, of those that fit alike (cp: most
// clutches let go at once). Behind a filter of hideS and more, or with samples twice as
// far apart, all fit alike but for ripple, of which those that creep take some for their
// beginning, and come early: there only the one counts that a stop makes, an engine let
// go in overrun.
var (
	shapeShare  = [shapes]float64{0.35, 0.2, 0.1, 0.35}
	hiddenShare = [shapes]float64{easing: 1}
)

const (
	// easeS is when half of an easing has passed: an engine's inertia against the
	// fluid's slope near coupling (cp).
	easeS = 0.05
	hideS = 0.03
)

// Onset finds when the slip left base, given that it was off by the parted
// limit at point i1, searching from an instant on. It fits base and then one of
// the shapes from the instant sought, seen through the filter that the engine's
// speed has passed, by least squares over the instants in question. The interval
// holds the instants whose fit is not much worse, given the noise, and never less
// than the bracket of the samples around the best.
func (t *Trail) Onset(from bus.Micros, i1 int, base, noise float64) Onset {
	i0 := t.After(max(from, t.Get(i1).At-onsetSpan) - 300_000)
	for i0 < i1-4 && t.Get(i0).Sigma > tellRPM {
		i0++ // just after a gap
	}
	last := t.Get(i1)
	pitch := (last.At - t.Get(max(i1-5, i0)).At) / bus.Micros(max(1, min(5, i1-i0)))
	f := fits{t: t, i0: i0, n: t.steady(i1, base), base: base, side: last.Slip - base, lo: max(from, last.At-onsetSpan), pitchS: pitch.Seconds()}
	if f.n-i0 < 4 || pitch > 120_000 {
		return t.bracket(from, i0, i1, base, noise)
	}
	variance := max(float64(noise*noise), 0.3)
	f.rho = t.persistence(from, variance)
	f.run(last.At)
	if math.IsInf(f.best, 1) {
		return t.bracket(from, i0, i1, base, noise)
	}
	at, early, late := f.weigh(max(variance*(1-float64(f.rho*f.rho)), 0.3), max(1, 2*rippleS/pitch.Seconds()))
	margin := float64(pitch/2) + 6000
	o := Onset{At: f.lo + bus.Micros(at), Early: f.lo + bus.Micros(early-margin), Late: f.lo + bus.Micros(late+margin)}
	if first, ok := t.strayed(max(t.After(max(from, last.At-strayedSpan)), i0), i1, base, noise); ok {
		o.Early = min(o.Early, first-pitch-6000)
	}
	o.Late = min(max(o.Late, o.At), last.Late)
	o.Early = max(min(o.Early, o.At), from)
	o.At = min(max(o.At, o.Early), o.Late)
	return o
}

// steady returns one past the last point to be fitted: a few more than i1, while
// the slip is still small, steady the slope.
func (t *Trail) steady(i1 int, base float64) int {
	n := i1 + 1
	for d := abs(t.Get(i1).Slip - base); n < t.end && n < i1+3; n++ {
		was := d
		if d = abs(t.Get(n).Slip - base); d >= 80 || d < was {
			break
		}
	}
	return n
}

// fits are the shapes from each instant in question, fitted to the slip of the
// points [i0, n).
type fits struct {
	t            *Trail
	i0, n        int
	base, side   float64 // side has the sign of the separation
	rho          float64 // what ripple carries over from point to point
	lo           bus.Micros
	pitchS       float64
	of           [shapes][onsetSteps + 10]fit
	count        [shapes]int
	best, bestAt float64
	// ats are the points' instants, rests what of their slip ripple has not carried over,
	// squares the sum of its squares.
	ats     [fitsMost]bus.Micros
	rests   [fitsMost]float64
	squares float64
}

// fitsMost is more points than onsetSpan and what is looked at around it have.
const fitsMost = 256

// fit is one: the instant of onsetChange, in µs from lo, and the squares left.
type fit struct{ at, sse float64 }

// run fits them all, up to an instant.
func (f *fits) run(hi bus.Micros) {
	f.best = math.Inf(1)
	f.i0 = max(f.i0, f.n-fitsMost)
	before := 0.0
	for i := range f.n - f.i0 {
		q := f.t.Get(f.i0 + i)
		d := q.Slip - f.base
		f.ats[i], f.rests[i] = q.At, d-float64(f.rho*before)
		f.squares += float64(f.rests[i] * f.rests[i])
		before = d
	}
	step := max((hi-f.lo)/onsetSteps, 2000)
	for shape := range shapes {
		first := 0
		for tau := f.lo; tau < hi && f.count[shape] < len(f.of[shape]); tau += step {
			for first < f.n-f.i0 && f.ats[first] <= tau {
				first++
			}
			c, sse, ok := f.one(tau, shape, first)
			if !ok || c*f.side <= 0 {
				continue
			}
			x := fit{float64(tau-f.lo) + float64(1e6*reach(abs(c), shape)), sse}
			f.of[shape][f.count[shape]] = x
			f.count[shape]++
			if sse < f.best {
				f.best, f.bestAt = sse, x.at
			}
		}
	}
}

// one fits a shape that begins at tau, before the point first, each point less what
// ripple carries over from the one before, and returns its coefficient and the squares
// that are left.
func (f *fits) one(tau bus.Micros, shape, first int) (c, sse float64, ok bool) {
	g := filtered{tau: f.t.chain.FilterS}
	var df, ff, before float64
	ats := f.ats[first : f.n-f.i0]
	rests := f.rests[first:][:len(ats)]
	for i, at := range ats {
		y := g.to((at - tau).Seconds(), shape)
		v := y - float64(f.rho*before)
		before = y
		df += float64(rests[i] * v)
		ff += float64(v * v)
	}
	if ff == 0 {
		return 0, 0, false
	}
	c = df / ff
	return c, f.squares - float64(c*df), true
}

// weigh returns the middle of what the fits allow, each by how likely it is, and
// the earliest and latest that are allowed, in µs from lo. The best alone is
// early where samples are few. So many points alike count as one for the
// interval: ripple that goes on as it began is not all that ripple does.
func (f *fits) weigh(variance, alike float64) (at, early, late float64) {
	// The model is no law: what it leaves over counts as noise too.
	spare := max(variance, f.best/float64(max(1, f.n-f.i0-3)))
	early, late = f.bestAt, f.bestAt
	var sum, weight float64
	share := &shapeShare
	if f.t.chain.FilterS >= hideS || f.pitchS >= 2*hideS {
		share = &hiddenShare
	}
	for shape := range shapes {
		for _, x := range f.of[shape][:f.count[shape]] {
			worse := (x.sse - f.best) / spare
			if worse <= float64(allowedWorse*alike) {
				early, late = min(early, x.at), max(late, x.at)
			}
			w := share[shape] * likelihood(worse)
			sum += float64(w * x.at)
			weight += w
		}
	}
	if weight == 0 {
		return f.bestAt, early, late
	}
	return sum / weight, early, late
}

// form is the height of a shape so many seconds after its onset.
func form(s float64, shape int) float64 {
	switch shape {
	case parabola:
		return float64(s * s)
	case cubic:
		return float64(s*s) * s
	case easing:
		return s / (s + easeS)
	}
	return s
}

// reach is how long after its onset, in s, a shape of a size has left by
// onsetChange.
func reach(size float64, shape int) float64 {
	x := onsetChange / size
	switch shape {
	case parabola:
		return math.Sqrt(x)
	case cubic:
		return math.Cbrt(x)
	case easing:
		return min(float64(x*easeS)/max(1-x, 0.1), easeS)
	}
	return x
}

// filtered is a shape as the filter that the engine's speed has passed shows it.
type filtered struct{ tau, last, before, y float64 }

// to goes on to so many seconds after the onset; steps that are long against the
// filter are taken in parts.
func (g *filtered) to(s float64, shape int) float64 {
	x := form(s, shape)
	if g.tau <= 0 {
		return x
	}
	from := g.last
	n := int((s-from)/(0.5*g.tau)) + 1
	for k := 1; k <= n; k++ {
		at := from + (s-from)*float64(k)/float64(n)
		v := form(at, shape)
		g.y += float64(Share(at-g.last, g.tau) * (0.5*(v+g.before) - g.y))
		g.last, g.before = at, v
	}
	return g.y
}

// persistence is how much of closed slip's ripple goes over from one point to the
// next, seen in the second before an instant: its autocorrelation by the mean
// square of successive differences (von Neumann, Ann. Math. Stat. 12, 1941).
func (t *Trail) persistence(at bus.Micros, variance float64) float64 {
	i1 := t.After(at)
	sum, k := 0.0, 0.0
	for i := t.After(at-bus.Second) + 1; i < i1; i++ {
		if p := t.Get(i); !p.Shifting {
			d := p.Slip - t.Get(i-1).Slip
			sum += float64(d * d)
			k++
		}
	}
	if k < 8 {
		return 0
	}
	return min(max(1-float64(0.5*sum/k)/variance, 0), mostPersistence)
}

// mostPersistence bounds it: a second says no more.
const mostPersistence = 0.95

// likelihood is about exp(-x/2), the same on every machine.
func likelihood(x float64) float64 {
	h := 0.0625 * x
	p := 1 + h + float64(0.5*h*h)
	p *= p
	p *= p
	return 1 / float64(p*p)
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
