package storage

import (
	"encoding/binary"
	"math"

	"joltwatch/bus"
)

// ring is the look-back: the latest frames in a fixed amount of memory. A
// classical frame takes three words of eight bytes (instant; identifier and
// kind; data), so that a budget buys three times what plain bus.Frames would;
// frames with more take more.
type ring struct {
	words []uint64
	head  int // where the oldest frame begins
	used  int // words in use
	first uint64
	end   uint64 // frames ever added; the ring holds [first, end)
	// blocks index the ring, for each indexEvery frames by ordinal where the
	// first begins and the latest instant among them, so that nothing walks from
	// the oldest frame on.
	blocks []ringBlock
	newest *ringBlock // of them, that of the latest frame
}

type ringBlock struct {
	at    int
	until bus.Micros
}

// indexEvery is how many frames one entry of the index covers.
const indexEvery = 256

// bytesPerFrame is what a classical frame takes in the ring.
const bytesPerFrame = 24

func newRing(bytes int64) *ring {
	words := max(bytes/8, 64)
	// Frames take two words at least; those at both ends share their blocks with
	// frames that are gone or to come.
	return &ring{words: make([]uint64, words), blocks: make([]ringBlock, words/2/indexEvery+3)}
}

// block is the index entry of the frame with this ordinal.
func (r *ring) block(ordinal uint64) *ringBlock {
	return &r.blocks[ordinal/indexEvery%uint64(len(r.blocks))]
}

// The second word of a frame: 32 bits of identifier, 8 of bus, 7 of length, 4
// of kind, 4 of flags, and one that says that a word with Early follows.
const earlyBit = 1 << 63

func packMeta(f *bus.Frame) uint64 {
	m := uint64(f.ID) | uint64(f.Bus)<<32 | uint64(f.Len&0x7f)<<40 | uint64(f.Kind&0xf)<<47 | uint64(f.Flags&0xf)<<51
	if f.Early != 0 {
		m |= earlyBit
	}
	return m
}

// carried is how many bytes of Data a frame of this kind and length has.
func carried(kind bus.Kind, length uint8) int {
	switch kind {
	case bus.Remote:
		return 0
	case bus.Error:
		return 8
	}
	return min(int(length), 64)
}

func wordsOf(meta uint64) int {
	n := 2 + (carried(bus.Kind(meta>>47&0xf), uint8(meta>>40&0x7f))+7)/8
	if meta&earlyBit != 0 {
		n++
	}
	return n
}

// push adds a frame, at the cost of the oldest where there is no room.
func (r *ring) push(f *bus.Frame) {
	meta := packMeta(f)
	usual := f.Kind == bus.Data && f.Len-1 < 8 && f.Early == 0 // nearly all are
	n := 3
	if !usual {
		n = wordsOf(meta)
	}
	for r.used+n > len(r.words) {
		r.drop()
	}
	at := r.head + r.used
	if at >= len(r.words) {
		at -= len(r.words)
	}
	if r.end%indexEvery == 0 {
		r.newest = r.block(r.end)
		*r.newest = ringBlock{at, f.At}
	}
	if f.At > r.newest.until {
		r.newest.until = f.At
	}
	r.end++
	r.used += n
	if words := r.words; usual && at+2 < len(words) && at >= 0 {
		words[at], words[at+1], words[at+2] = uint64(f.At), meta, binary.LittleEndian.Uint64(f.Data[:8])&(math.MaxUint64>>((64-8*f.Len)&63))
		return
	}
	r.put(at, meta, f)
}

// put writes any frame.
func (r *ring) put(at int, meta uint64, f *bus.Frame) {
	r.set(at, uint64(f.At))
	r.set(at+1, meta)
	at += 2
	if meta&earlyBit != 0 {
		r.set(at, uint64(f.Early))
		at++
	}
	c := carried(f.Kind, f.Len)
	for i := 0; i < c; i += 8 {
		r.set(at, dataWord(f, i, c))
		at++
	}
}

// dataWord is eight bytes of data from i on, of c that the frame carries.
func dataWord(f *bus.Frame, i, c int) uint64 {
	w := binary.LittleEndian.Uint64(f.Data[i : i+8])
	if c-i < 8 {
		w &= 1<<(8*uint(c-i)) - 1
	}
	return w
}

func (r *ring) set(at int, w uint64) {
	if at >= len(r.words) {
		at -= len(r.words)
	}
	r.words[at] = w
}

func (r *ring) get(at int) uint64 {
	if at >= len(r.words) {
		at -= len(r.words)
	}
	return r.words[at]
}

func (r *ring) drop() {
	n := wordsOf(r.get(r.head + 1))
	r.head += n
	if r.head >= len(r.words) {
		r.head -= len(r.words)
	}
	r.used -= n
	r.first++
}

// cursor walks the ring from the oldest frame.
type cursor struct {
	r       *ring
	at      int
	ordinal uint64
}

func (r *ring) oldest() cursor { return cursor{r: r, at: r.head, ordinal: r.first} }

func (c *cursor) more() bool { return c.ordinal < c.r.end }

func (c *cursor) instant() bus.Micros { return bus.Micros(c.r.get(c.at)) }

func (c *cursor) skip() {
	c.at += wordsOf(c.r.get(c.at + 1))
	if c.at >= len(c.r.words) {
		c.at -= len(c.r.words)
	}
	c.ordinal++
}

// next fills f with the frame and goes on to the one after it.
func (c *cursor) next(f *bus.Frame) {
	meta := c.r.get(c.at + 1)
	*f = bus.Frame{
		At: c.instant(), ID: uint32(meta), Bus: uint8(meta >> 32), Len: uint8(meta >> 40 & 0x7f),
		Kind: bus.Kind(meta >> 47 & 0xf), Flags: bus.Flags(meta >> 51 & 0xf),
	}
	at := c.at + 2
	if meta&earlyBit != 0 {
		f.Early = uint32(c.r.get(at))
		at++
	}
	for i := 0; i < carried(f.Kind, f.Len); i += 8 {
		binary.LittleEndian.PutUint64(f.Data[i:i+8], c.r.get(at))
		at++
	}
	c.skip()
}

// from is a cursor at the frame with this ordinal, or the oldest after it that is
// kept.
func (r *ring) from(ordinal uint64) cursor {
	if ordinal >= r.end {
		return cursor{r: r, ordinal: r.end}
	}
	c := r.oldest()
	if start := ordinal - ordinal%indexEvery; start > r.first {
		c.at, c.ordinal = r.block(start).at, start
	}
	for c.more() && c.ordinal < ordinal {
		c.skip()
	}
	return c
}

// since returns a cursor at the oldest frame kept that is at or after the instant.
func (r *ring) since(from bus.Micros) cursor {
	c := r.oldest()
	for c.more() && r.block(c.ordinal).until < from {
		c.ordinal += indexEvery - c.ordinal%indexEvery
	}
	c = r.from(c.ordinal)
	for c.more() && c.instant() < from {
		c.skip()
	}
	return c
}

// frames appends the frames of [from, to) by ordinal, as far as they are still
// kept.
func (r *ring) frames(dst []bus.Frame, from, to uint64) []bus.Frame {
	for c := r.from(from); c.more() && c.ordinal < to; {
		dst = append(dst, bus.Frame{})
		c.next(&dst[len(dst)-1])
	}
	return dst
}
