package find

import (
	"math"
	"sort"

	"joltwatch/bus"
)

// series is a run of bits of one identifier over time.
type series struct {
	t   *traffic
	mux *Mux
	// muxValue is the switch's value where mux is set.
	muxValue uint64
	run      run

	at []bus.Micros
	v  []float64 // raw; NaN where not available

	// zero is the raw value that stands for nothing.
	zero     float64
	lo, hi   float64 // 1st and 99th percentile
	distinct int
	rough    float64
	jumps    int // steps of more than a fifth of the range from frame to frame
	broken   int // see flips.broken
	// secondDiff is the root mean square of the second differences from frame to
	// frame, as a share of the range: noise and steps.
	secondDiff float64
	// codes is true where the highest code stands for "not available".
	codes  bool
	period bus.Micros

	// grid are the values less zero at common instants.
	grid []float64
	log  []float64 // natural logarithm of grid where it is well above 0, else NaN
	step []float64 // 0.6 of a raw step as a share of the value, where log is one
	top  float64   // 99th percentile of grid

	// Of a thinned series, one point in every stands for all of them.
	every int
	of    *series
}

// newSeries takes the run out of the kept frames. It returns nil where it has
// too few different values.
func newSeries(t *traffic, r run, least int) *series {
	n := t.rec.len()
	if n < 40 {
		return nil
	}
	s := &series{t: t, run: r, at: t.rec.at, period: t.intervals.median()}
	var seen distinct
	s.v = make([]float64, n)
	for i := range n {
		x := r.raw(t.rec.payload(i))
		s.v[i] = float64(x)
		if i == 0 || s.v[i] != s.v[i-1] {
			seen.add(uint64(x))
		}
	}
	s.distinct = seen.n
	if s.distinct < least {
		return nil
	}
	s.broken = t.words[r.word].broken(r)
	s.dropNotAvailable()
	s.spread()
	return s
}

// distinct counts different values, up to mostDistinct; values further apart than
// its table is long may pass for one.
type distinct struct {
	n    int
	seen [1 << 10]uint64
}

const mostDistinct = 512

func (d *distinct) add(x uint64) {
	word, bit := x>>6%uint64(len(d.seen)), x&63
	if d.n < mostDistinct && d.seen[word]>>bit&1 == 0 {
		d.seen[word] |= 1 << bit
		d.n++
	}
}

// dropNotAvailable takes the highest code for "not available" where it stands
// far above all other values.
func (s *series) dropNotAvailable() {
	if s.run.length < 7 || s.run.signed {
		return
	}
	code := float64(s.run.mask())
	below, n := 0.0, 0
	for _, x := range s.v {
		if x == code {
			n++
		} else {
			below = math.Max(below, x)
		}
	}
	if n == 0 || n == len(s.v) || below > 0.9*code {
		return
	}
	s.codes = true
	for i, x := range s.v {
		if x == code {
			s.v[i] = math.NaN()
		}
	}
}

// enoughOrdered is how many values tell a percentile.
const enoughOrdered = 1500

// ordered are enough of the values to tell a percentile, in their order; those that
// are not available left out.
func ordered(v []float64) []float64 {
	x := make([]float64, 0, enoughOrdered)
	for i := 0; i < len(v); i += 1 + len(v)/enoughOrdered {
		if !math.IsNaN(v[i]) {
			x = append(x, v[i])
		}
	}
	sort.Float64s(x)
	return x
}

func (s *series) spread() {
	x := ordered(s.v)
	if len(x) < 20 {
		s.rough = math.Inf(1)
		return
	}
	s.lo, s.hi = quantile(x, 0.01), quantile(x, 0.99)
	s.roughness()
}

