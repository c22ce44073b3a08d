package find

import (
	"fmt"
	"math"
	"sort"

	"joltwatch/bus"
)

// scaling is a plausible factor and how readily it is believed (0 most).
type scaling struct {
	value float64
	doubt float64
}

// scalings are the factors that layouts use: powers of two, and 1, 2, 5 times
// powers of ten; more seldom 4, 8, 2.5 and 1.25 times (common practice, no
// source).
func scalings() []scaling {
	var out []scaling
	for k := -10; k <= 6; k++ {
		out = append(out, scaling{math.Ldexp(1, k), 0})
	}
	for k := -4; k <= 1; k++ {
		p := math.Pow10(k)
		for _, m := range []struct{ x, doubt float64 }{{1, 0.3}, {2, 0.6}, {5, 0.5}, {4, 1.2}, {8, 1.5}, {2.5, 1.2}, {1.25, 1.6}} {
			v := m.x * p
			if x := math.Log2(v); x == math.Trunc(x) {
				continue
			}
			out = append(out, scaling{v, m.doubt})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].value < out[j].value })
	return out
}

// percentScalings are those of percentages besides.
func percentScalings() []scaling {
	return append(scalings(), scaling{100.0 / 255, 0}, scaling{100.0 / 250, 0}, scaling{100.0 / 1023, 0.5}, scaling{100.0 / 1000, 0})
}

// plausible returns the plausible factor nearest to x, if one is within the
// relative tolerance.
func plausible(x, tolerance float64, among []scaling) (float64, bool) {
	best, bestD := 0.0, math.Inf(1)
	for _, s := range among {
		d := math.Abs(s.value/x - 1)
		// Between two that are as near, the readier.
		if d <= tolerance && d+0.1*tolerance*s.doubt < bestD {
			best, bestD = s.value, d+0.1*tolerance*s.doubt
		}
	}
	return best, best != 0
}

// fit is a line from raw values to a reference: value = scale*raw + offset.
type fit struct {
	scale, offset float64
	// r2 is the share of the reference's variance that the line explains,
	// over all points; n the points used for the line.
	r2  float64
	n   int
	lag bus.Micros
	rms float64
}

// fitTo fits the series to a reference. An answer tells what was measured
// somewhat earlier than it came, so the lag is searched up to 0.4 s in both
// directions. The line is fitted by least squares, three times without the
// points that lie far off.
func (s *series) fitTo(r *reference) fit {
	// What has nothing to do with it shows at any of the lags, and in few of the answers.
	if r == nil || s.bestFit(r, 300, 0, 200_000, 200_000).r2 < unlike {
		return fit{}
	}
	rough := s.bestFit(r, 300, 0, 400_000, 100_000)
	if rough.r2 < 2*unlike {
		return fit{}
	}
	return s.bestFit(r, 3000, rough.lag, 100_000, 50_000)
}

// bestFit is that of the best of the lags around one, by about so many of the answers:
// many tell no more than some thousand.
func (s *series) bestFit(r *reference, enough int, around, most, step bus.Micros) (best fit) {
	every := max(1, len(r.at)/enough)
	n := (len(r.at) + every - 1) / every
	at, v, raw := make([]bus.Micros, n), make([]float64, n), make([]float64, n)
	for i := range at {
		at[i], v[i] = r.at[i*every], r.v[i*every]
	}
	x, y, use := make([]float64, 0, n), make([]float64, 0, n), make([]bool, n)
	for lag := around - most; lag <= around+most; lag += step {
		x, y = x[:0], y[:0]
		s.between(at, lag, max(4*s.period, 300_000), raw)
		for i, u := range raw {
			if !math.IsNaN(u) {
				x, y = append(x, u), append(y, v[i])
			}
		}
		if len(x) < 10 {
			continue
		}
		if f := line(x, y, use[:len(x)], max(best.r2, unlike)); f.r2 > best.r2 {
			best, best.lag = f, lag
		}
	}
	return best
}

