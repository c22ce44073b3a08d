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
	formAgainst        // of version 2: an account in compact form against the one before it in the file, after the CRC-32C of that
	// As onward.go has it: an event against one before it in its block, after how many
	// events that is back; others against the one of their type before them in the file,
	// after its sum.
	formOnward
)

const (
	// groupSize is when a group is closed and another begun, in bytes before
	// compression: what one bad spot costs.
	groupSize = 2 << 10
	// keyEvery is how many records in a row stand against the one before: what one
	// bad spot costs of them.
	keyEvery = 16
)

// groups makes the blocks of a piece of a journal file.
type groups struct {
	pack *packer
	out  []byte // whole blocks
	at   chained
	last lasts

	items  []byte  // of the group that is being made
	events []*base // in it
}

// lasts are the records that the next of their types may stand against.
type lasts struct{ account, usage *base }

// of is where the last one of a type is, nil where each of it stands by itself.
func (l *lasts) of(typ blockType) **base {
	switch typ {
	case blockAccount:
		return &l.account
	case blockUsage:
		return &l.usage
	}
	return nil
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

// json adds a record that is JSON already, compact and, where it may be, against an
// earlier one.
func (g *groups) json(typ blockType, text []byte) error {
	n, err := g.pack.parser.parse(text)
	if err != nil {
		return fmt.Errorf("record of type %d: %w", typ, err)
	}
	form, b := alone(text, &n)
	if last := g.last.of(typ); last != nil {
		form, b = goFrom(last, text, &n, form, b)
	}
	if typ == blockEvent {
		form, b = g.event(&n, form, b)
	}
	g.add(typ, form, b)
	return nil
}

// event is an event against that of its block which it has the most in common with,
// where that is shorter than by itself.
func (g *groups) event(n *node, form uint8, b []byte) (uint8, []byte) {
	for i, e := range g.events {
		if on, _ := goOn([]byte{byte(len(g.events) - i)}, n, e.way()); len(on) < len(b) {
			form, b = formOnward, on
		}
	}
	if form != formAsIs && len(g.events) < maxBack {
		g.events = append(g.events, newBase(*n, nil))
	}
	return form, b
}

// maxBack is how many events of a block others may stand against.
const maxBack = 64

// opaque adds a record whose bytes are to come back as they are; most are JSON.
func (g *groups) opaque(typ blockType, text []byte) {
	if n, err := g.pack.parser.parse(text); err == nil && bytes.Equal(n.append(nil), text) {
		form, b := alone(text, &n)
		g.add(typ, form, b)
		return
	}
	g.add(typ, formAsIs, text)
}

// alone is a record that stands by itself.
func alone(text []byte, n *node) (form uint8, b []byte) {
	if b = compact(nil, n); len(b) > maxCompact {
		return formAsIs, text
	}
	return formCompact, b
}

// goFrom is a record against the last one where that is shorter than by itself, and
// makes it the last.
func goFrom(last **base, text []byte, n *node, form uint8, b []byte) (uint8, []byte) {
	if was := *last; was != nil && was.since < keyEvery && len(text) <= maxAgainst && !n.is("ended") {
		if on, next := goOn(was.check(), n, was.way()); len(on) < len(b) {
			*last = was.onward(on[checkSize:], next)
			return formOnward, on
		}
	}
	*last = nil
	if form == formCompact {
		*last = newBase(*n, n.append(nil))
	}
	return form, b
}

// base is a record that the next of its type may stand against.
type base struct {
	node  node
	text  []byte // as JSON, nil until it is asked for
	sum   uint32 // of the JSON of the record by itself, and of the onward forms since
	trail *trail // nil until it is asked for
	since int    // so many in a row stand against another
}

func newBase(n node, text []byte) *base {
	return &base{node: n, text: text, sum: crc32.Checksum(text, castagnoli)}
}

// onward is the record that stands against this one in that form.
func (a *base) onward(raw []byte, t trail) *base {
	return &base{node: *t.node, sum: crc32.Update(a.sum, castagnoli, raw), trail: &t, since: a.since + 1}
}

// maxAgainst bounds the JSON of a record that stands against another, and a quarter
// of it the values in it; no detector's comes near.
const maxAgainst = 64 << 10

const checkSize = 4

// check is what a record against this one begins with.
func (a *base) check() []byte {
	return binary.LittleEndian.AppendUint32(nil, a.sum)
}

func (a *base) json() []byte {
	if a.text == nil {
		a.text = a.way().append(nil)
	}
	return a.text
}

func (a *base) way() *trail {
	if a.trail == nil {
		t := newTrail(&a.node)
		a.trail = &t
	}
	return a.trail
}

// drive is the number of the drive of an account, as it is written.
func (a *base) drive() string {
	if a == nil {
		return ""
	}
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
	g.items, g.events = g.items[:0], nil
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
	g.items, g.events = g.items[:0], nil
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
	// of is where the text of a record against another comes from, once it is needed.
	of *base
	// old marks an account without its text: one that is not read, or after which
	// another of its drive stands in the same block.
	old bool
}

// replaces reports whether an account makes worthless one of that drive before it.
func (x *rec) replaces(drive string) bool { return x.drive != "" && x.drive == drive }

// recReader reads the records of one file, in order.
type recReader struct {
	u      *unpacker
	last   lasts
	events []*base // of the block that is being read
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
	r.events = r.events[:0]
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
			if x.typ == blockEvent {
				r.took(nil)
			}
			continue
		}
		x.text = text
		if last := r.last.of(x.typ); last != nil && text == nil {
			x.of = *last
		}
		if x.typ == blockAccount {
			x.drive = r.last.account.drive()
			if last >= 0 && x.replaces(out[last].drive) {
				out[last].text, out[last].of, out[last].old = nil, nil, true
			}
			last = len(out)
		}
		out = append(out, x)
	}
	if e := r.spell(out); e != nil {
		return out, e
	}
	return out, err
}

