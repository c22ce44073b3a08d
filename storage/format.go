// Package storage keeps what a unit finds on a medium that may lose its power
// at any instant: events, the frames around them, and the running account of
// each drive. Nothing in it reads a clock; time comes with the frames.
package storage

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
)

// The format of the store, with a diagram of each form, is stated in FORMAT.md.
const (
	// Version is the format version that this program writes.
	Version = 3

	headerSize = 64
	blockHead  = 16
	// maxPayload bounds what a reader takes for a length.
	maxPayload = 16 << 20
	maxBootID  = 36
	// MaxFile bounds what a reader takes for a file of a store, in bytes.
	MaxFile = 64 << 20
)

var (
	fileMagic = [8]byte{0x9a, 'J', 'o', 'l', 't', 0x1a, '\r', '\n'}
	blockMark = [4]byte{0xb7, 'J', 0x1d, 0xe5}

	castagnoli = crc32.MakeTable(crc32.Castagnoli)
)

type fileKind uint8

const (
	journalFile fileKind = iota + 1
	evidenceFile
	clockFile
	headFile // see head.go
)

var fileSuffix = map[fileKind]string{journalFile: ".journal", evidenceFile: ".evidence", clockFile: ".clock"}

func (k fileKind) String() string {
	if s := fileSuffix[k]; s != "" {
		return s[1:]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// blockType says what a payload or a record in it holds. Numbers are never
// reused. A reader passes over types it does not know.
type blockType uint8

// Records of the journal. In version 1 each was a block of its own.
const (
	blockRun      blockType = iota + 1 // runRecord, first in each journal file
	blockPlan                          // stream.Plan as JSON
	blockSettings                      // the text of the vehicle file
	blockClock                         // clockRecord
	blockAccount                       // detect.Account
	blockEvent                         // eventRecord
	blockHistory                       // opaque: detect's sketches
	blockDropped                       // droppedRecord: evidence files removed
	blockThinned                       // thinnedRecord: events folded into counts
	blockRepair                        // repairRecord
	blockUsage                         // Usage
	blockTrouble                       // troubleRecord
	blockEnd                           // empty; the run ended in order
	blockLink                          // linkRecord; in evidence files a block
	blockFrames                        // framesRecord: how far evidence files go
	blockAsking                        // Asking: where nothing is asked, and why; the latest counts
)

// Blocks.
const (
	blockSpan  blockType = 32 // frames; see span.go
	blockGroup blockType = 64 // records that were written together; see group.go
	blockRest  blockType = 65 // what condensing has left of blocks; see group.go
	blockSlot  blockType = 66 // headRecord; see head.go
)

// Codings of a payload.
const (
	codedRaw  = 0
	codedZstd = 1
)

// header is what the first 64 bytes of a file say.
type header struct {
	version uint16
	kind    fileKind
	run     uint32
	part    uint32
	boot    string
}

func (h header) append(b []byte) []byte {
	at := len(b)
	b = append(b, make([]byte, headerSize)...)
	p := b[at:]
	copy(p, fileMagic[:])
	binary.LittleEndian.PutUint16(p[8:], h.version)
	p[10] = byte(h.kind)
	p[11] = byte(len(h.boot))
	binary.LittleEndian.PutUint32(p[12:], h.run)
	binary.LittleEndian.PutUint32(p[16:], h.part)
	copy(p[20:20+maxBootID], h.boot)
	binary.LittleEndian.PutUint32(p[60:], crc32.Checksum(p[:60], castagnoli))
	return b
}

var errHeader = errors.New("the header is damaged")

// parseHeader reads a header; errHeader where it is not sound.
func parseHeader(p []byte) (header, error) {
	if len(p) < headerSize || !bytes.Equal(p[:8], fileMagic[:]) ||
		binary.LittleEndian.Uint32(p[60:]) != crc32.Checksum(p[:60], castagnoli) || p[11] > maxBootID {
		return header{}, errHeader
	}
	return header{
		version: binary.LittleEndian.Uint16(p[8:]),
		kind:    fileKind(p[10]),
		run:     binary.LittleEndian.Uint32(p[12:]),
		part:    binary.LittleEndian.Uint32(p[16:]),
		boot:    string(p[20 : 20+int(p[11])]),
	}, nil
}

// block is one block as it stands in a file.
type block struct {
	typ     blockType
	coding  uint8
	number  uint16
	offset  int64
	payload []byte // as stored
}

// appendBlock appends a whole block to b.
func appendBlock(b []byte, typ blockType, coding uint8, number uint16, payload []byte) []byte {
	at := len(b)
	b = append(b, blockMark[:]...)
	b = append(b, byte(typ), coding)
	b = binary.LittleEndian.AppendUint16(b, number)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(payload)))
	crc := crc32.Update(crc32.Checksum(b[at+4:at+12], castagnoli), castagnoli, payload)
	b = binary.LittleEndian.AppendUint32(b, crc)
	return append(b, payload...)
}

// parseBlock reads the block at the start of p; n is its whole length, 0 where
// there is no sound block.
func parseBlock(p []byte) (b block, n int) {
	if len(p) < blockHead || !bytes.Equal(p[:4], blockMark[:]) {
		return block{}, 0
	}
	length := binary.LittleEndian.Uint32(p[8:])
	if length > maxPayload || int(length) > len(p)-blockHead {
		return block{}, 0
	}
	n = blockHead + int(length)
	payload := p[blockHead:n]
	if binary.LittleEndian.Uint32(p[12:]) != crc32.Update(crc32.Checksum(p[4:12], castagnoli), castagnoli, payload) {
		return block{}, 0
	}
	return block{typ: blockType(p[4]), coding: p[5], number: binary.LittleEndian.Uint16(p[6:]), payload: payload}, n
}

