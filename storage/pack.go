package storage

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"github.com/klauspost/compress/fse"
	"github.com/klauspost/compress/zstd"
)

// The body of a span has two parts. The first, one zstd frame, holds the
// description, the parameters of the columns, and columns too short for more;
// the second holds symbols and low bits:
//
//	length of the zstd frame, unsigned varint
//	the zstd frame
//	for each column of some length: coded symbols, then low bits packed from
//	the least significant bit of each byte on
//
// A column is described, in the first part, by form, shift (varints), base
// (signed varint), number of escapes, the escaped rests (signed varints), and,
// where it has some length, the coding of its symbols and their coded length. A
// short column goes on with its symbols and low bits there and then. Where the
// form takes a twin, which one follows the form: those of the shape's
// earlier columns that have the same number of bits are counted from 0.
//
// Columns of instants have after the form, where it is the grid, its shift and
// its period in 1/256 µs (unsigned varints), and always the first instant.
const (
	symbolsPlain    = iota // as they are
	symbolsConstant        // one byte for all
	symbolsEntropy         // tabled asymmetric numeral system (the library's fse)
	symbolsZstd            // one zstd frame, where they repeat
)

// packer compresses, with the zstd library's coders.
type packer struct {
	enc         *zstd.Encoder
	fse         fse.Scratch
	choose      chooser
	parser      nodeParser // of the journal's records
	text        []byte     // the first part of a body, before compression
	blob        []byte     // the second part
	ways        []attempt
	rests, best []int64 // what the way under trial leaves over, and the best so far
	symbols     []byte
	scratch     []byte
}

// window bounds the memory of compressor and reader.
const window = 256 << 10

func newPacker() (*packer, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithLowerEncoderMem(true),
		zstd.WithWindowSize(window), zstd.WithEncoderCRC(false), zstd.WithEncoderLevel(zstd.SpeedDefault))
	if err != nil {
		return nil, fmt.Errorf("zstd: %w", err)
	}
	return &packer{enc: enc}, nil
}

// record compresses a record of the journal where that makes it shorter.
func (p *packer) record(payload []byte) (coding uint8, out []byte) {
	if len(payload) < 128 {
		return codedRaw, payload
	}
	if z := p.enc.EncodeAll(payload, nil); len(z) < len(payload) {
		return codedZstd, z
	}
	return codedRaw, payload
}

// begin starts a body with its description.
func (p *packer) begin(description []byte) {
	p.text = append(p.text[:0], description...)
	p.blob = p.blob[:0]
}

// end appends the body to dst.
func (p *packer) end(dst []byte) []byte {
	p.scratch = p.enc.EncodeAll(p.text, p.scratch[:0])
	dst = slices.Grow(dst, binary.MaxVarintLen32+len(p.scratch)+len(p.blob))
	dst = binary.AppendUvarint(dst, uint64(len(p.scratch)))
	dst = append(dst, p.scratch...)
	return append(dst, p.blob...)
}

// attempt is one way to code a column.
type attempt struct {
	form uint8
	twin int   // of formTwin and formTwinStep
	grid uint8 // of formGrid: how fast it follows
}

// habit is how a column was coded in the last spans: what a signal does hardly
// changes from one to the next.
type habit struct {
	last  attempt
	shift uint8
	spans uint8
}

// learning is for how many spans all ways to code a column are looked into.
const learning = 3

// glance is how many numbers of a column show which way leaves the smallest over.
const glance = 64

