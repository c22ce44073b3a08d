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
	n := i1 + 1
	// A few more points, while the slip is still small, steady the slope.
	for d := abs(last.Slip - base); n < t.end && n < i1+3; {
		was := d
		if d = abs(t.Get(n).Slip - base); d >= 80 || d < was {
			break
		}
		n++
	}
	pitch := (last.At - t.Get(max(i1-5, i0)).At) / bus.Micros(max(1, min(5, i1-i0)))
	if n-i0 < 4 || pitch > 120_000 {
		return t.bracket(from, i0, i1, base, noise)
	}
	var0 := max(float64(noise*noise), 0.3)
	lo, hi := max(from, last.At-onsetSpan), last.At
	step := max((hi-lo)/150, 2000)
	type fit struct {
		tau bus.Micros
		at  float64 // of onsetChange, in µs from lo
		sse float64
	}
	best := fit{sse: math.Inf(1)}
	var fits [3][160]fit
	var count [3]int
	for p := range fits {
		for tau := lo; tau < hi; tau += step {
			var dd, df, ff float64
			for i := i0; i < n; i++ {
				q := t.Get(i)
				d := q.Slip - base
				dd += float64(d * d)
				if q.At > tau {
					f := (q.At - tau).Seconds()
					switch p {
					case 1:
						f = float64(f * f)
					case 2:
						f = float64(f*f) * f
					}
					df += float64(d * f)
					ff += float64(f * f)
				}
			}
			if ff == 0 {
				continue
			}
			c := df / ff
			if c*(last.Slip-base) <= 0 {
				continue
			}
			x := onsetChange / abs(c)
			switch p {
			case 1:
				x = math.Sqrt(x)
			case 2:
				x = math.Cbrt(x)
			}
			f := fit{tau, float64(tau-lo) + float64(x*1e6), dd - float64(c*df)}
			if count[p] < len(fits[p]) {
				fits[p][count[p]] = f
				count[p]++
			}
			if f.sse < best.sse {
				best = f
			}
		}
	}
	if math.IsInf(best.sse, 1) {
		return t.bracket(from, i0, i1, base, noise)
	}
	// The model is no law: what it leaves over counts as noise too.
	spare := max(var0, best.sse/float64(max(1, n-i0-3)))
	// Points that share their ripple count as one.
	spare *= max(1, 2*rippleS/pitch.Seconds())
	// The middle of what the fits allow, each by how well it fits: the best
	// alone is early where samples are few.
	early, late := best.at, best.at
	var sum, weight float64
	for p := range fits {
		for _, f := range fits[p][:count[p]] {
			worse := (f.sse - best.sse) / spare
			if worse <= 6 {
				early, late = min(early, f.at), max(late, f.at)
			}
			w := shapeShare[p] / (1 + float64(worse*worse))
			sum += float64(w * f.at)
			weight += w
		}
	}
	best.at = sum / weight
	margin := float64(pitch/2) + 6000
	o := Onset{At: lo + bus.Micros(best.at), Early: lo + bus.Micros(early-margin), Late: lo + bus.Micros(late+margin)}
	if first, ok := t.strayed(max(t.After(max(from, last.At-strayedSpan)), i0), i1, base, noise); ok {
		o.Early = min(o.Early, first-pitch-6000)
	}
	o.Late = min(max(o.Late, o.At), last.Late)
	o.Early = max(min(o.Early, o.At), from)
	o.At = min(max(o.At, o.Early), o.Late)
	return o
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
