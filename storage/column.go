package storage

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

// A column of integers is predicted one by one and what remains of each is
// written byte by byte: all lowest bytes, then all next ones, so that the
// compressor meets bytes of one kind together. A column begins with
//
//	form     1 byte, how the integers are predicted
//	planes   1 byte, how many bytes are kept of each
//
// and columns of instants go on with the period where the form has one. What
// remains is folded so that small negative numbers are small (0, -1, 1, -2 …).
const (
	formPlain   = iota // the number itself, not folded
	formDelta          // less the one before
	formLine           // less the straight line through the two before
	formChange         // XOR with the one before, not folded
	formGrid           // instants: less a grid that follows them; see grid
	formLast    = formGrid
	gridShifts  = 3 // grids follow by 1/4, 1/8, 1/16 of the difference
	gridDefault = 2
)

// grid predicts the instants of a periodic frame: the next one a period after
// where the last one should have been, corrected by a part of how far it was
// off. Jitter of a single frame so costs once, where differences of
// differences would pay for it three times. After a gap it starts anew.
type grid struct {
	period int64
	shift  uint
	next   int64
}

// step takes an instant and returns how far it was off.
func (g *grid) step(at int64) int64 {
	off := at - g.next
	g.follow(at, off)
	return off
}

func (g *grid) follow(at, off int64) {
	if off > g.period || off < -g.period {
		g.next = at + g.period
		return
	}
	g.next += g.period + off>>g.shift
}

func fold(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unfold(v uint64) int64 { return int64(v>>1) ^ -int64(v&1) }

// extendTo reads the low bits of v as a signed number, so that differences of
// short fields wrap around where the field does.
func extendTo(v uint64, length uint8) int64 {
	s := 64 - uint(length)
	return int64(v<<s) >> s
}

func lowBits(v uint64, length uint8) uint64 {
	if length >= 64 {
		return v
	}
	return v & (1<<length - 1)
}

// predict fills out with what remains of col in the given form.
func predict(out, col []uint64, form uint8, length uint8) []uint64 {
	out = out[:0]
	var a, b uint64 // the one before, and the one before that
	for i, v := range col {
		switch form {
		case formPlain:
			out = append(out, v)
		case formDelta:
			out = append(out, lowBits(fold(extendTo(v-a, length)), length))
		case formLine:
			line := 2*a - b
			if i < 2 {
				line = a
			}
			out = append(out, lowBits(fold(extendTo(v-line, length)), length))
		case formChange:
			out = append(out, v^a)
		}
		a, b = v, a
	}
	return out
}

// restore undoes predict, in place.
func restore(col []uint64, form uint8, length uint8) {
	var a, b uint64
	for i, v := range col {
		switch form {
		case formDelta:
			v = lowBits(a+uint64(unfold(v)), length)
		case formLine:
			line := 2*a - b
			if i < 2 {
				line = a
			}
			v = lowBits(line+uint64(unfold(v)), length)
		case formChange:
			v ^= a
		}
		col[i] = v
		a, b = v, a
	}
}

// planesOf is how many bytes the largest number takes, at least one.
func planesOf(col []uint64) int {
	var all uint64
	for _, v := range col {
		all |= v
	}
	return max(1, (bits.Len64(all)+7)/8)
}

// cost estimates the bits that a compressor with one code per plane needs, in
// 1/256 bit. Only integers are used, so that every machine chooses alike.
func cost(col []uint64) uint64 {
	var total uint64
	for p := range planesOf(col) {
		var count [256]uint32
		for _, v := range col {
			count[byte(v>>(8*p))]++
		}
		n := log2(uint32(len(col)))
		for _, c := range count {
			if c > 0 {
				total += uint64(c) * uint64(n-log2(c))
			}
		}
	}
	return total
}

// log2 is the logarithm in 1/256, straight between powers of two.
func log2(v uint32) uint32 {
	n := bits.Len32(v) - 1
	return uint32(n)<<8 + uint32((uint64(v)<<8>>n)&0xff)
}

// columnReader takes columns apart. It remembers the first error and returns
// zeros afterwards.
type columnReader struct {
	b   []byte
	err error
}

var errColumn = errors.New("a column in it does not add up")

func (r *columnReader) fail() {
	if r.err == nil {
		r.err = errColumn
	}
	r.b = nil
}

func (r *columnReader) uvarint(limit uint64) uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 || v > limit {
		r.fail()
		return 0
	}
	r.b = r.b[n:]
	return v
}

// count reads a number from 0 to limit.
func (r *columnReader) count(limit int) int {
	if limit < 0 {
		r.fail()
		return 0
	}
	return int(r.uvarint(uint64(limit)))
}

func (r *columnReader) take(n int) []byte {
	if n > len(r.b) {
		r.fail()
		return nil
	}
	p := r.b[:n]
	r.b = r.b[n:]
	return p
}

func (r *columnReader) planes(n int) []uint64 {
	p := r.count(8)
	bytes := r.take(n * p)
	if r.err != nil || p == 0 {
		r.fail()
		return nil
	}
	col := make([]uint64, n)
	for i, v := range bytes {
		col[i%n] |= uint64(v) << (8 * (i / n))
	}
	return col
}

// integers reads a column of n integers of the given length in bits.
func (r *columnReader) integers(n int, length uint8) []uint64 {
	if n == 0 {
		return nil
	}
	form := uint8(r.count(formChange))
	col := r.planes(n)
	restore(col, form, length)
	for i := range col {
		col[i] = lowBits(col[i], length)
	}
	return col
}

// instants reads a column of n instants.
func (r *columnReader) instants(n int) []uint64 {
	if n == 0 {
		return nil
	}
	form := uint8(r.count(formLast))
	var g grid
	if form == formGrid {
		g.shift = uint(r.count(63))
		g.period = int64(r.uvarint(1<<63 - 1))
	}
	first := r.uvarint(1<<64 - 1)
	col := r.planes(n)
	if r.err != nil {
		return nil
	}
	if form != formGrid {
		restore(col, form, 64)
		for i := range col {
			col[i] += first
		}
		return col
	}
	g.next = int64(first)
	for i, v := range col {
		off := unfold(v)
		at := g.next + off
		col[i] = uint64(at)
		g.follow(at, off)
	}
	return col
}
