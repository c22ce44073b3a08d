package find

import "math/bits"

// joined says whether two neighbours are likely to be in one number, n being
// the frames compared.
//
//   - A bit that changes more often than the one below it is not above it in
//     one number: flip rates rise towards the least significant bit (READ, see
//     flips). This ends a field.
//   - Where the upper bit changes seldom, the lower one must change with it:
//     on a carry through both, or on a change of sign (CAN-D, see flips).
//   - Where both change often, the value moves by more than the bits' weights
//     from frame to frame (a steady rise can even make the upper one change
//     more often), and nothing speaks against it.
func (l link) joined(n int) bool {
	u, d := float64(l.upper), float64(l.lower)
	often := 0.10 * float64(n)
	switch {
	case l.lower == 0 || l.upper == 0:
		return false
	case u >= often && d >= often:
		return true
	case u > 1.3*d+6:
		return false
	}
	// A bit that changes at random changes along half the time.
	if u < 30 {
		return l.both() >= 0.75*u
	}
	return l.both() >= 0.6*u
}

func (l link) both() float64 { return float64(l.carry + l.same) }

// certain is joined where the changes of the upper bit prove it.
func (l link) certain() bool {
	return l.upper >= 8 && l.both() >= 0.85*float64(l.upper)
}

// segments cuts one word into runs of bits that are likely to be one number
// each, in the reading c. Only usable bits are considered.
func (s *flips) segments(word int, c *chain, usable uint64) []run {
	var out []run
	usable &= s.active()
	on := func(k int) bool { return usable>>c.bits[k]&1 != 0 && s.flip.count(c.bits[k]) > 0 }
	for i := 0; i < 64; i++ {
		if !on(i) {
			continue
		}
		j := i
		for j < 63 && on(j+1) && s.link(c, j).joined(s.n) {
			j++
		}
		out = append(out, runOf(word, c, i, j))
		i = j
	}
	return out
}

// variants adds to the segments what the statistics leave open: where the
// first links of a segment are not certain, the field may begin further down;
// and whole bytes and pairs of bytes, which are where most layouts put
// numbers.
func (s *flips) variants(word, size int, c *chain, usable uint64) []run {
	var out []run
	usable &= s.active()
	for _, r := range s.segments(word, c, usable) {
		out = append(out, r)
		for k := 0; k < 3 && r.length > 6; k++ {
			i := 63 - (r.shift + r.length - 1)
			if r.oneByte() {
				break
			}
			if s.link(c, i).certain() {
				break
			}
			r.length--
			out = append(out, r)
		}
	}
	pair := func(first, second int) {
		// first is the more significant byte.
		r := run{word: word, shift: 8 * second, length: 16, big: c.big}
		if c.big {
			r.shift = 8 * (7 - second)
		}
		if r.bits()&usable == 0 {
			return
		}
		// Bits that never change are dropped from the top.
		for r.length > 8 {
			top := r
			top.shift, top.length = r.shift+r.length-1, 1
			if top.bits()&usable != 0 {
				break
			}
			r.length--
		}
		if r.bits()&^s.everClear == 0 { // no bit of it always set
			out = append(out, r)
		}
	}
	for b := 0; b+1 < size; b++ {
		if c.big {
			pair(b, b+1)
		} else {
			pair(b+1, b)
		}
	}
	for _, r := range out {
		if x, ok := s.raised(r); ok {
			out = append(out, x)
		}
	}
	return out
}

// raised extends the run to the top of its most significant byte where the
// bits there never changed and are not all clear: a number that stayed within
// one stretch of its range leaves its top bits set.
func (s *flips) raised(r run) (run, bool) {
	n := (8 - (r.shift+r.length)%8) % 8
	if n == 0 {
		return r, false
	}
	x := r
	x.length += n
	above := x.bits() &^ r.bits()
	if above&s.active() != 0 || above&s.everSet == 0 {
		return r, false
	}
	for x.length > r.length {
		top := run{word: r.word, shift: x.shift + x.length - 1, length: 1, big: r.big}
		if top.bits()&s.everSet != 0 {
			break
		}
		x.length--
	}
	return x, true
}

// fields are the segments that stand for the identifier in the list of fields:
// of both readings, for each bit the one in the longer certain run.
func (s *flips) fields(word int, usable uint64) []run {
	little, big := littleChain(), bigChain()
	all := append(s.segments(word, &little, usable), s.segments(word, &big, usable)...)
	var out []run
	var taken uint64
	for len(all) > 0 {
		best, bestN := -1, 0
		for i, r := range all {
			if r.bits()&taken != 0 {
				continue
			}
			n := s.proof(r)
			if best < 0 || n > bestN || n == bestN && r.length > all[best].length {
				best, bestN = i, n
			}
		}
		if best < 0 {
			break
		}
		r := all[best]
		r.signed = s.signedRun(r)
		out = append(out, r)
		taken |= r.bits()
		all = append(all[:best], all[best+1:]...)
	}
	// Bits that only lie in a run that lost: what is left of it.
	left := usable & s.active() &^ taken
	for left != 0 {
		b := bits.TrailingZeros64(left)
		n := 0
		for b+n < 64 && left>>(b+n)&1 != 0 && (n == 0 || (b+n)%8 != 0) {
			left &^= 1 << (b + n)
			n++
		}
		out = append(out, run{word: word, shift: b, length: n})
	}
	return out
}

// links calls f for the links of a run from the top.
func (s *flips) links(r run, f func(l link)) {
	c := littleChain()
	if r.big {
		c = bigChain()
	}
	for i := 63 - (r.shift + r.length - 1); i < 63-r.shift; i++ {
		f(s.link(&c, i))
	}
}

// proof is how many links of the run are certain.
func (s *flips) proof(r run) (n int) {
	s.links(r, func(l link) {
		if l.certain() {
			n++
		}
	})
	return n
}

// broken is how many links of the run speak against its being one number,
// leaving out what never changed at its top.
func (s *flips) broken(r run) (n int) {
	begun := false
	s.links(r, func(l link) {
		if begun = begun || l.upper > 0; begun && !l.joined(s.n) {
			n++
		}
	})
	return n
}

// signedRun says whether the run looks like two's complement: where it passes
// through nothing, its top two bits change the same way (1111 to 0000); a
// number without sign carries there (0111 to 1000).
func (s *flips) signedRun(r run) bool {
	if r.length < 6 {
		return false
	}
	first, signed := true, false
	s.links(r, func(l link) {
		if first {
			first = false
			signed = l.upper >= 4 && float64(l.same) >= 0.8*float64(l.upper)
		}
	})
	return signed
}