// roughness is the root mean square of the second differences over a tenth of
// a second, as a share of the range: about 0.7 for noise, a few hundredths for
// what has inertia, however much it trembles (a continuity measure in the
// sense of CAN-D, see flips).
func (s *series) roughness() {
	h := 1
	if s.period > 0 {
		h = max(1, int(100_000/s.period))
	}
	var second, fine float64
	n, m := 0, 0
	span := s.hi - s.lo
	for i := 1; i < len(s.v); i++ {
		if s.at[i]-s.at[i-1] >= 150_000 {
			continue
		}
		d := s.v[i] - s.v[i-1]
		if math.Abs(d) > 0.2*span {
			s.jumps++
		} else if i > 1 {
			if d -= s.v[i-1] - s.v[i-2]; math.Abs(d) <= 0.2*span {
				fine += d * d
				m++
			}
		}
	}
	if m > 0 && span > 0 {
		s.secondDiff = math.Sqrt(fine/float64(m)) / span
	}
	wide := 3*bus.Micros(h)*s.period + 20_000
	for i := 0; i+2*h < len(s.v); i += max(1, h/3) {
		a, b, c := s.v[i], s.v[i+h], s.v[i+2*h]
		if math.IsNaN(a+b+c) || s.at[i+2*h]-s.at[i] > wide {
			continue
		}
		d := c - 2*b + a
		second += d * d
		n++
	}
	if n < 10 || span == 0 {
		s.rough = math.Inf(1)
		return
	}
	s.rough = math.Sqrt(second/float64(n)) / span
}

// quantile of a sorted slice.
func quantile(sorted []float64, q float64) float64 {
	return sorted[int(q*float64(len(sorted)-1)+0.5)]
}

// instants are the common instants: dense within each stretch that was kept.
type instants struct {
	at []bus.Micros
	// step is their distance within a stretch.
	step bus.Micros
}

// instants chooses them for what the survey has kept: every 20 ms where that
// is few enough, so that shifts and clutches are seen in motion.
func (s *Survey) instants() instants {
	var stretches []bus.Micros
	blocks := bus.Micros(0)
	for b := bus.Micros(0); b <= (s.last-s.first)/block; b += s.stride {
		stretches = append(stretches, b)
		if blocks++; blocks > 100_000 {
			break
		}
	}
	total := min(bus.Micros(len(stretches))*block, s.last-s.first)
	g := instants{step: max(20_000, total/6000)}
	g.step = min(g.step, 250_000)
	for _, b := range stretches {
		from := s.first + b*block
		for at := from; at < from+block && at <= s.last; at += g.step {
			g.at = append(g.at, at)
		}
		if len(g.at) > 200_000 {
			break
		}
	}
	return g
}

// onGrid interpolates the series at the common instants; NaN where its values
// are too far apart.
func (s *series) onGrid(g *instants) {
	s.grid = make([]float64, len(g.at))
	reach := max(4*s.period, 300_000)
	s.each(g.at, reach, func(i int, v float64) { s.grid[i] = v - s.zero })
	if x := ordered(s.grid); len(x) > 0 {
		s.top = quantile(x, 0.99)
	}
	s.log, s.step = make([]float64, len(s.grid)), make([]float64, len(s.grid))
	for i, v := range s.grid {
		s.log[i] = math.NaN()
		if v > 0.04*s.top && v > 8 {
			s.log[i], s.step[i] = math.Log(v), 0.6/v
		}
	}
}

// thinned returns the series with one in every points of its grid: for a first
// look at many.
func (s *series) thinned(every int) *series {
	if every < 2 {
		return s
	}
	thin := func(x []float64) []float64 {
		out := make([]float64, 0, len(x)/every+1)
		for i := 0; i < len(x); i += every {
			out = append(out, x[i])
		}
		return out
	}
	c := *s
	c.every, c.of = every, s
	c.grid, c.log, c.step = thin(s.grid), thin(s.log), thin(s.step)
	return &c
}

// whole is the series that a thinned one was made of.
func (s *series) whole() *series {
	if s.of != nil {
		return s.of
	}
	return s
}

// points is how many points of the series stand for n of a whole one.
func (s *series) points(n int) int { return max(1, n/max(1, s.every)) }

// each calls f with the interpolated value at each instant, NaN where none.
func (s *series) each(at []bus.Micros, reach bus.Micros, f func(i int, v float64)) {
	k := 0
	for i, t := range at {
		for k < len(s.at) && s.at[k] < t {
			k++
		}
		switch {
		case k < len(s.at) && s.at[k] == t:
			f(i, s.v[k])
		case k == 0 || k == len(s.at) || s.at[k]-s.at[k-1] > reach:
			f(i, math.NaN())
		default:
			share := float64(t-s.at[k-1]) / float64(s.at[k]-s.at[k-1])
			f(i, s.v[k-1]+share*(s.v[k]-s.v[k-1]))
		}
	}
}
