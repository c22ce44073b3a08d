package storage

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
)

// Forms of a record in a group.
const (
	formAsIs    = iota // as it is: JSON, text, or opaque
	formCompact        // JSON in compact form
	formAgainst        // an account in compact form against the one before it in the file, after the CRC-32C of that
)

const (
	// groupSize is when a group is closed and another begun, in bytes before
	// compression: what one bad spot costs.
	groupSize = 2 << 10
	// keyEvery is how many accounts in a row stand against the one before: what
	// one bad spot costs of them.
	keyEvery = 16
)

// groups makes the blocks of a piece of a journal file.
type groups struct {
	pack *packer
	out  []byte // whole blocks
	at   chained
	// key is the last account, since how many in a row stand against another.
	key   *node
	since int

	items []byte // of the group that is being made
}

// add adds a record as it is.
func (g *groups) add(typ blockType, form uint8, payload []byte) {
	g.items = appendRec(g.items, typ, form, payload)
	if len(g.items) >= groupSize {
		g.close()
	}
}

func appendRec(b []byte, typ blockType, form uint8, payload []byte) []byte {
	b = binary.AppendUvarint(b, uint64(typ)<<2|uint64(form))
	b = binary.AppendUvarint(b, uint64(len(payload)))
	return append(b, payload...)
}

// record adds a record of our own types.
func (g *groups) record(typ blockType, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("record of type %d: %w", typ, err)
	}
	return g.json(typ, text)
}

// json adds a record that is JSON already, compact and, where it is an account,
// against an earlier one.
func (g *groups) json(typ blockType, text []byte) error {
	n, err := parseNode(text)
	if err != nil {
		return fmt.Errorf("record of type %d: %w", typ, err)
	}
	form, b := uint8(formCompact), compact(nil, &n, nil)
	if typ == blockAccount && g.key != nil && g.since < keyEvery && !n.is("ended") {
		if against := compact(g.key.check(), &n, g.key); len(against) < len(b) {
			form, b = formAgainst, against
		}
	}
	if len(b) > maxCompact {
		form, b = formAsIs, text
	}
	if typ == blockAccount {
		g.key, g.since = &n, g.since+1
		if form != formAgainst {
			g.since = 0
		}
	}
	g.add(typ, form, b)
	return nil
}

// check is what a record against this one begins with.
func (n *node) check() []byte {
	return binary.LittleEndian.AppendUint32(nil, crc32.Checksum(n.append(nil), castagnoli))
}

// is reports whether the key stands for true.
func (n *node) is(key string) bool {
	i := slices.Index(n.keys, key)
	return i >= 0 && n.items[i].kind == nodeTrue
}

// close ends the group that is being made.
func (g *groups) close() {
	if len(g.items) == 0 {
		return
	}
	coding, p := g.pack.record(g.items)
	from := len(g.out)
	g.out = appendBlock(g.out, blockGroup, coding, uint16(g.at.blocks), p)
	g.at = chained{g.at.blocks + 1, sumOf(g.at.sum, g.out[from:])}
	g.items = g.items[:0]
}

// rest is the head of a blockRest: how many blocks of the file as it was
// written it stands for, and the chain after them. Records follow, as in a
// group. Condensing leaves blocks of this type, the first for all blocks of the
// file, so that the chain is the same before and after, and what was removed on
// purpose is no damage.
type rest struct {
	blocks uint32
	sum    uint64
}

const restHead = 12

func parseRest(payload []byte) (r rest, ok bool) {
	if len(payload) < restHead {
		return rest{}, false
	}
	return rest{binary.LittleEndian.Uint32(payload), binary.LittleEndian.Uint64(payload[4:])}, true
}

// closeRest ends the group that is being made as a blockRest. Only its records
// are compressed.
func (g *groups) closeRest(r rest) {
	coding, p := g.pack.record(g.items)
	payload := binary.LittleEndian.AppendUint32(nil, r.blocks)
	payload = binary.LittleEndian.AppendUint64(payload, r.sum)
	g.out = appendBlock(g.out, blockRest, coding, uint16(g.at.blocks), append(payload, p...))
	g.at = chained{g.at.blocks + r.blocks, r.sum}
	g.items = g.items[:0]
}

