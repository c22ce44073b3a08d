package find

import (
	"encoding/binary"
	"math/bits"
)

// tally counts for each of 64 bit positions how many of the words added had it
// set. The counters stand upright (plane k holds bit k of all of them), so that
// a word costs a few operations however many bits it sets.
type tally struct {
	plane [8]uint64
	total [64]uint32
	n     uint8
}

func (t *tally) add(x uint64) {
	for k := 0; x != 0; k++ {
		carry := t.plane[k] & x
		t.plane[k] ^= x
		x = carry
	}
	if t.n++; t.n == 255 {
		t.spill()
	}
}

func (t *tally) spill() {
	for k, p := range t.plane {
		for p != 0 {
			i := bits.TrailingZeros64(p)
			t.total[i] += 1 << k
			p &= p - 1
		}
		t.plane[k] = 0
	}
	t.n = 0
}

// count returns how often bit i was set.
func (t *tally) count(i int) int {
	t.spill()
	return int(t.total[i])
}

// flips is what is counted of the changes of eight payload bytes from frame to
// frame. How often a bit flips, rising from the most to the least significant
// bit of a number, is the method of Marchetti and Stabili ("READ", IEEE
// Transactions on Information Forensics and Security, 2019); that neighbours
// in one number flip together, on a carry or on a change of sign, is used much
// as in the pipeline of Verma and others ("CAN-D", 2021). Both named from
// memory.
type flips struct {
	n int // pairs of frames compared
	// flip counts changes by payload bit (8*byte+bit). The others count
	// pairs of neighbours by the lower bit's position in the payload read as
	// one number: both changed, in opposite directions or in the same.
	flip                    tally
	carryLittle, sameLittle tally
	carryBig, sameBig       tally
	everSet, everClear      uint64
}

func (s *flips) add(last, now []byte) {
	w, v := binary.LittleEndian.Uint64(now), binary.LittleEndian.Uint64(last)
	s.n++
	s.everSet |= w
	s.everClear |= ^w
	x := w ^ v
	if x == 0 {
		return
	}
	s.flip.add(x)
	pair := x & (x >> 1)
	differ := w ^ w>>1
	s.carryLittle.add(pair & differ)
	s.sameLittle.add(pair &^ differ)
	w, x = bits.ReverseBytes64(w), bits.ReverseBytes64(x)
	pair = x & (x >> 1)
	differ = w ^ w>>1
	s.carryBig.add(pair & differ)
	s.sameBig.add(pair &^ differ)
}

// changes is how often the bits of the run changed, all together.
func (s *flips) changes(r run) (n int) {
	for b := r.bits(); b != 0; b &= b - 1 {
		n += s.flip.count(bits.TrailingZeros64(b))
	}
	return n
}

// chain is one reading of eight bytes as one number: payload bit positions
// from the most significant to the least.
type chain struct {
	big  bool
	bits [64]int
}

func littleChain() (c chain) {
	for k := range c.bits {
		c.bits[k] = 63 - k
	}
	return c
}

func bigChain() (c chain) {
	c.big = true
	for k := range c.bits {
		c.bits[k] = k/8*8 + 7 - k%8
	}
	return c
}

// link is what is known of two neighbours in a chain.
type link struct {
	upper, lower int // flips of the more and the less significant bit
	carry, same  int // flips of both
}

// link returns the link between chain bits k and k+1.
func (s *flips) link(c *chain, k int) link {
	l := link{upper: s.flip.count(c.bits[k]), lower: s.flip.count(c.bits[k+1])}
	if c.big {
		at := 63 - (k + 1)
		l.carry, l.same = s.carryBig.count(at), s.sameBig.count(at)
	} else {
		at := 63 - (k + 1)
		l.carry, l.same = s.carryLittle.count(at), s.sameLittle.count(at)
	}
	return l
}