// pick chooses among p.ways to code a column of n numbers; rests appends what one
// leaves over of the first so many. That of the one chosen is in p.best then. Once the
// column has a habit only that is looked into, and the way that leaves the smallest
// over at a glance.
func (p *packer) pick(h *habit, n int, rests func(dst []int64, w attempt, n int) []int64) (attempt, split) {
	least := ^uint64(0)
	var best attempt
	var how split
	try := func(way attempt, from, to uint8) {
		if s, c := p.choose.best(p.rests, from, to); c < least {
			least, best, how = c, way, s
			p.best, p.rests = p.rests, p.best
		}
	}
	if h.spans < learning {
		for _, way := range p.ways {
			p.rests = rests(p.rests[:0], way, n)
			try(way, 0, maxShift)
		}
	} else {
		usual := ^uint64(0) // about what the way of the last span leaves over
		if slices.Contains(p.ways, h.last) {
			p.rests = rests(p.rests[:0], h.last, n)
			try(h.last, max(h.shift, 1)-1, h.shift+2)
			usual = magnitude(p.best[:min(n, glance)])
		}
		size, smallest := usual, attempt{}
		for _, way := range p.ways {
			if way == h.last || size == 0 {
				continue
			}
			p.rests = rests(p.rests[:0], way, min(n, glance))
			if m := magnitude(p.rests); m < size {
				size, smallest = m, way
			}
		}
		if size < usual {
			p.rests = rests(p.rests[:0], smallest, n)
			try(smallest, 0, maxShift)
		}
	}
	h.last, h.shift, h.spans = best, how.shift, min(h.spans+1, learning)
	return best, how
}

// integers adds a column of integers of the given length in bits, in the form
// that costs least; twins are the earlier columns of the shape of that length.
func (p *packer) integers(h *habit, col []uint64, length uint8, twins [][]uint64) {
	p.ways = p.ways[:0]
	for f := uint8(formPlain); f <= formChange; f++ {
		p.ways = append(p.ways, attempt{form: f})
	}
	for t := range twins {
		p.ways = append(p.ways, attempt{form: formTwin, twin: t}, attempt{form: formTwinStep, twin: t})
	}
	way, how := p.pick(h, len(col), func(dst []int64, w attempt, n int) []int64 {
		var twin []uint64
		if w.form >= formTwin {
			twin = twins[w.twin]
		}
		return appendRests(dst, w.form, length, col[:n], twin)
	})
	p.text = append(p.text, way.form)
	if way.form >= formTwin {
		p.text = binary.AppendUvarint(p.text, uint64(way.twin))
	}
	p.column(p.best, how)
}

// instants adds a column of instants.
func (p *packer) instants(h *habit, col []uint64) {
	first := col[0]
	period := int64(0)
	if n := len(col); n > 1 {
		period = max(int64(col[n-1]-first)<<8/int64(n-1), 0)
	}
	for i := range col {
		col[i] -= first
	}
	p.ways = append(p.ways[:0], attempt{form: formDelta}, attempt{form: formLine})
	for follows := uint8(2); follows <= 5; follows++ {
		p.ways = append(p.ways, attempt{form: formGrid, grid: follows})
	}
	way, how := p.pick(h, len(col), func(dst []int64, w attempt, n int) []int64 {
		if w.form != formGrid {
			return appendRests(dst, w.form, 64, col[:n], nil)
		}
		g := grid{period: period, shift: uint(w.grid)}
		for _, v := range col[:n] {
			off := int64(v) - g.guess()
			g.follow(off)
			dst = append(dst, off)
		}
		return dst
	})
	p.text = append(p.text, way.form)
	if way.form == formGrid {
		p.text = append(p.text, way.grid)
		p.text = binary.AppendUvarint(p.text, uint64(period))
	}
	p.text = binary.AppendUvarint(p.text, first)
	p.column(p.best, how)
}

