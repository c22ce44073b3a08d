// Package storage keeps what a unit finds on a medium that may lose its power
// at any instant: events, the frames around them, and the running account of
// each drive. Nothing in it reads a clock; time comes with the frames.
package storage

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
)

// The store is one folder (mode 0700) of files (mode 0600), all in one format;
// where a group may read it (Options.GroupRead), 0750 and 0640.
// Integers are little-endian.
//
// A run is one start of the program. Runs are numbered from 1; the files of a
// run are named by its number and counted from 1 by part:
//
//	000012-001.journal   what happened: see the record types
//	000012-003.evidence  frames around events
//	000013-001.clock     wall time told from outside: see SetStayClock
//	lock                 empty; held while a run writes
//
// A file is a header and blocks, only ever appended to, until it is removed as
// a whole or replaced as a whole by rename.
//
// Header, 64 bytes; its layout is the same in all versions:
//
//	 0  8  magic
//	 8  2  format version
//	10  1  kind of file
//	11  1  length of the boot identifier
//	12  4  number of the run
//	16  4  part
//	20 36  boot identifier, padded with zeros
//	56  4  zero
//	60  4  CRC-32C of bytes 0…59
//
// Block, 16 bytes and the payload:
//
//	 0  4  mark
//	 4  1  type
//	 5  1  coding of the payload: 0 as it is, 1 one zstd frame
//	 6  2  number of the block in its file, from 0, modulo 65536
//	 8  4  length of the payload
//	12  4  CRC-32C of bytes 4…11 and the payload
//
// A reader that meets a bad block looks for the next mark whose block is
// sound, so that damage costs the blocks it touches and no more.
const (
	// Version is the format version that this program writes.
	Version = 2

	headerSize = 64
	blockHead  = 16
	// maxPayload bounds what a reader takes for a length.
	maxPayload = 16 << 20
	maxBootID  = 36
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
)

var fileSuffix = map[fileKind]string{journalFile: ".journal", evidenceFile: ".evidence", clockFile: ".clock"}

func (k fileKind) String() string {
	if s := fileSuffix[k]; s != "" {
		return s[1:]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// blockType says what a payload holds. Numbers are never reused. A reader
// passes over types it does not know.
type blockType uint8

const (
	blockRun      blockType = iota + 1 // runRecord, first in each journal file
	blockPlan                          // stream.Plan as JSON
	blockSettings                      // the text of the vehicle file
	blockClock                         // clockRecord
	blockAccount                       // detect.Account as JSON
	blockEvent                         // eventRecord
	blockHistory                       // opaque: detect's sketches
	blockDropped                       // droppedRecord: evidence files removed
	blockThinned                       // thinnedRecord: events folded into counts
	blockRepair                        // repairRecord
	blockUsage                         // Usage
	blockTrouble                       // troubleRecord
	blockEnd                           // empty; the run ended in order
	blockSpan     blockType = 32       // frames; see span.go
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
}

// parseFile reads a whole file. The error is a NewerError or nil: damage is
// reported in the result.
func parseFile(name string, data []byte) (parsed, error) {
	p := parsed{size: int64(len(data))}
	h, err := parseHeader(data)
	switch {
	case err == nil && h.version > Version:
		return p, &NewerError{File: name, Version: h.version}
	case err == nil:
		p.header, p.headerOK, p.sound = h, true, headerSize
	default:
		length := min(int64(len(data)), headerSize)
		p.damage = append(p.damage, Damage{File: name, Offset: 0, Length: length, What: "the header is not sound"})
	}
	at := min(headerSize, len(data))
	for at < len(data) {
		b, n := parseBlock(data[at:])
		if n == 0 {
			from := at
			at = nextBlock(data, at+1)
			p.damage = append(p.damage, Damage{
				File: name, Offset: int64(from), Length: int64(at - from),
				What: fmt.Sprintf("%d bytes are not sound", at-from), Tail: at == len(data),
			})
			continue
		}
		b.offset = int64(at)
		at += n
		p.blocks = append(p.blocks, b)
		p.sound = int64(at)
	}
	if !p.headerOK && len(p.blocks) == 0 && len(p.damage) > 0 {
		// Nothing sound at all: one piece of damage, a torn beginning.
		p.damage = []Damage{{File: name, Length: int64(len(data)), What: "nothing in it is sound", Tail: true}}
	}
	return p, nil
}

// nextBlock returns where the next sound block begins, from at on, or
// len(data).
func nextBlock(data []byte, at int) int {
	for at < len(data) {
		i := bytes.Index(data[at:], blockMark[:])
		if i < 0 {
			break
		}
		at += i
		if _, n := parseBlock(data[at:]); n > 0 {
			return at
		}
		at++
	}
	return len(data)
}

// fileName returns the name of a file of the store.
func fileName(kind fileKind, run, part uint32) string {
	return fmt.Sprintf("%06d-%03d%s", run, part, fileSuffix[kind])
}

// parseName is the reverse of fileName; ok is false for any other name.
func parseName(name string) (kind fileKind, run, part uint32, ok bool) {
	for kind := journalFile; kind <= clockFile; kind++ {
		var r, p uint32
		var suffix string
		if n, err := fmt.Sscanf(name, "%d-%d%s", &r, &p, &suffix); err == nil && n == 3 && fileName(kind, r, p) == name {
			return kind, r, p, true
		}
	}
	return 0, 0, 0, false
}