// spell makes the text of what stands against others, but for what later records
// have made worthless.
func (r *recReader) spell(list []rec) error {
	for i := range list {
		x := &list[i]
		if x.of == nil || x.old {
			continue
		}
		if x.text = x.of.json(); len(x.text) > maxAgainst {
			return errCompact
		}
		if err := r.u.spend(max(weight(x.text)/shareOfSame, leastRecord)); err != nil {
			return err
		}
	}
	return nil
}

func (r *recReader) text(x rec) ([]byte, error) {
	if r.u.bytes < 0 {
		return nil, errBudget
	}
	last := r.last.of(x.typ)
	switch {
	case x.typ == blockEvent && x.form == formOnward:
		return r.event(x.raw)
	case x.form == formAgainst, x.form == formOnward:
		return r.against(x, last)
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
	if x.typ == blockEvent && x.form == formCompact {
		r.took(newBase(n, nil))
	}
	if last != nil {
		was := *last
		*last = newBase(n, text)
		if x.typ == blockAccount {
			if cost = max(cost, leastAccount); was.drive() != "" && was.since >= keyEvery && was.drive() == (*last).drive() {
				cost /= shareOfSame
			}
		}
	}
	return text, r.u.spend(cost)
}

// took notes an event that others of its block may stand against.
func (r *recReader) took(e *base) {
	if len(r.events) < maxBack {
		r.events = append(r.events, e)
	}
}

// event reads one that stands against another of its block.
func (r *recReader) event(raw []byte) ([]byte, error) {
	if len(raw) == 0 || raw[0] == 0 || int(raw[0]) > len(r.events) {
		return nil, errGroup
	}
	from := r.events[len(r.events)-int(raw[0])]
	if from == nil {
		return nil, errGroup
	}
	t, err := readOn(raw[1:], from.way())
	if err != nil {
		return nil, err
	}
	text := t.node.append(nil)
	if len(text) > maxAgainst {
		return nil, errCompact
	}
	r.took(newBase(*t.node, nil))
	return text, r.u.spend(max(weight(text), leastRecord))
}

// against reads a record that stands against the one before; what goes on from it has
// no text yet.
func (r *recReader) against(x rec, last **base) ([]byte, error) {
	if last == nil || *last == nil || (*last).node.kind != nodeObject || len(x.raw) < checkSize || !bytes.Equal((*last).check(), x.raw[:checkSize]) {
		return nil, errors.New("a record that goes on from one which cannot be read")
	}
	if x.form == formOnward {
		return nil, r.onward(x.raw[checkSize:], last)
	}
	was := *last
	if len(x.raw) == checkSize+1 && x.raw[checkSize] == tagSame {
		return was.json(), r.u.spend(leastRecord)
	}
	n, err := expand(x.raw[checkSize:], &was.node)
	if err != nil {
		return nil, err
	}
	text := n.append(make([]byte, 0, len(was.json())+64))
	if len(text) > maxAgainst {
		return nil, errCompact
	}
	*last = newBase(n, text)
	(*last).since = was.since + 1
	cost := max(weight(text), leastAccount)
	if (*last).drive() == was.drive() {
		cost /= shareOfNext
	}
	return text, r.u.spend(max(cost, leastRecord))
}

// onward goes on from the last record.
func (r *recReader) onward(raw []byte, last **base) error {
	was := *last
	t, err := readOn(raw, was.way())
	if err != nil {
		return err
	}
	if t.size > maxAgainst/4 {
		return errCompact
	}
	now := was.onward(raw, t)
	*last = now
	cost := int(t.size) / 3
	if now.drive() != was.drive() {
		cost = 16 * int(t.size)
	}
	return r.u.spend(max(cost, leastRecord))
}

// A vehicle that idles writes accounts that hardly differ: one that goes on from one
// of its drive counts that share of its text, and a whole one of the same drive, after
// keyEvery that went on, that.
const (
	shareOfNext = 16 // of version 2
	shareOfSame = 4
)

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
