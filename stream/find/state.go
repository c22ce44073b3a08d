package find

import (
	"math/bits"
)

// shorts calls f with each run of 2 to 5 bits, and each whole byte, that
// changes and may be a state.
func (a *analysis) shorts(f func(id *Identifier, r run)) {
	for i := range a.ids {
		id := &a.ids[i]
		for w, s := range id.t.words {
			if s == nil || id.t.intervals.median() > 1_000_000 {
				continue
			}
			active := id.plain(w) & s.active()
			for b := range 64 {
				if active>>b&1 == 0 {
					continue
				}
				for n := 2; n <= 5 && b+n <= 64; n++ {
					if active>>(b+n-1)&1 == 0 {
						continue
					}
					f(id, run{word: w, shift: b, length: n})
				}
			}
			for b := 0; b < min(8, id.t.maxLen-8*w); b++ {
				r := run{word: w, shift: 8 * b, length: 8}
				if bits.OnesCount64(r.bits()&active) >= 6 {
					f(id, r)
				}
			}
		}
	}
}

// steps are the values of a short field, held, at the common instants; -1
// where not there.
func (a *analysis) steps(t *traffic, r run) []int16 {
	out := make([]int16, len(a.grid.at))
	at, value := int32(-1), int16(-1)
	for i, k := range a.heldFrames(t) {
		if k != at {
			at, value = k, -1
			if k >= 0 {
				value = int16(r.raw(t.rec.payload(int(k))))
			}
		}
		out[i] = value
	}
	return out
}

// heldFrames are the kept frames that hold at the common instants; -1 for none.
// The last traffic asked for is remembered: fields are tried one after another.
func (a *analysis) heldFrames(t *traffic) []int32 {
	if a.heldOf == t {
		return a.held
	}
	a.heldOf, a.held = t, make([]int32, len(a.grid.at))
	k := -1
	reach := max(4*t.intervals.median(), 500_000)
	for i, at := range a.grid.at {
		for k+1 < t.rec.len() && t.rec.at[k+1] <= at {
			k++
		}
		a.held[i] = -1
		if k >= 0 && at-t.rec.at[k] <= reach {
			a.held[i] = int32(k)
		}
	}
	return a.held
}

// mostChanges is how often a second the bits of a gear change at most.
const mostChanges = 3

// restless says whether a bit of the run changes more often than a state does.
func (a *analysis) restless(t *traffic, r run) bool {
	most := int(mostChanges*a.s.Duration().Seconds()) + 20
	s, b := t.words[r.word], r.bits()
	for ; b != 0; b &= b - 1 {
		if s.flip.count(bits.TrailingZeros64(b)) > most {
			return true
		}
	}
	return false
}
