package chain

import (
	"cmp"
	"maps"
	"math"
	"slices"
)

// A habit is that of the sound releases. Late ones among those that it is taken from lie
// on one side, and a median and a deviation by the median give way to them long before
// half are late (Huber, Robust Statistics, 1981; Rousseeuw and Croux, J. Am. Stat. Assoc.
// 88, 1993). They are set aside by their own likelihood: the latest releases, less than
// half of them, if the rest about their own middle and these anywhere within what a late
// one may be are likelier than all about one (the trimmed likelihood, Hadi and Luceño,
// Comput. Stat. Data Anal. 25, 1997). A wide habit without a gap stays what it is.
const (
	// lateOdds are the odds of a late release against a sound one before anything is
	// known of it. Structural: it keeps chance from making late ones out of sound ones.
	lateOdds = 1.0 / 9
	// lineTakes is of how many values a line takes the freedom: of few some lie on one by
	// chance.
	lineTakes = 2
	// stepsOf is how often a line is mended by those that are sound by it (the steps of
	// Rousseeuw and Van Driessen, Data Min. Knowl. Discov. 12, 2006).
	stepsOf = 6
)

// split tells for ascending values how many of the lowest are late, and the logarithm of
// the likelihood of that: farthest is over how much a late one may be spread, for each;
// least the least habit.
func split(v, farthest []float64, least float64) (late int, likelihood float64) {
	n := len(v)
	var sum, square, far float64
	for _, x := range v {
		sum += x
		square += float64(x * x)
	}
	likelihood = math.Inf(-1)
	for k := range (n + 1) / 2 {
		if k > 0 {
			x := v[k-1]
			sum, square, far = sum-x, square-float64(x*x), far+math.Log(farthest[k-1])
		}
		m := float64(n - k)
		mean := sum / m
		if tooFar(v[:k], farthest, mean) {
			break // no late ones of this habit
		}
		variance := max(0, square/m-float64(mean*mean))
		sd := max(math.Sqrt(variance*m/max(m-lineTakes, 1)), least/wide)
		fit := float64(m*(math.Log(sd*math.Sqrt(2*math.Pi))+0.5*variance/float64(sd*sd))) + far - float64(float64(k)*math.Log(lateOdds))
		if -fit > likelihood {
			late, likelihood = k, -fit
		}
	}
	return late, likelihood
}

// tooFar reports whether one of some is further below a mean than a late one may be.
func tooFar(v, farthest []float64, mean float64) bool {
	for i, x := range v {
		if mean-x > farthest[i] {
			return true
		}
	}
	return false
}

// sound returns those of the releases that are not late among them, in their order.
func (l *law) sound(list []*Remembered) []*Remembered {
	best, most := list, math.Inf(-1)
	for _, slope := range l.starts(list) {
		kept, last := list, math.Inf(-1)
		for range stepsOf {
			next, likelihood := l.step(list, kept, slope)
			if likelihood <= last {
				break
			}
			kept, last = next, likelihood
			slope = l.fitted(kept)
		}
		if last > most {
			best, most = kept, last
		}
	}
	return best
}

// starts are slopes to begin with: with late ones among the pairs the middle slope may be
// none of the sound ones'.
func (l *law) starts(list []*Remembered) []float64 {
	pairs := sorted(l.slopes(list, func(x, y *Remembered) bool { return x.Gear == y.Gear }))
	of := []float64{0}
	for _, q := range [...]float64{0.1, 0.3, 0.5, 0.7} {
		if len(pairs) > 0 {
			of = append(of, max(0, at(pairs, q)))
		}
	}
	return slices.Compact(of)
}

