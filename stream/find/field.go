package find

import (
	"encoding/binary"
	"fmt"
)

// Field is a run of bits, in the terms of definition files.
type Field struct {
	// Start counts bit 8*byte+bit: the least significant bit of little-endian
	// fields, the most significant of big-endian ones.
	Start     int  `json:"start"`
	Length    int  `json:"length"`
	BigEndian bool `json:"big_endian"`
	Signed    bool `json:"signed"`
}

// String returns the field as start|length@order and sign, as definition files
// write it.
func (f Field) String() string {
	order, sign := 1, '+'
	if f.BigEndian {
		order = 0
	}
	if f.Signed {
		sign = '-'
	}
	return fmt.Sprintf("%d|%d@%d%c", f.Start, f.Length, order, sign)
}

// run is a field as it is taken out: a shift within eight payload bytes read
// as one number. Fields across a border between eights of bytes (CAN FD only)
// are not looked for.
type run struct {
	word   int
	shift  int
	length int
	big    bool
	signed bool
}

// runOf is the run of chain bits i (most significant) to j.
func runOf(word int, c *chain, i, j int) run {
	r := run{word: word, shift: 63 - j, length: j - i + 1, big: c.big}
	if r.big && r.oneByte() {
		// Within one byte both readings are the same.
		r.big = false
		r.shift = c.bits[j]
	}
	return r
}

func (r run) oneByte() bool { return r.shift/8 == (r.shift+r.length-1)/8 }

func (r run) field() Field {
	f := Field{Length: r.length, BigEndian: r.big, Signed: r.signed}
	if !r.big {
		f.Start = r.word*64 + r.shift
		return f
	}
	top := r.shift + r.length - 1
	f.Start = r.word*64 + (7-top/8)*8 + top%8
	return f
}

func (r run) mask() uint64 {
	if r.length >= 64 {
		return ^uint64(0)
	}
	return 1<<r.length - 1
}

// bits returns the payload bits of the run within its word.
func (r run) bits() uint64 {
	m := r.mask() << r.shift
	if !r.big {
		return m
	}
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], m)
	return binary.LittleEndian.Uint64(b[:])
}

// raw takes the run out of a payload that is padded to eights of bytes.
func (r run) raw(p []byte) int64 {
	p = p[r.word*8 : r.word*8+8]
	var w uint64
	if r.big {
		w = binary.BigEndian.Uint64(p)
	} else {
		w = binary.LittleEndian.Uint64(p)
	}
	w = w >> r.shift & r.mask()
	if r.signed {
		k := 64 - r.length
		return int64(w<<k) >> k
	}
	return int64(w)
}

// runFromField is the inverse of run.field.
func runFromField(f Field) run {
	r := run{word: f.Start / 64, length: f.Length, big: f.BigEndian, signed: f.Signed}
	at := f.Start % 64
	if !f.BigEndian {
		r.shift = at
		return r
	}
	top := (7-at/8)*8 + at%8
	r.shift = top - f.Length + 1
	return r
}
