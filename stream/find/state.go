package find

import (
	"encoding/binary"
	"math/bits"
	"slices"
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
// where not there. The next call overwrites them.
func (a *analysis) steps(t *traffic, r run) []int16 {
	a.hold(t, r.word)
	a.values = slices.Grow(a.values[:0], len(a.words))[:len(a.words)]
	mask := r.mask()
	for i, w := range a.words {
		a.values[i] = int16(w >> r.shift & mask)
	}
	for _, i := range a.unheld {
		a.values[i] = -1
	}
	return a.values
}

// hold finds the payloads that hold at the common instants, and where none does. The
// last word asked for is remembered: fields are tried one after another.
func (a *analysis) hold(t *traffic, word int) {
	if a.heldOf == t && a.heldWord == word {
		return
	}
	a.heldOf, a.heldWord, a.words, a.unheld = t, word, make([]uint64, len(a.grid.at)), nil
	k := -1
	reach := max(4*t.intervals.median(), 500_000)
	for i, at := range a.grid.at {
		for k+1 < t.rec.len() && t.rec.at[k+1] <= at {
			k++
		}
		if k >= 0 && at-t.rec.at[k] <= reach {
			a.words[i] = binary.LittleEndian.Uint64(t.rec.payload(k)[8*word:])
		} else {
			a.unheld = append(a.unheld, i)
		}
	}
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
