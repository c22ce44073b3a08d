package find

import (
	"math"
	"slices"

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

	// grid are the values at common instants.
	grid []float64
	log  []float64 // natural logarithm of grid where it is well above 0, else NaN
	step []float64 // 0.6 of a raw step as a share of the value, where log is one
	top  float64   // 99th percentile of grid

	// Of a thinned series, one point in every stands for all of them.
	every int
	of    *series
}

// newSeries takes the run out of the kept frames, into the room for values. It returns
// nil where it has too few different values.
func newSeries(t *traffic, r run, least int, room *[]float64) *series {
	n := t.rec.len()
	if n < 40 || t.words[r.word].changes(r)+1 < least {
		return nil
	}
	s := &series{t: t, run: r, at: t.rec.at, period: t.intervals.median()}
	var seen distinct
	*room = slices.Grow((*room)[:0], n)
	s.v = (*room)[:n]
	last, code, codes, below := int64(0), int64(r.mask()), 0, int64(0)
	for i := range s.v {
		x := r.raw(t.rec.data[i*t.rec.width:])
		s.v[i] = float64(x)
		if i == 0 || x != last {
			seen.add(uint64(x))
		}
		if last = x; x == code {
			codes++
		} else {
			below = max(below, x)
		}
	}
	s.distinct = seen.n
	if s.distinct < least {
		return nil
	}
	// The highest code stands for "not available" where it is far above all other values.
	if s.codes = codes > 0 && codes < n && r.length >= 7 && !r.signed && float64(below) <= 0.9*float64(code); s.codes {
		for i, x := range s.v {
			if x == float64(code) {
				s.v[i] = math.NaN()
			}
		}
	}
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

// enoughValues is how many values tell a percentile, or a mean.
const enoughValues = 1500

// fewer are enough of the values to tell a percentile; those that are not available
// left out.
func fewer(v []float64) []float64 {
	x := make([]float64, 0, enoughValues)
	for i := 0; i < len(v); i += 1 + len(v)/enoughValues {
		if !math.IsNaN(v[i]) {
			x = append(x, v[i])
		}
	}
	return x
}

func (s *series) spread() {
	x := fewer(s.v)
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
	var second float64
	n := 0
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
	if span := s.hi - s.lo; n < 10 || span == 0 {
		s.rough = math.Inf(1)
	} else {
		s.rough = math.Sqrt(second/float64(n)) / span
	}
}

// differences looks at the value from frame to frame, and at the run's bits.
func (s *series) differences() {
	s.broken = s.t.words[s.run.word].broken(s.run)
	var fine, before float64
	m := 0
	span := s.hi - s.lo
	for i := 1; i < len(s.v); i++ {
		d := s.v[i] - s.v[i-1]
		if s.at[i]-s.at[i-1] < 150_000 {
			if math.Abs(d) > 0.2*span {
				s.jumps++
			} else if x := d - before; i > 1 && math.Abs(x) <= 0.2*span {
				fine += x * x
				m++
			}
		}
		before = d
	}
	if m > 0 && span > 0 {
		s.secondDiff = math.Sqrt(fine/float64(m)) / span
	}
}

// quantile is one of the values, which it puts into another order: Hoare's selection
// (Communications of the ACM 4(7), 1961, algorithm 65).
func quantile(v []float64, q float64) float64 {
	k, lo, hi := int(q*float64(len(v)-1)+0.5), 0, len(v)-1
	for lo < hi {
		mid, i, j := v[(lo+hi)/2], lo, hi
		for i <= j {
			for v[i] < mid {
				i++
			}
			for v[j] > mid {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i, j = i+1, j-1
			}
		}
		if k <= j {
			hi = j
		} else if lo = i; k < i {
			break
		}
	}
	return v[k]
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
	s.between(g.at, 0, reach, s.grid)
	if x := fewer(s.grid); len(x) > 0 {
		s.top = quantile(x, 0.99)
	}
}

// logarithms makes them, once it is on the grid.
func (s *series) logarithms() {
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

// between interpolates into out the value so long before each instant, NaN where none.
func (s *series) between(at []bus.Micros, lag, reach bus.Micros, out []float64) {
	k := 0
	for i, t := range at {
		t -= lag
		for leap := 1; k < len(s.at) && s.at[k] < t; { // instants may lie far apart
			switch far := k + 2*leap; {
			case far < len(s.at) && s.at[far] < t:
				k, leap = far, 2*leap
			case leap > 1:
				leap /= 2
			default:
				k++
			}
		}
		switch {
		case k < len(s.at) && s.at[k] == t:
			out[i] = s.v[k]
		case k == 0 || k == len(s.at) || s.at[k]-s.at[k-1] > reach:
			out[i] = math.NaN()
		default:
			share := float64(t-s.at[k-1]) / float64(s.at[k]-s.at[k-1])
			out[i] = s.v[k-1] + share*(s.v[k]-s.v[k-1])
		}
	}
}