// step sets the late ones of a list aside, by the line with a slope through those that
// were kept before.
func (l *law) step(list, kept []*Remembered, slope float64) ([]*Remembered, float64) {
	middle := l.middles(kept, slope)
	type one struct {
		off, farthest float64
		of            *Remembered
	}
	all := make([]one, len(list))
	for i, x := range list {
		value, rate := l.of(x)
		all[i] = one{value - float64(slope*rate) - middle(x.Gear), float64(loosest * max(rate, l.slowest)), x}
	}
	slices.SortStableFunc(all, func(a, b one) int { return cmp.Compare(a.off, b.off) })
	v, farthest := make([]float64, len(all)), make([]float64, len(all))
	for i, x := range all {
		v[i], farthest[i] = x.off, x.farthest
	}
	late, likelihood := split(v, farthest, l.least)
	if late == 0 {
		return list, likelihood
	}
	aside := map[*Remembered]bool{}
	for _, x := range all[:late] {
		aside[x.of] = true
	}
	return slices.DeleteFunc(slices.Clone(list), func(x *Remembered) bool { return aside[x] }), likelihood
}

// middles returns where a gear's releases lie without the slope: where it has too few,
// where all do.
func (l *law) middles(list []*Remembered, slope float64) func(gear int) float64 {
	of := map[int][]float64{}
	var all []float64
	for _, x := range list {
		value, rate := l.of(x)
		v := value - float64(slope*rate)
		of[x.Gear], all = append(of[x.Gear], v), append(all, v)
	}
	whole, _ := median(sorted(all))
	mid := map[int]float64{}
	for gear, v := range of {
		if len(v) >= fewestOwn {
			mid[gear], _ = median(sorted(v))
		}
	}
	return func(gear int) float64 {
		if m, ok := mid[gear]; ok {
			return m
		}
		return whole
	}
}

// fitted is the least-squares slope of releases, each about those of its gear; 0 where
// their rates are not far enough apart.
func (l *law) fitted(list []*Remembered) float64 {
	type sums struct{ n, v, q, vq, qq float64 }
	of := map[int]*sums{}
	for _, x := range list {
		value, rate := l.of(x)
		s := of[x.Gear]
		if s == nil {
			s = &sums{}
			of[x.Gear] = s
		}
		s.n, s.v, s.q = s.n+1, s.v+value, s.q+rate
		s.vq, s.qq = s.vq+float64(value*rate), s.qq+float64(rate*rate)
	}
	var with, against, n float64
	for _, gear := range slices.Sorted(maps.Keys(of)) {
		s := of[gear]
		with += s.vq - float64(s.v*s.q)/s.n
		against += s.qq - float64(s.q*s.q)/s.n
		n += s.n
	}
	if against < float64(n*l.apart*l.apart)/12 {
		return 0
	}
	return max(0, with/against)
}

// Kept is how closely a vehicle keeps to where it lets go, for people.
type Kept struct {
	// Releases is how many it rests on, Late how many of them are set aside as late.
	Releases int `json:"releases"`
	Late     int `json:"late"`
	// WithinS is how far the others go to each side of their middle at the usual braking
	// (three standard deviations, by the median of the absolute ones), in s.
	WithinS float64 `json:"within_s"`
}

// Kept is that of the turbine's speed, or of the road's where that is not known; ok is
// false where there is no habit yet.
func (m *Memory) Kept() (k Kept, ok bool) {
	c, _ := m.turning(&Release{TurbineRPM: math.NaN(), Kmh: math.NaN()})
	return c.kept()
}

// kept is that with the gears told apart, where the lift did not decide.
func (c *apart) kept() (k Kept, ok bool) {
	for _, l := range [...]*law{&byTurbine, &byRoad} {
		list := c.those(func(x *Remembered) bool {
			_, rate := l.of(x)
			return l.fits(x) && rate >= l.slowest
		})
		if len(list) < Fewest {
			continue
		}
		x := c.lay(l, list)
		sound, slope := x.sound, x.slope
		middle := l.middles(sound, slope)
		var off, rates []float64
		for _, x := range sound {
			value, rate := l.of(x)
			off, rates = append(off, value-float64(slope*rate)-middle(x.Gear)), append(rates, rate)
		}
		rate, _ := median(sorted(rates))
		low, _, high := reach(off, l.least)
		return Kept{len(list), len(list) - len(sound), math.Round(100*(high-low)/2/rate) / 100}, true
	}
	return k, false
}
