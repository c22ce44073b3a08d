package storage

import (
	"errors"
	"math/bits"
	"slices"
)

// A column of integers is predicted one by one. What remains of each is split
// into the low bits, which are noise and are kept as they are, and a symbol of
// at most eight bits for the rest, which is what entropy coding can shorten:
//
//	rest = base + symbol<<shift + low bits
//
// Symbol 255 is an escape: the rest follows whole, elsewhere. Form, shift and
// base are chosen for each column by what it would cost.
const (
	formPlain    = iota // the number itself
	formDelta           // less the one before
	formHalf            // less the one before and half its own step
	formLine            // less the straight line through the two before
	formChange          // XOR with the one before
	formTwin            // less the same row of an earlier column of the shape
	formTwinStep        // less the one before, moved as that column moved
	formGrid            // instants: less a grid that follows them; see grid
)

const (
	escape = 255
	// Columns shorter than this do not pay for a code of their own.
	shortColumn = 48
	maxShift    = 40
)

// grid predicts the instants of a periodic frame: the next one a period after
// where the last one should have been, corrected by a part of how far it was
// off. Jitter of a single frame so costs once, where differences of
// differences would pay for it three times. After a gap it starts anew.
type grid struct {
	period int64 // in 1/256 µs
	shift  uint
	next   int64 // in 1/256 µs, from the first instant
	first  int64
}

// guess is where the next instant should be.
func (g *grid) guess() int64 { return g.first + g.next>>8 }

// follow takes how far the next instant was off.
func (g *grid) follow(off int64) {
	if off > g.period>>8 || off < -(g.period>>8) {
		g.next += off<<8 + g.period
		return
	}
	g.next += g.period + off<<8>>g.shift
}

// predictor guesses the next number of a column that is read, from the two before
// it; appendRests is its counterpart.
type predictor struct {
	form   uint8
	length uint8 // of the numbers, in bits: differences wrap around there
	a, b   uint64
	n      int
	// twin is an earlier column of the same shape; see formTwin.
	twin []uint64
}

func (p *predictor) guess() uint64 {
	switch p.form {
	case formDelta, formChange:
		return p.a
	case formHalf:
		if p.n > 1 {
			return p.a + uint64(extend(p.a-p.b, p.length)>>1)
		}
		return p.a
	case formLine:
		if p.n > 1 {
			return 2*p.a - p.b
		}
		return p.a
	case formTwin:
		return p.twin[p.n]
	case formTwinStep:
		if p.n > 0 {
			return p.a + p.twin[p.n] - p.twin[p.n-1]
		}
	}
	return 0
}

// appendRests appends what a form leaves over of each number of a column.
func appendRests(dst []int64, form, length uint8, col, twin []uint64) []int64 {
	from := len(dst)
	dst = slices.Grow(dst, len(col))[:from+len(col)]
	out := dst[from:]
	s := (64 - uint(length)) & 63
	var a, b uint64 // the one before, and the one before that
	switch form {
	case formPlain:
		for i, v := range col {
			out[i] = int64(v)
		}
	case formChange:
		for i, v := range col {
			out[i] = int64(v ^ a)
			a = v
		}
	case formHalf:
		for i, v := range col {
			out[i] = int64((v-a-uint64(int64((a-b)<<s)>>(s+1)))<<s) >> s
			if a, b = v, a; i == 0 {
				b = v // the second has no step before it
			}
		}
	case formLine:
		for i, v := range col {
			out[i] = int64((v-a-(a-b))<<s) >> s
			if a, b = v, a; i == 0 {
				b = v
			}
		}
	case formTwin:
		for i, v := range col {
			out[i] = int64((v-twin[i])<<s) >> s
		}
	case formTwinStep:
		t := twin[0]
		for i, v := range col {
			out[i] = int64((v-a-(twin[i]-t))<<s) >> s
			a, t = v, twin[i]
		}
	default: // formDelta
		for i, v := range col {
			out[i] = int64((v-a)<<s) >> s
			a = v
		}
	}
	return dst
}

// value is the number that left over rest.
func (p *predictor) value(rest int64) uint64 {
	v := uint64(rest)
	switch g := p.guess(); p.form {
	case formPlain:
	case formChange:
		v ^= g
	default:
		v += g
	}
	v = lowBits(v, p.length)
	p.a, p.b = v, p.a
	p.n++
	return v
}

// extend reads the low bits of v as a signed number.
func extend(v uint64, length uint8) int64 {
	s := 64 - uint(length)
	return int64(v<<s) >> s
}

func lowBits(v uint64, length uint8) uint64 {
	if length >= 64 {
		return v
	}
	return v & (1<<length - 1)
}