// Damage is a run of bytes of a file that could not be read.
type Damage struct {
	File   string `json:"file"`
	Offset int64  `json:"offset"`
	Length int64  `json:"length"`
	What   string `json:"what"`
	// Tail is true where nothing sound follows, as a cut of the power leaves
	// it.
	Tail bool `json:"tail,omitempty"`
}

func (d Damage) Error() string {
	return fmt.Sprintf("%s: offset %d: %s", d.File, d.Offset, d.What)
}

// NewerError refuses a file that a later version of the program wrote.
type NewerError struct {
	File    string
	Version uint16
}

func (e *NewerError) Error() string {
	return fmt.Sprintf("%s: written in format version %d; this program reads up to version %d: use a newer one", e.File, e.Version, Version)
}

// parsed is what could be read of one file.
type parsed struct {
	header   header
	headerOK bool
	blocks   []block
	damage   []Damage
	// sound is the length of the file up to the end of its last sound block.
	sound int64
	size  int64
	// chain is how far the chain is after each block.
	chain []chained
}

// chained is how far a chain has come: blocks so far, and the sum over them.
type chained struct {
	blocks uint32
	sum    uint64
}

// chainFrom begins the chain of a file: its header says which one it is. The
// version is not part of it, so that a file can be condensed by a later one.
func chainFrom(h header) chained {
	h.version = 0
	return chained{sum: sumOf(0, h.append(nil))}
}

// sumOf is the first 63 bits of SHA-256 (FIPS 180-4) over the sum so far and
// the bytes of a block: what damage or another file would have in common with
// it by accident once in 10^18.
func sumOf(sum uint64, block []byte) uint64 {
	h := sha256.New()
	h.Write(binary.LittleEndian.AppendUint64(nil, sum)) //nolint:errcheck // of a hash
	h.Write(block)                                      //nolint:errcheck // of a hash
	return binary.LittleEndian.Uint64(h.Sum(nil)) >> 1
}

// next is the chain after one more block, as it stands in the file.
func (c chained) next(b block, whole []byte) chained {
	if b.typ == blockRest {
		if r, ok := parseRest(b.payload); ok {
			return chained{c.blocks + r.blocks, r.sum}
		}
	}
	return chained{c.blocks + 1, sumOf(c.sum, whole)}
}

// parseFile reads a whole file. The error is a NewerError or nil: damage is
// reported in the result.
func parseFile(name string, data []byte) (parsed, error) {
	p := parsed{size: int64(len(data))}
	search := newSearch(data)
	var link chained
	h, err := parseHeader(data)
	switch {
	case err == nil && h.version > Version:
		return p, &NewerError{File: name, Version: h.version}
	case err == nil:
		p.header, p.headerOK, p.sound = h, true, headerSize
		link = chainFrom(h)
	default:
		length := min(int64(len(data)), headerSize)
		p.damage = append(p.damage, Damage{File: name, Offset: 0, Length: length, What: "the header is not sound"})
	}
	at := min(headerSize, len(data))
	for at < len(data) {
		b, n := parseBlock(data[at:])
		if n == 0 {
			from := at
			at = search.next(at + 1)
			p.damage = append(p.damage, Damage{
				File: name, Offset: int64(from), Length: int64(at - from),
				What: fmt.Sprintf("%d bytes are not sound", at-from), Tail: at == len(data),
			})
			continue
		}
		b.offset = int64(at)
		link = link.next(b, data[at:at+n])
		at += n
		p.blocks, p.chain = append(p.blocks, b), append(p.chain, link)
		p.sound = int64(at)
	}
	if !p.headerOK && len(p.blocks) == 0 && len(p.damage) > 0 {
		// Nothing sound at all: one piece of damage, a torn beginning.
		p.damage = []Damage{{File: name, Length: int64(len(data)), What: "nothing in it is sound", Tail: true}}
	}
	return p, nil
}

// search looks for sound blocks in what is not sound. What looks like a block
// and is none costs a sum over its bytes; as many as there are in the file,
// some times over, are summed and then no more is looked for, so that the time
// is linear in the size of the file whatever is in it.
type search struct {
	data []byte
	left int
}

func newSearch(data []byte) *search { return &search{data, 16*len(data) + maxPayload} }

// next returns where the next sound block begins, from at on, or len(data).
func (s *search) next(at int) int {
	for at < len(s.data) && s.left > 0 {
		i := bytes.Index(s.data[at:], blockMark[:])
		if i < 0 {
			break
		}
		at += i
		if _, n := parseBlock(s.data[at:]); n > 0 {
			return at
		}
		if len(s.data)-at >= blockHead {
			s.left -= min(int(binary.LittleEndian.Uint32(s.data[at+8:])), len(s.data)-at)
		}
		at++
	}
	return len(s.data)
}

// fileName returns the name of a file of the store.
func fileName(kind fileKind, run, part uint32) string {
	return fmt.Sprintf("%06d-%03d%s", run, part, fileSuffix[kind])
}

// parseName is the reverse of fileName; ok is false for any other name.
func parseName(name string) (kind fileKind, run, part uint32, ok bool) {
	var suffix string
	if n, err := fmt.Sscanf(name, "%d-%d%s", &run, &part, &suffix); err != nil || n != 3 {
		return 0, 0, 0, false
	}
	for kind := journalFile; kind <= clockFile; kind++ {
		if fileName(kind, run, part) == name {
			return kind, run, part, true
		}
	}
	return 0, 0, 0, false
}
