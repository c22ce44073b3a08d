package find

import (
	"math"
	"slices"
	"sort"
)

// Bounds of what may be a speed. A number that trembles by more than these is
// none, or no use as one.
const (
	roughest   = 0.2
	fewest     = 40 // different values
	mostSpeeds = 300
)

// speeds returns the series that move like speeds: with inertia, over a range
// of many values. Of readings of the same bits that say the same, the plainest
// stays. Identifiers that answer requests are left out: nobody asks once the
// technician has gone.
func speeds(ids []Identifier, g *instants, answering func(ID) bool) []*series {
	var all []*series
	var room []float64
	for i := range ids {
		if answering(ids[i].ID) {
			continue
		}
		var own []*series
		ids[i].candidates(func(t *traffic, m *Mux, value uint64, r run) {
			s := newSeries(t, r, fewest, &room)
			if s == nil || s.rough > roughest || s.hi-s.lo < 30 {
				return
			}
			if s.differences(); s.jumps > 2+len(s.v)/4000 {
				return
			}
			s.v = slices.Clone(s.v)
			s.mux, s.muxValue = m, value
			own = append(own, s)
		})
		sort.SliceStable(own, func(a, b int) bool { return own[a].plainer(own[b]) })
		var kept []*series
		for _, s := range own {
			s.onGrid(g)
			if s.top <= 0 {
				continue
			}
			twin := false
			for _, k := range kept {
				if k.run.bits()&s.run.bits() != 0 && k.mux == s.mux && k.muxValue == s.muxValue && follows(k, s) {
					twin = true
					break
				}
			}
			if !twin {
				s.logarithms()
				kept = append(kept, s)
			}
		}
		all = append(all, kept...)
	}
	if len(all) > mostSpeeds {
		sort.SliceStable(all, func(a, b int) bool { return all[a].rough < all[b].rough })
		all = all[:mostSpeeds]
	}
	return all
}

// plainer says whether a is the better reading of the same bits: one that
// jumps less, then one with less against its being one number, then one that
// runs more smoothly from frame to frame (a reading with the wrong lower byte
// moves in steps of the upper one), then one that tells more values apart,
// then the shorter one.
func (a *series) plainer(b *series) bool {
	if a.jumps != b.jumps {
		return a.jumps < b.jumps
	}
	if a.broken != b.broken {
		return a.broken < b.broken
	}
	// In steps of a quarter, so that noise does not decide.
	if ga, gb := math.Floor(4*math.Log2(a.secondDiff+1e-9)), math.Floor(4*math.Log2(b.secondDiff+1e-9)); ga != gb {
		return ga < gb
	}
	if a.distinct != b.distinct {
		return a.distinct > b.distinct
	}
	if a.run.length != b.run.length {
		return a.run.length < b.run.length
	}
	if a.run.big != b.run.big {
		return b.run.big
	}
	return a.run.shift < b.run.shift
}

// follows says whether b is a multiple of a throughout, low values included.
func follows(a, b *series) bool {
	ratio := b.top / a.top
	// A better ratio, from the upper half.
	var sa, sb float64
	for i := 0; i < len(a.grid); i += 1 + len(a.grid)/enoughValues {
		if v, w := a.grid[i], b.grid[i]; v > 0.3*a.top && w > 0.3*b.top {
			sa += v
			sb += w
		}
	}
	if sa > 0 {
		ratio = sb / sa
	}
	return within(a, b, ratio, 0.015*b.top+0.6+0.6*ratio, 200)
}

// within says whether b lies within most of ratio times a but for one point in n.
func within(a, b *series, ratio, most float64, n int) bool {
	off, all := 0, 0
	for i, v := range a.grid {
		w := b.grid[i]
		if math.IsNaN(v + w) {
			continue
		}
		all++
		if math.Abs(w-ratio*v) > most {
			if off++; off > len(a.grid)/n {
				return false
			}
		}
	}
	return all > 0 && off <= all/n
}

// classes groups the series that are multiples of each other; the finest of
// each comes first.
func classes(pool []*series) [][]*series {
	sorted := append([]*series(nil), pool...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].fineness() > sorted[j].fineness() })
	var out [][]*series
next:
	for _, s := range sorted {
		for k := range out {
			if follows(out[k][0], s) {
				out[k] = append(out[k], s)
				continue next
			}
		}
		out = append(out, []*series{s})
	}
	return out
}

// quick are the series fine and frequent enough to be one of the three shaft
// speeds.
func quick(pool []*series) (out []*series) {
	for _, s := range pool {
		if s.period <= 150_000 && s.hi-s.lo >= 120 && s.distinct >= 100 {
			out = append(out, s)
		}
	}
	return out
}

// overlaps says whether two series share bits.
func (a *series) overlaps(b *series) bool {
	return a.t.ID == b.t.ID && a.run.word == b.run.word && a.run.bits()&b.run.bits() != 0 &&
		(a.mux == nil || b.mux == nil || a.muxValue == b.muxValue)
}

// points are subsets of the common instants.
func where(n int, f func(i int) bool) []bool {
	out := make([]bool, n)
	for i := range out {
		out[i] = f(i)
	}
	return out
}

func share(use []bool, f func(i int) bool) (part float64, n int) {
	k := 0
	for i, u := range use {
		if !u {
			continue
		}
		n++
		if f(i) {
			k++
		}
	}
	if n == 0 {
		return math.NaN(), 0
	}
	return float64(k) / float64(n), n
}