// column adds what remains of a column.
func (p *packer) column(rests []int64, s split) {
	p.text = append(p.text, s.shift)
	p.text = binary.AppendVarint(p.text, s.base)
	p.symbols = slices.Grow(p.symbols[:0], len(rests))[:len(rests)]
	symbols := p.symbols
	escapes := 0
	for i, v := range rests {
		symbols[i] = s.symbol(v)
		if symbols[i] == escape {
			escapes++
		}
	}
	p.text = binary.AppendUvarint(p.text, uint64(escapes))
	if escapes > 0 {
		for i, v := range rests {
			if symbols[i] == escape {
				p.text = binary.AppendVarint(p.text, v)
			}
		}
	}
	to := &p.blob
	if len(rests) < shortColumn {
		to = &p.text
		p.text = append(p.text, p.symbols...)
	} else {
		coding, coded := p.code(p.symbols)
		p.text = append(p.text, coding)
		p.text = binary.AppendUvarint(p.text, uint64(len(coded)))
		p.blob = append(p.blob, coded...)
	}
	if s.shift == 0 {
		return
	}
	var acc uint64
	var n uint
	out := *to
	for i, v := range rests {
		if symbols[i] == escape {
			continue
		}
		acc |= s.low(v) << (n & 63) // seven bits and maxShift at most
		for n += uint(s.shift); n >= 8; n -= 8 {
			out = append(out, byte(acc))
			acc >>= 8
		}
	}
	if n > 0 {
		out = append(out, byte(acc))
	}
	*to = out
}

// code returns the shortest coding of the symbols.
func (p *packer) code(symbols []byte) (coding uint8, coded []byte) {
	constant := true
	for _, s := range symbols[1:] {
		constant = constant && s == symbols[0]
	}
	if constant {
		return symbolsConstant, symbols[:1]
	}
	coding, coded = symbolsPlain, symbols
	if out, err := fse.Compress(symbols, &p.fse); err == nil && len(out) < len(coded) {
		coding, coded = symbolsEntropy, out
	}
	p.scratch = p.enc.EncodeAll(symbols, p.scratch[:0])
	if len(p.scratch) < len(coded) {
		coding, coded = symbolsZstd, p.scratch
	}
	return coding, coded
}

// unpacker reads what a packer made, from one goroutine. Everything that is
// unfolded counts against its budget.
type unpacker struct {
	dec *zstd.Decoder
	fse fse.Scratch
	budget
}

// budget bounds what reading unfolds, by the bytes that are read: what a
// program of ours writes stays far below it, and what was made to be large
// costs no more than a file of its size may.
type budget struct {
	// bytes of records and bits of columns that may still come.
	bytes, bits int64
}

// newBudget is that of reading files of so many bytes together.
func newBudget(size int64) budget {
	return budget{bytes: 4<<20 + 16*size, bits: 64<<20 + 448*size}
}

var errBudget = errors.New("unfolds to far more than a recording of its size holds")

// spend counts bytes of records.
func (b *budget) spend(n int) error { return spent(&b.bytes, int64(n)) }

func spent(left *int64, n int64) error {
	if *left -= n; *left < 0 {
		return errBudget
	}
	return nil
}

// newUnpacker makes one for files of so many bytes together.
func newUnpacker(size int64) (*unpacker, error) {
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxMemory(maxUnpacked))
	if err != nil {
		return nil, fmt.Errorf("zstd: %w", err)
	}
	return &unpacker{dec: d, budget: newBudget(size)}, nil
}

// maxUnpacked bounds what a block can unfold to.
const maxUnpacked = 16 << 20

func (u *unpacker) unpack(b []byte) ([]byte, error) {
	var h zstd.Header
	if err := h.Decode(b); err != nil {
		return nil, fmt.Errorf("zstd: %w", err)
	}
	// Short frames do not state their size.
	size := uint64(256)
	if h.HasFCS {
		size = h.FrameContentSize
	}
	if size > maxUnpacked || u.bytes < int64(size) {
		return nil, errBudget
	}
	out, err := u.dec.DecodeAll(b, make([]byte, 0, size))
	if err != nil {
		return nil, fmt.Errorf("zstd: %w", err)
	}
	return out, u.spend(len(out))
}

// payload undoes packer.record.
func (u *unpacker) payload(coding uint8, b []byte) ([]byte, error) {
	switch coding {
	case codedRaw:
		return b, nil
	case codedZstd:
		return u.unpack(b)
	}
	return nil, fmt.Errorf("coding %d is not known", coding)
}

// body takes the body of a span apart.
func (u *unpacker) body(b []byte) (*columnReader, error) {
	r := &columnReader{reader: reader{in: b, bad: errColumn}, u: u}
	z := r.take(r.count(len(b)))
	if r.err != nil {
		return nil, r.err
	}
	blob := r.in
	text, err := u.unpack(z)
	if err != nil {
		return nil, err
	}
	r.in, r.blob = text, blob
	return r, nil
}