// evidence says what the fit to the answers for a parameter shows.
func (f fit) evidence(p Parameter) string {
	d := parameters[p]
	return fmt.Sprintf("%d answers to the standard request for %s fit with %.1f %% of their variance explained, within %.1f %s", f.n, d.name, 100*f.r2, f.rms, d.unit)
}

// unlike is the share of the variance below which no lag within 0.2 s of the one
// tried makes a fit of a series; twice that is far from any that counts.
const unlike = 0.3

// line fits y to x; use is room for as many points. Leaving points out makes no more
// of the variance explained: what does not explain the least that counts is none.
func line(x, y []float64, use []bool, least float64) (f fit) {
	for i := range use {
		use[i] = true
	}
	var mean, total float64
	for _, v := range y {
		mean += v
	}
	mean /= float64(len(y))
	for _, v := range y {
		total += (v - mean) * (v - mean)
	}
	if total == 0 {
		return fit{}
	}
	for k := range 3 {
		var n, sx, sy, sxx, sxy float64
		for i := range x {
			if use[i] {
				n++
				sx += x[i]
				sy += y[i]
			}
		}
		if n < 8 {
			return fit{}
		}
		mx, my := sx/n, sy/n
		for i := range x {
			if use[i] {
				sxx += (x[i] - mx) * (x[i] - mx)
				sxy += (x[i] - mx) * (y[i] - my)
			}
		}
		if sxx == 0 {
			return fit{}
		}
		f.scale = sxy / sxx
		f.offset = my - f.scale*mx
		f.n = int(n)
		var res, inner float64
		for i := range x {
			d := y[i] - f.scale*x[i] - f.offset
			res += d * d
			if use[i] {
				inner += d * d
			}
		}
		if f.r2 = 1 - res/total; k == 0 && f.r2 < least {
			return fit{}
		}
		f.rms = math.Sqrt(inner / n)
		limit := 2.5 * f.rms
		for i := range x {
			use[i] = math.Abs(y[i]-f.scale*x[i]-f.offset) <= limit
		}
	}
	return f
}

// round turns the fit into a plausible scaling where one is within the
// tolerance: first through zero, then with the offset rounded too.
func (f fit) round(tolerance, span float64, among []scaling) (scale, offset float64, rounded bool) {
	scale, offset = f.scale, f.offset
	if x, ok := plausible(math.Abs(f.scale), tolerance, among); ok {
		scale, rounded = math.Copysign(x, f.scale), true
	}
	switch {
	case math.Abs(offset) < 0.02*span:
		offset = 0
	case rounded:
		// Offsets are whole tens, as a rule.
		if t := math.Round(offset/10) * 10; math.Abs(t-offset) < 0.02*span {
			offset = t
		}
	}
	return scale, offset, rounded
}

// engineScale proposes rpm for one raw step from the idle speed and the usual
// speeds of an engine at work, where no reference says it. Passenger car and
// truck engines idle at 500 to 950 rpm and work at 1000 to 3000 (common
// practice, no source). turbine is how many raw steps the turbine counts for
// one of the engine with the clutch closed, 0 where unknown: both scales must
// be plausible.
func engineScale(idle, working, turbine float64) (scale float64, note string) {
	best := math.Inf(-1)
	all := scalings()
	for _, s := range all {
		score := -s.doubt
		if idle > 0 {
			d := (s.value*idle - 720) / 120
			score -= d * d / 2
		}
		if working > 0 {
			d := math.Log(s.value*working/1700) / 0.35
			score -= d * d / 2
		}
		if turbine > 0 {
			if _, ok := plausible(s.value/turbine, 0.01, all); !ok {
				score -= 2
			}
		}
		if score > best {
			best, scale = score, s.value
		}
	}
	if idle > 0 {
		return scale, fmt.Sprintf("scale guessed: no answers to compare with, and this is the plausible one that gives a usual idle speed (%.0f rpm)", scale*idle)
	}
	return scale, fmt.Sprintf("scale guessed: no answers and no idling to compare with, and this is the plausible one that gives usual speeds (%.0f rpm in the middle)", scale*working)
}

