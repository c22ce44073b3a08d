package storage

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"github.com/klauspost/compress/zstd"
)

// packer compresses. Each column is flushed into a block of its own within one
// zstd frame, so that it gets its own code; runs of columns that are too short
// to pay for one share theirs.
type packer struct {
	enc  *zstd.Encoder
	out  bytes.Buffer
	work packing
}

// window bounds the memory of compressor and reader; spans are shorter.
const window = 256 << 10

func newPacker() (*packer, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithLowerEncoderMem(true),
		zstd.WithWindowSize(window), zstd.WithEncoderCRC(false), zstd.WithEncoderLevel(zstd.SpeedDefault))
	if err != nil {
		return nil, fmt.Errorf("zstd: %w", err)
	}
	p := &packer{enc: enc}
	p.work.p = p
	return p, nil
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

// minColumn is what a column must have to be worth a code of its own.
const minColumn = 96

// packing is one zstd frame in the making.
type packing struct {
	p       *packer
	waiting int
	err     error
	buf     []byte
	rest    []uint64
	best    []uint64
}

func (p *packer) begin() *packing {
	p.out.Reset()
	p.enc.Reset(&p.out)
	w := &p.work
	w.waiting, w.err = 0, nil
	return w
}

// column adds bytes that belong together.
func (w *packing) column(b []byte) {
	if w.err != nil || len(b) == 0 {
		return
	}
	if len(b) >= minColumn && w.waiting > 0 {
		w.flush()
	}
	if _, err := w.p.enc.Write(b); err != nil {
		w.err = err
		return
	}
	w.waiting += len(b)
	if w.waiting >= minColumn {
		w.flush()
	}
}

func (w *packing) flush() {
	if err := w.p.enc.Flush(); err != nil && w.err == nil {
		w.err = err
	}
	w.waiting = 0
}

func (w *packing) end() ([]byte, error) {
	if err := w.p.enc.Close(); err != nil && w.err == nil {
		w.err = err
	}
	if w.err != nil {
		return nil, fmt.Errorf("zstd: %w", w.err)
	}
	return w.p.out.Bytes(), nil
}

// integers adds a column of integers of the given length in bits, in the form
// that costs least.
func (w *packing) integers(col []uint64, length uint8) {
	best, form := ^uint64(0), uint8(0)
	for f := uint8(formPlain); f <= formChange; f++ {
		w.rest = predict(w.rest, col, f, length)
		if c := cost(w.rest); c < best {
			best, form = c, f
			w.best, w.rest = w.rest, w.best
		}
	}
	w.buf = append(w.buf[:0], form)
	w.planes(w.best)
}

// planes adds the integers byte plane by byte plane, after what is in buf.
func (w *packing) planes(col []uint64) {
	n := planesOf(col)
	w.column(append(w.buf, byte(n)))
	for p := range n {
		w.buf = w.buf[:0]
		for _, v := range col {
			w.buf = append(w.buf, byte(v>>(8*p)))
		}
		w.column(w.buf)
	}
}

// instants adds a column of instants.
func (w *packing) instants(col []uint64) {
	first := col[0]
	period := int64(0)
	if n := len(col); n > 1 {
		period = max(int64(col[n-1]-first)/int64(n-1), 0)
	}
	best, form, shift := ^uint64(0), uint8(0), uint(0)
	try := func(f uint8, s uint) {
		if c := cost(w.rest); c < best {
			best, form, shift = c, f, s
			w.best, w.rest = w.rest, w.best
		}
	}
	relative := make([]uint64, len(col))
	for i, v := range col {
		relative[i] = v - first
	}
	for f := uint8(formDelta); f <= formLine; f++ {
		w.rest = predict(w.rest, relative, f, 64)
		try(f, 0)
	}
	for s := uint(2); s < 2+gridShifts; s++ {
		g := grid{period: period, shift: s, next: int64(first)}
		w.rest = w.rest[:0]
		for _, v := range col {
			w.rest = append(w.rest, fold(g.step(int64(v))))
		}
		try(formGrid, s)
	}
	w.buf = append(w.buf[:0], form)
	if form == formGrid {
		w.buf = binary.AppendUvarint(w.buf, uint64(shift))
		w.buf = binary.AppendUvarint(w.buf, uint64(period))
	}
	w.buf = binary.AppendUvarint(w.buf, first)
	w.planes(w.best)
}

// unpacker reads what a packer made. It may be used from several goroutines.
type unpacker struct{ dec *zstd.Decoder }

func newUnpacker() (*unpacker, error) {
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxMemory(maxUnpacked))
	if err != nil {
		return nil, fmt.Errorf("zstd: %w", err)
	}
	return &unpacker{d}, nil
}

// maxUnpacked bounds what a hostile block can unfold to.
const maxUnpacked = 64 << 20

func (u *unpacker) unpack(b []byte) ([]byte, error) {
	out, err := u.dec.DecodeAll(b, nil)
	if err != nil {
		return nil, fmt.Errorf("zstd: %w", err)
	}
	return out, nil
}

// payload returns the payload of a journal block.
func (u *unpacker) payload(b block) ([]byte, error) {
	switch b.coding {
	case codedRaw:
		return b.payload, nil
	case codedZstd:
		return u.unpack(b.payload)
	}
	return nil, fmt.Errorf("coding %d is not known", b.coding)
}
