package find

import (
	"encoding/binary"
	"math/bits"
)

// Mux is a field whose value says what the other bits of the frame hold.
type Mux struct {
	Field  Field    `json:"field"`
	Values []uint64 `json:"values"`

	run run
	// bits are those that mean different things.
	bits uint64
}

// mux looks for a multiplexer switch in the first eight bytes: a field of few
// values such that other bits change much less from one frame to the next of
// the same value than from one frame to the next.
func (t *traffic) mux(exclude uint64) *Mux {
	n := min(t.rec.len(), 6000)
	if n < 100 || t.maxLen > 8 {
		return nil
	}
	var best *Mux
	most := 0.8 // changes a frame that the switch explains
	active := t.words[0].active() &^ exclude
	var tries []run
	for b := 0; b < min(t.maxLen, 8); b++ {
		for _, r := range []run{{shift: 8 * b, length: 2}, {shift: 8*b + 6, length: 2}, {shift: 8 * b, length: 4}, {shift: 8*b + 4, length: 4}, {shift: 8 * b, length: 8}} {
			if r.bits()&active != 0 {
				tries = append(tries, r)
			}
		}
	}
	for _, r := range tries {
		if !t.switches(r, n) {
			continue
		}
		var last [256]uint64
		var known [256]bool // the values in last
		values := 0
		var same, any tally
		var pairs, all int
		changes := 0
		var before uint64
		var beforeV int64
		ok := true
		for i := range n {
			w := binary.LittleEndian.Uint64(t.rec.payload(i))
			v := r.raw(t.rec.payload(i))
			if i > 0 {
				all++
				any.add((w ^ before) & active &^ r.bits())
				if v != beforeV {
					changes++
				}
			}
			if known[v] {
				pairs++
				same.add((w ^ last[v]) & active &^ r.bits())
			} else if values >= 40 {
				ok = false
				break
			} else {
				known[v] = true
				values++
			}
			last[v], before, beforeV = w, w, v
		}
		if !ok || values < 2 || changes < n/10 || pairs < 50 || n < 12*values {
			continue
		}
		gain := 0.0
		var differ uint64
		for b := range 64 {
			s, a := float64(same.count(b))/float64(pairs), float64(any.count(b))/float64(all)
			if a > 0.02 && s < 0.6*a {
				gain += a - s
				differ |= 1 << b
			}
		}
		// Few bits are more likely a copy of the switch than switched.
		if bits.OnesCount64(differ) < 6 {
			continue
		}
		// Of switches that explain as much, the shortest.
		if gain > 1.05*most {
			most = gain
			m := &Mux{Field: r.field(), run: r, bits: differ}
			for v, is := range known {
				if is {
					m.Values = append(m.Values, uint64(v))
				}
			}
			best = m
		}
	}
	return best
}

// switches says whether the run changes often enough for a switch, from how often
// its bits do.
func (t *traffic) switches(r run, n int) bool {
	changes := 0
	for b := r.bits(); b != 0; b &= b - 1 {
		changes += t.words[0].flip.count(bits.TrailingZeros64(b))
	}
	return changes >= min(n, t.words[0].n)/10
}

// sub is the traffic of one value of the switch, with its own statistics.
func (t *traffic) sub(m *Mux, v uint64) *traffic {
	s := &traffic{ID: t.ID, minLen: t.minLen, maxLen: t.maxLen}
	s.rec.width = t.rec.width
	f := &flips{}
	s.words[0] = f
	for i := range t.rec.len() {
		p := t.rec.payload(i)
		if uint64(m.run.raw(p)) != v {
			continue
		}
		if n := s.rec.len(); n > 0 {
			f.add(s.rec.payload(n-1), p)
			s.intervals.add(t.rec.at[i] - s.rec.at[n-1])
		} else {
			f.everSet = binary.LittleEndian.Uint64(p)
			f.everClear = ^f.everSet
		}
		s.rec.at = append(s.rec.at, t.rec.at[i])
		s.rec.data = append(s.rec.data, p...)
		s.frames++
	}
	return s
}
