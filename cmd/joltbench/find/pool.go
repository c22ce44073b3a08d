package find

import (
	"math"
	"sort"
)

// Bounds of what may be a speed. A number that trembles by more than these is
// none, or no use as one.
const (
	roughest   = 0.2
	jumpiest   = 0.006
	fewest     = 40 // different values
	mostSpeeds = 300
)

// speeds returns the series that move like speeds: with inertia, over a range
// of many values. Of readings of the same bits that say the same, the plainest
// stays.
func speeds(ids []Identifier, g *instants) []*series {
	var all []*series
	for i := range ids {
		var own []*series
		ids[i].candidates(func(t *traffic, m *Mux, value uint64, r run) {
			s := newSeries(t, r, fewest)
			if s == nil || s.rough > roughest || s.jump > jumpiest || s.hi-s.lo < 30 {
				return
			}
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
// jumps less, then one that tells more values apart, then the shorter one.
func (a *series) plainer(b *series) bool {
	if ja, jb := a.jump > 0.001, b.jump > 0.001; ja != jb {
		return jb
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

// follows says whether b is a multiple of a.
func follows(a, b *series) bool {
	peaks, n := ratios(a, b, nil)
	if n == 0 {
		// Neither is ever well above zero together: the same nothing.
		return true
	}
	return len(peaks) > 0 && peaks[0].share > 0.95
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