// gearSets are ratio sets that have been published for automatics of cars and
// trucks, from memory and rounded. Only the pattern matters: steps between
// gears do not depend on scales, and a pattern that is known tells the scale.
var gearSets = [][]float64{
	{2.48, 1.48, 1.00, 0.75},
	{2.84, 1.57, 1.00, 0.70},
	{3.06, 1.63, 1.00, 0.70},
	{3.22, 2.41, 1.55, 1.00, 0.75},
	{3.52, 2.04, 1.40, 1.00, 0.72},
	{3.59, 2.19, 1.41, 1.00, 0.83},
	{3.67, 2.00, 1.41, 1.00, 0.74},
	{3.10, 1.81, 1.41, 1.00, 0.71, 0.61},
	{3.49, 1.86, 1.41, 1.00, 0.75, 0.65},
	{4.06, 2.37, 1.55, 1.16, 0.85, 0.67},
	{4.15, 2.37, 1.56, 1.16, 0.86, 0.69},
	{4.17, 2.34, 1.52, 1.14, 0.87, 0.69},
	{4.58, 2.96, 1.91, 1.45, 1.00, 0.75},
	{4.38, 2.86, 1.92, 1.37, 1.00, 0.82, 0.73},
	{4.60, 2.72, 1.86, 1.46, 1.23, 1.00, 0.82, 0.69},
	{4.70, 3.13, 2.10, 1.67, 1.29, 1.00, 0.84, 0.67},
	{5.25, 3.03, 1.95, 1.46, 1.22, 1.00, 0.81, 0.67},
	{4.71, 2.84, 1.91, 1.38, 1.00, 0.81, 0.70, 0.58, 0.48},
	{5.35, 3.24, 2.25, 1.64, 1.21, 1.00, 0.87, 0.72, 0.60},
	{4.70, 2.99, 2.15, 1.77, 1.52, 1.28, 1.00, 0.85, 0.69, 0.64},
}

// likeness is how well the ratios match the nearest published set: the root
// mean square deviation of the logarithms, each ratio against the nearest gear
// and no gear twice.
func likeness(ratio []float64) float64 {
	best := math.Inf(1)
	for _, set := range gearSets {
		sum, last := 0.0, -1
		for _, r := range ratio {
			d, at := math.Inf(1), -1
			for k := last + 1; k < len(set); k++ {
				if x := math.Abs(math.Log(r / set[k])); x < d {
					d, at = x, k
				}
			}
			if at < 0 {
				sum = math.Inf(1)
				break
			}
			sum += d * d
			last = at
		}
		best = math.Min(best, math.Sqrt(sum/float64(len(ratio))))
	}
	return best
}

// outputScale proposes rpm for one raw step of output speed from the gear
// ratios that follow: ratio holds turbine rpm over raw output, from the
// lowest gear. turbine is the turbine's scale, launch says whether the drive
// began at a standstill, so that the first ratio is first gear's. near is how
// well the ratios match a published set.
func outputScale(ratio []float64, turbine float64, launch bool) (scale, near float64) {
	best := math.Inf(-1)
	for _, s := range scalings() {
		score := -s.doubt
		seen := make([]float64, len(ratio))
		for i, r := range ratio {
			seen[i] = r / s.value
		}
		first, last := seen[0], seen[len(seen)-1]
		if first > 9 || last < 0.45 {
			continue
		}
		if launch {
			// First gears of automatics are 2.5 to 5.5 (common practice, no
			// source).
			d := math.Log(first/3.9) / 0.24
			score -= d * d / 2
		}
		if len(seen) >= 3 {
			d := math.Log(last/0.95) / 0.5
			score -= d * d / 2
		}
		like := likeness(seen)
		if len(seen) >= 3 {
			score += 4 * math.Exp(-like/0.02)
		}
		for _, r := range seen {
			// Many gearboxes have a direct gear.
			if math.Abs(r-1) < 0.006 {
				score += 1
				break
			}
		}
		if math.Abs(s.value/turbine-1) < 0.001 {
			score += 0.8
		}
		if score > best {
			best, scale, near = score, s.value, like
		}
	}
	return scale, near
}