// rec is one record of a journal.
type rec struct {
	typ  blockType
	form uint8
	raw  []byte
	// text is JSON, or what is opaque.
	text []byte
}

// recReader reads the records of one file, in order.
type recReader struct {
	u   *unpacker
	key *node
}

// maxRecords bounds a group: as many as groups and rests of their sizes hold.
const maxRecords = 4096

var errGroup = errors.New("the records in it do not add up")

// read returns the records of a block, as far as they can be read.
func (r *recReader) read(b block) ([]rec, error) {
	switch b.typ {
	case blockGroup, blockRest:
	case blockSpan, blockSlot:
		return nil, nil
	default:
		payload, err := r.u.payload(b.coding, b.payload)
		if err != nil {
			return nil, err
		}
		x := rec{typ: b.typ, raw: payload} // of version 1
		x.text, err = r.text(x)
		return []rec{x}, err
	}
	stored := b.payload
	if b.typ == blockRest {
		if len(stored) < restHead {
			return nil, errGroup
		}
		stored = stored[restHead:]
	}
	payload, err := r.u.payload(b.coding, stored)
	if err != nil {
		return nil, err
	}
	var out []rec
	for len(payload) > 0 {
		head, n := binary.Uvarint(payload)
		if n <= 0 || head > 0x3ff || head>>2 == 0 || len(out) == maxRecords {
			return out, errGroup
		}
		length, m := binary.Uvarint(payload[n:])
		if m <= 0 || length > uint64(len(payload)-n-m) {
			return out, errGroup
		}
		payload = payload[n+m:]
		x := rec{typ: blockType(head >> 2), form: uint8(head & 3), raw: payload[:length]}
		payload = payload[length:]
		text, e := r.text(x)
		if e == errBudget {
			return out, e
		}
		if e != nil {
			err = e // the others may be sound
			continue
		}
		x.text = text
		out = append(out, x)
	}
	return out, err
}

func (r *recReader) text(x rec) ([]byte, error) {
	if r.u.bytes < 0 {
		return nil, errBudget
	}
	var base *node
	raw := x.raw
	switch x.form {
	case formAsIs:
		return raw, r.u.spend(len(raw))
	case formAgainst:
		if base = r.key; base == nil || len(raw) < 4 || !bytes.Equal(base.check(), raw[:4]) {
			return nil, errors.New("an account that goes on from one which cannot be read")
		}
		raw = raw[4:]
	}
	n, err := expand(raw, base)
	if err != nil {
		return nil, err
	}
	if x.typ == blockAccount {
		r.key = &n
	}
	text := n.append(nil)
	if x.form == formAgainst {
		// A vehicle that idles writes accounts that hardly differ.
		return text, r.u.spend(len(x.raw) + len(text)/16)
	}
	return text, r.u.spend(len(text))
}

// event reads an event of that run.
func (x *rec) event(run uint32) (eventRecord, error) {
	var r eventRecord
	if err := json.Unmarshal(x.text, &r); err != nil {
		return r, err
	}
	if r.ID == "" {
		r.ID = eventID(run, r.N)
	} else if _, err := fmt.Sscanf(r.ID, "%d-%d", new(int), &r.N); err != nil {
		r.N = 0 // only this program's own identifiers have a number
	}
	return r, r.check()
}

func eventID(run uint32, n int) string { return fmt.Sprintf("%d-%d", run, n) }

// check refuses what no detector makes, so that what is kept of a record is
// not larger than the record.
func (r *eventRecord) check() error {
	f := &r.Finding
	for _, m := range f.Measures {
		if m.Name == "" {
			return errGroup
		}
	}
	for _, i := range f.Instants {
		if i.Name == "" {
			return errGroup
		}
	}
	if len(f.Measures) > maxList || len(f.Instants) > maxList || len(r.Percentiles) > maxList || len(r.Parts) > maxParts {
		return errGroup
	}
	return nil
}

// maxList bounds the measures and instants of an event.
const maxList = 256