// columnReader reads columns: numbers, and after them what is no text.
type columnReader struct {
	reader
	u    *unpacker
	blob []byte
}

func (r *columnReader) take(n int) []byte { return r.cut(&r.in, n) }

func (r *columnReader) cut(from *[]byte, n int) []byte {
	if n > len(*from) {
		r.fail()
		return nil
	}
	p := (*from)[:n]
	*from = (*from)[n:]
	return p
}

// rests reads what remains of a column of n.
func (r *columnReader) rests(n int) []int64 {
	s := split{shift: uint8(r.count(maxShift)), base: r.varint()}
	escapes := make([]int64, 0, 8)
	for range r.count(n) {
		escapes = append(escapes, r.varint())
		if r.err != nil {
			return nil
		}
	}
	from := &r.in
	var symbols []byte
	if n < shortColumn {
		symbols = r.take(n)
	} else {
		from = &r.blob
		coding := r.count(symbolsZstd)
		coded := r.cut(from, r.count(len(r.blob)))
		symbols = r.symbols(coding, coded, n)
	}
	if r.err != nil {
		return nil
	}
	plain := 0
	for _, x := range symbols {
		if x != escape {
			plain++
		}
	}
	if n-plain != len(escapes) {
		r.fail()
		return nil
	}
	low := r.cut(from, (plain*int(s.shift)+7)/8)
	if r.err != nil {
		return nil
	}
	out := make([]int64, n)
	at := uint(0)
	for i, x := range symbols {
		if x == escape {
			out[i] = escapes[0]
			escapes = escapes[1:]
			continue
		}
		var v uint64
		for got := uint(0); got < uint(s.shift); {
			take := min(uint(s.shift)-got, 8-at&7)
			v |= (uint64(low[at>>3]) >> (at & 7) & (1<<take - 1)) << got
			got += take
			at += take
		}
		out[i] = s.join(x, v)
	}
	return out
}

func (r *columnReader) symbols(coding int, coded []byte, n int) []byte {
	var out []byte
	var err error
	switch coding {
	case symbolsPlain:
		out = coded
	case symbolsConstant:
		if len(coded) == 1 {
			out = make([]byte, n)
			for i := range out {
				out[i] = coded[0]
			}
		}
	case symbolsEntropy:
		r.u.fse.DecompressLimit = n
		out, err = fse.Decompress(coded, &r.u.fse)
	case symbolsZstd:
		out, err = r.u.unpack(coded)
	}
	if err != nil || len(out) != n {
		r.fail()
		return nil
	}
	return out
}

// integers reads a column of n integers of the given length in bits.
func (r *columnReader) integers(n int, length uint8, twins [][]uint64) []uint64 {
	if n == 0 {
		return nil
	}
	p := predictor{form: uint8(r.count(formTwinStep)), length: length}
	if p.form >= formTwin {
		t := r.count(len(twins) - 1)
		if r.err != nil {
			return nil
		}
		p.twin = twins[t]
	}
	rests := r.rests(n)
	out := make([]uint64, len(rests))
	for i, v := range rests {
		out[i] = p.value(v)
	}
	return out
}

// instants reads a column of n instants.
func (r *columnReader) instants(n int) []uint64 {
	if n == 0 {
		return nil
	}
	form := uint8(r.count(formGrid))
	var g grid
	if form == formGrid {
		g.shift = uint(r.count(63))
		g.period = int64(r.uvarint(1<<63 - 1))
	}
	first := r.uvarint(1<<64 - 1)
	g.first = int64(first)
	rests := r.rests(n)
	out := make([]uint64, len(rests))
	p := predictor{form: form, length: 64}
	for i, v := range rests {
		if form == formGrid {
			out[i] = uint64(g.guess() + v)
			g.follow(v)
			continue
		}
		out[i] = first + p.value(v)
	}
	return out
}
