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
	var next tally // changes from one frame to the next
	for i := 1; i < n; i++ {
		next.add((binary.LittleEndian.Uint64(t.rec.payload(i)) ^ binary.LittleEndian.Uint64(t.rec.payload(i-1))) & active)
	}
	changing := 0.0
	for b := range 64 {
		changing += float64(next.count(b)) / float64(n-1)
	}
	if changing <= 1.05*most {
		return nil
	}
	for b := range t.maxLen {
		for _, r := range []run{{shift: 8 * b, length: 2}, {shift: 8*b + 6, length: 2}, {shift: 8 * b, length: 4}, {shift: 8*b + 4, length: 4}, {shift: 8 * b, length: 8}} {
			if r.bits()&active == 0 || !t.switches(r, n) {
				continue
			}
			x, ok := t.switchedBy(r, n, active)
			if !ok {
				continue
			}
			gain, differ := x.explained(&next, n-1, active&^r.bits())
			// Few bits are more likely a copy of the switch than switched. Of
			// switches that explain as much, the shortest.
			if bits.OnesCount64(differ) >= 6 && gain > 1.05*most {
				most = gain
				best = &Mux{Field: r.field(), Values: x.values(), run: r, bits: differ}
			}
		}
	}
	return best
}

// switched is how the other bits of a frame change with a field as the switch.
type switched struct {
	known [256]bool // the values seen
	same  tally     // changes from one frame to the next of the same value
	pairs int       // of how many of those
}

// switchedBy takes the run for the switch; not ok where it has too many values, or
// changes too seldom, to be one.
func (t *traffic) switchedBy(r run, n int, active uint64) (x switched, ok bool) {
	var last [256]uint64
	values, changes := 0, 0
	before, mask := uint64(0), r.mask()
	active &^= r.bits()
	for i := range n {
		w := binary.LittleEndian.Uint64(t.rec.payload(i))
		v := w >> r.shift & mask
		if i > 0 && v != before {
			changes++
		}
		switch {
		case x.known[v]:
			x.pairs++
			x.same.add((w ^ last[v]) & active)
		case values >= 40:
			return x, false
		default:
			x.known[v] = true
			values++
		}
		last[v], before = w, v
	}
	return x, values >= 2 && changes >= n/10 && x.pairs >= 50 && n >= 12*values
}

// explained is by how much less these bits change from one frame to the next of the
// same value than, in so many pairs, to the next at all, in changes a frame, and which
// they are.
func (x *switched) explained(next *tally, pairs int, of uint64) (gain float64, differ uint64) {
	for ; of != 0; of &= of - 1 {
		b := bits.TrailingZeros64(of)
		same, any := float64(x.same.count(b))/float64(x.pairs), float64(next.count(b))/float64(pairs)
		if any > 0.02 && same < 0.6*any {
			gain += any - same
			differ |= 1 << b
		}
	}
	return gain, differ
}

func (x *switched) values() (out []uint64) {
	for v, known := range x.known {
		if known {
			out = append(out, uint64(v))
		}
	}
	return out
}

// switches says whether the run changes often enough for a switch, from how often
// its bits do.
func (t *traffic) switches(r run, n int) bool {
	return t.words[0].changes(r) >= min(n, t.words[0].n)/10
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