// split says how what remains is taken apart.
type split struct {
	shift uint8
	base  int64
}

// symbol returns the symbol of v, escape where it has none.
func (s split) symbol(v int64) byte {
	d := uint64(v) - uint64(s.base)
	if v < s.base || d>>s.shift >= escape {
		return escape
	}
	return byte(d >> s.shift)
}

func (s split) low(v int64) uint64 { return (uint64(v) - uint64(s.base)) & (1<<s.shift - 1) }

func (s split) join(symbol byte, low uint64) int64 {
	return int64(uint64(s.base) + uint64(symbol)<<s.shift + low)
}

// chooser works out the cheapest split of a column. All in integers, so that
// every machine chooses alike.
type chooser struct{ count [256]uint32 }

// best returns the cheapest split of the rests with a shift of from to to, and its
// cost in 1/256 bit.
func (c *chooser) best(rests []int64, from, to uint8) (split, uint64) {
	r := rangeOf(rests)
	var best split
	least := ^uint64(0)
	misses := 0
	halves := false
	for shift := min(from, r.widest()); shift <= min(to, r.widest()) && misses < 4; shift++ {
		s := r.split(shift)
		used := c.tally(rests, r, s, halves)
		halves = r.fit(shift)
		if n := c.cost(len(rests), used, s); n < least {
			best, least, misses = s, n, 0
		} else {
			misses++
		}
	}
	return best, least
}

// magnitude is about how many bits the rests have, less what they have in common: how
// far they lie from their mean.
func magnitude(rests []int64) uint64 {
	mean := int64(0)
	for _, v := range rests {
		mean += v
	}
	mean /= int64(len(rests))
	size := uint64(0)
	for _, v := range rests {
		d := v - mean
		size += uint64(bits.Len64(uint64(d ^ d>>63)))
	}
	return size
}

// restRange is where the rests of a column lie; their mean only where it is needed.
type restRange struct{ lo, hi, mean int64 }

func rangeOf(rests []int64) restRange {
	r := restRange{lo: rests[0], hi: rests[0]}
	for _, v := range rests {
		r.lo, r.hi = min(r.lo, v), max(r.hi, v)
	}
	if !r.fit(0) {
		n := int64(len(rests))
		for _, v := range rests {
			r.mean += v / n
		}
	}
	return r
}

// widest is the shift from which on one symbol holds them all.
func (r restRange) widest() uint8 {
	return min(uint8(bits.Len64(uint64(r.hi)-uint64(r.lo))), maxShift)
}

// fit reports whether all rests have a symbol with that shift.
func (r restRange) fit(shift uint8) bool { return (uint64(r.hi)-uint64(r.lo))>>shift < escape }

func (r restRange) split(shift uint8) split {
	if !r.fit(shift) {
		// Not all fit: around the mean, where most lie.
		return split{shift: shift, base: r.mean - escape/2<<shift}
	}
	return split{shift: shift, base: r.lo}
}

// tally counts the symbols that a split makes of the rests, and returns how many of
// the counts are in use. Where it halves the symbols of the split before, it needs to
// look at no rest again.
func (c *chooser) tally(rests []int64, r restRange, s split, halves bool) (used int) {
	if !r.fit(s.shift) {
		clear(c.count[:])
		for _, v := range rests {
			c.count[s.symbol(v)]++
		}
		return len(c.count)
	}
	used = int((uint64(r.hi)-uint64(r.lo))>>s.shift) + 1
	if halves {
		for i := range used {
			c.count[i] = c.count[2*i] + c.count[2*i+1]
		}
		clear(c.count[used:])
		return used
	}
	clear(c.count[:])
	for _, v := range rests {
		c.count[uint8((uint64(v)-uint64(r.lo))>>s.shift)]++
	}
	return used
}

// cost estimates what a split of n rests comes to, whose symbols are counted: the bits
// kept as they are, the symbols at their entropy, the description of their code, and
// the escapes.
func (c *chooser) cost(n, used int, s split) uint64 {
	total := uint64(n) * uint64(s.shift) << 8
	whole := uint64(log2(uint32(n)))
	kinds := uint64(0)
	for _, k := range c.count[:used] {
		if k > 0 {
			total += uint64(k) * (whole - uint64(log2(k)))
			kinds++
		}
	}
	if kinds > 1 {
		total += kinds * 5 << 8
	}
	return total + uint64(c.count[escape])*24<<8
}

// log2 is the logarithm in 1/256, straight between powers of two.
func log2(v uint32) uint32 {
	n := bits.Len32(v) - 1
	return uint32(n)<<8 + uint32((uint64(v)<<8>>n)&0xff)
}

var errColumn = errors.New("a column in it does not add up")
