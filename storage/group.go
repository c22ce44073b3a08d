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
	key   *account
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
	if typ == blockAccount {
		g.account(text, &n)
		return nil
	}
	form, b := g.alone(text, &n)
	g.add(typ, form, b)
	return nil
}

// alone is a record that stands by itself.
func (g *groups) alone(text []byte, n *node) (form uint8, b []byte) {
	if b = compact(nil, n, nil); len(b) > maxCompact {
		return formAsIs, text
	}
	return formCompact, b
}

// account adds an account, against the one before it where that is shorter.
func (g *groups) account(text []byte, n *node) {
	form, b := g.alone(text, n)
	if g.key != nil && g.since < keyEvery && len(text) <= maxAgainst && !n.is("ended") {
		if against := compact(g.key.check(), n, &g.key.node); len(against) < len(b) {
			form, b = formAgainst, against
		}
	}
	g.key, g.since = newAccount(*n, n.append(nil)), g.since+1
	switch form {
	case formCompact:
		g.since = 0
	case formAsIs:
		g.key = nil // nothing can stand against it
	}
	g.add(blockAccount, form, b)
}

// account is one that the next may stand against.
type account struct {
	node node
	text []byte // as JSON
	sum  uint32 // of that
}

func newAccount(n node, text []byte) *account {
	return &account{n, text, crc32.Checksum(text, castagnoli)}
}

// maxAgainst bounds the JSON of an account that stands against another; no
// detector's comes near.
const maxAgainst = 64 << 10

// check is what a record against this one begins with.
func (a *account) check() []byte {
	return binary.LittleEndian.AppendUint32(nil, a.sum)
}

// drive is the number of its drive, as it is written.
func (a *account) drive() string {
	if i := slices.Index(a.node.keys, "drive"); i >= 0 {
		return a.node.items[i].text
	}
	return ""
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
	// drive is the number of the drive of an account, as it is written; empty
	// where that cannot be told from its form.
	drive string
	// old marks an account without its text: one that is not read, or after which
	// another of its drive stands in the same block.
	old bool
}

// replaces reports whether an account makes worthless one of that drive before it.
func (x *rec) replaces(drive string) bool { return x.drive != "" && x.drive == drive }

// recReader reads the records of one file, in order.
type recReader struct {
	u   *unpacker
	key *account
	// noAccounts leaves accounts unread.
	noAccounts bool
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
		x := rec{typ: b.typ, raw: payload, old: r.noAccounts && b.typ == blockAccount} // of version 1
		if x.old {
			return []rec{x}, nil
		}
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
	last := -1 // account
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
		if x.old = r.noAccounts && x.typ == blockAccount; x.old {
			out = append(out, x)
			if e := r.u.spend(leastRecord); e != nil {
				return out, e
			}
			continue
		}
		text, e := r.text(x)
		if e == errBudget {
			return out, e
		}
		if e != nil {
			err = e // the others may be sound
			continue
		}
		x.text = text
		if x.typ == blockAccount {
			x.drive = r.key.drive()
			if last >= 0 && x.replaces(out[last].drive) {
				out[last].text, out[last].old = nil, true
			}
			last = len(out)
		}
		out = append(out, x)
	}
	return out, err
}

func (r *recReader) text(x rec) ([]byte, error) {
	if r.u.bytes < 0 {
		return nil, errBudget
	}
	if x.form == formAgainst {
		return r.against(x.raw)
	}
	text := x.raw
	var n node
	if x.form == formCompact {
		var err error
		if n, err = expand(x.raw, nil); err != nil {
			return nil, err
		}
		text = n.append(nil)
	}
	cost := max(weight(text), leastRecord)
	if x.typ == blockAccount {
		a := newAccount(n, text)
		if cost = max(cost, leastAccount); r.key != nil && a.drive() != "" && a.drive() == r.key.drive() {
			cost /= 4
		}
		r.key = a
	}
	return text, r.u.spend(cost)
}

// against reads an account that stands against the one before. A vehicle that
// idles writes accounts that hardly differ: those of the same drive count a
// sixteenth, and whole ones in between a quarter.
func (r *recReader) against(raw []byte) ([]byte, error) {
	base := r.key
	if base == nil || base.node.kind != nodeObject || len(raw) < 4 || !bytes.Equal(base.check(), raw[:4]) {
		return nil, errors.New("an account that goes on from one which cannot be read")
	}
	if len(raw) == 5 && raw[4] == tagSame {
		return base.text, r.u.spend(leastRecord)
	}
	n, err := expand(raw[4:], &base.node)
	if err != nil {
		return nil, err
	}
	a := newAccount(n, n.append(make([]byte, 0, len(base.text)+64)))
	if len(a.text) > maxAgainst {
		return nil, errCompact
	}
	r.key = a
	cost := max(weight(a.text), leastAccount)
	if a.drive() == base.drive() {
		cost /= 16
	}
	return a.text, r.u.spend(max(cost, leastRecord))
}

// What a record, and an account, takes that says nothing.
const (
	leastRecord  = 64
	leastAccount = 512
)

// weight is what JSON takes to read: not less than its length, and more where
// it holds more values and objects than a program of ours puts into that.
func weight(text []byte) int {
	return max(len(text), 8*bytes.Count(text, []byte{','}), 64*bytes.Count(text, []byte{'{'}))
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
