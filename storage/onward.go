package storage

import (
	"encoding/binary"
	"math"
	"slices"
	"strings"
)

// A later record of a kind whose records are running sums, an account above all,
// is hardly more than numbers that went on as they did before. Its onward form
// goes through the one before it value by value, each with a token:
//
//	0           something else: see below
//	1 … 8       so many values are as was guessed
//	9, count    so many and nine more are
//	from 10 on  a number: zigzag of how far it is from the guess, and 9
//
// An array or an object counts as a value too, before its parts: as guessed means
// as many parts, with the same keys. Something else is the value in compact form,
// standing by itself, or tagInsert where an array has new parts: their count, and
// each with how many old ones are before it since the last.
//
// What is guessed of a number is the best of three by how well each did on it: that
// it stays, that it goes on in step with the record's end, and that it changes as the
// same value of the part before it did. An instant that has not moved yet is guessed
// to move as the last one in the record did.
const (
	tokenElse    = 0
	tokenRun     = 8
	tokenLongRun = 9
	tokenNumber  = 9 // and zigzag, which is at least 1 here

	tagInsert = 0x0e
)

// trail is a value and how it has changed from record to record.
type trail struct {
	node  *node
	parts []trail
	count count
	// size is how many values it is, with those in it; still, that they are guessed
	// to stay as they are, and then are left alone.
	size  int32
	still bool
	json  []byte // of what is still and has parts, once it was asked for
}

// count is a decimal number on its way: mantissa over 10^exponent, its last change,
// and how far each guess was from it lately.
type count struct {
	mantissa int64
	step     int64
	miss     [guesses]int32
	exponent uint8
	known    bool
}

const (
	guessStays = iota
	guessPace
	guessLike
	guesses
)

func newTrail(n *node) trail {
	t := trail{node: n}
	if n.kind == nodeNumber {
		t.count = newCount(n.text)
	}
	if len(n.items) > 0 {
		t.parts = make([]trail, len(n.items))
		for i := range n.items {
			t.parts[i] = newTrail(&n.items[i])
		}
	}
	return t.summed()
}

// append appends the value as JSON. What is still is spelt once and then copied.
func (t *trail) append(b []byte) []byte {
	switch {
	case len(t.parts) == 0:
		return t.node.append(b)
	case t.json != nil:
		return append(b, t.json...)
	}
	from := len(b)
	begin, end := byte('['), byte(']')
	if t.node.kind == nodeObject {
		begin, end = '{', '}'
	}
	for i := range t.parts {
		b = append(b, begin)
		begin = ','
		if t.node.kind == nodeObject {
			b = append(appendQuoted(b, t.node.keys[i]), ':')
		}
		b = t.parts[i].append(b)
	}
	b = append(b, end)
	if t.still {
		t.json = slices.Clone(b[from:])
	}
	return b
}

func newCount(text string) count {
	m, e, ok := decimal(text)
	return count{mantissa: m, exponent: uint8(e), known: ok}
}

// summed works out the size, and whether all is still.
func (t trail) summed() trail {
	t.size, t.still = 1, t.count.still()
	for i := range t.parts {
		t.size += t.parts[i].size
		t.still = t.still && t.parts[i].still
	}
	return t
}

// pace is how the end of a record has moved on, how it did before, and how the last
// instant in it has.
type pace struct{ now, before, instant int64 }

// paceKey is the key, of the outermost object, that says how far a record goes.
const paceKey = "end_us"

// guess returns the number that is expected, at the count's exponent. left is the same
// value of the part before, nil where there is none.
func (c *count) guess(p pace, left *trail) int64 {
	if c.unmoved() {
		return c.mantissa + p.instant
	}
	return c.all(p, left)[c.best()]
}

// unmoved reports whether it is an instant of which nothing is known but where it was.
func (c *count) unmoved() bool {
	return c.exponent == 0 && c.mantissa >= instantFrom && c.step == 0 && c.miss == [guesses]int32{}
}

func (c *count) best() int {
	best := guessStays
	for g := range c.miss {
		if c.miss[g] < c.miss[best] {
			best = g
		}
	}
	return best
}

// still reports whether a number is guessed to stay, whatever the others do.
func (c *count) still() bool { return !c.known || c.step == 0 && c.best() != guessLike && !c.unmoved() }

func (c *count) all(p pace, left *trail) (all [guesses]int64) {
	all[guessStays] = c.mantissa
	all[guessPace] = c.mantissa + p.of(c.step)
	all[guessLike] = c.mantissa
	if left != nil && left.count.known && left.count.exponent == c.exponent {
		all[guessLike] += left.count.step
	}
	return all
}

// of is a change at the present pace, rounded to the nearest.
func (p pace) of(step int64) int64 {
	const most = 1 << 31
	if p.before <= 0 || p.now <= 0 || p.before > most || p.now > most || step > most || step < -most {
		return step
	}
	half := p.before / 2
	if step < 0 {
		half = -half
	}
	return (step*p.now + half) / p.before
}

// next is the count once the number is known.
func (c *count) next(text string, p pace, left *trail) count {
	n := newCount(text)
	if !n.known || !c.known {
		return n
	}
	exponent := max(c.exponent, n.exponent)
	now, fits := scale(n.mantissa, int(exponent-n.exponent))
	was, fit := scale(c.mantissa, int(exponent-c.exponent))
	switch {
	case !fits || !fit:
		return n
	case exponent != c.exponent:
		return count{known: true, mantissa: now, exponent: exponent, step: now - was}
	}
	return c.to(now, p, left)
}

// to is the count at another mantissa.
func (c *count) to(mantissa int64, p pace, left *trail) count {
	n := count{known: true, mantissa: mantissa, exponent: c.exponent, step: mantissa - c.mantissa}
	if n.step == 0 && c.step == 0 && !c.unmoved() {
		return *c // it stands still, which says nothing of the guesses
	}
	for g, v := range c.all(p, left) {
		off := min(max(mantissa-v, -mostMiss), mostMiss)
		n.miss[g] = c.miss[g]/2 + int32(max(off, -off))
	}
	return n
}

const mostMiss = 1 << 29

// trimmed is the number as JSON has it, without zeros at the end of its fraction.
func trimmed(mantissa int64, exponent uint8) string {
	for exponent > 0 && mantissa%10 == 0 {
		mantissa /= 10
		exponent--
	}
	return formatDecimal(mantissa, int(exponent))
}

// endsInZero reports whether a number as decimal takes it is not trimmed.
func endsInZero(text string) bool {
	return text[len(text)-1] == '0' && strings.Contains(text, ".")
}

func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// onward makes the onward form of one record.
type onward struct {
	compactor
	pace  pace
	run   int // values as guessed that no token stands for yet
	depth int
}

// goOn appends the onward form of a value to b, and returns the trail that the next
// may go on from.
func goOn(b []byte, n *node, t *trail) ([]byte, trail) {
	o := onward{compactor: compactor{out: b}}
	next := o.value(n, t, nil)
	o.flush()
	return o.out, next
}

// flush writes the run of values that are as guessed.
func (o *onward) flush() {
	switch {
	case o.run == 0:
	case o.run <= tokenRun:
		o.out = append(o.out, byte(o.run))
	default:
		o.out = append(o.out, tokenLongRun)
		o.uvarint(o.run - tokenLongRun)
	}
	o.run = 0
}

// instead says a value by itself.
func (o *onward) instead(n *node) {
	o.flush()
	o.out = append(o.out, tokenElse)
	o.compactor.value(n)
}

func (o *onward) value(n *node, t, left *trail) trail {
	o.depth++
	defer func() { o.depth-- }()
	switch was := t.node; {
	case n.kind != was.kind:
	case n.kind == nodeNumber:
		return o.number(n, t, left)
	case n.kind == nodeArray:
		return o.array(n, t)
	case n.kind == nodeObject && slices.Equal(n.keys, was.keys):
		o.run++
		return o.object(n, t, left)
	case n.kind != nodeObject && n.text == was.text:
		o.run++
		return trail{node: n}
	}
	o.instead(n)
	return newTrail(n)
}

func (o *onward) number(n *node, t, left *trail) trail {
	next := trail{node: n, count: t.count.next(n.text, o.pace, left)}
	guess := t.count.guess(o.pace, left)
	switch off := next.count.mantissa - guess; {
	case !t.count.known && n.text == t.node.text:
		o.run++
	case !t.count.known || !next.count.known || next.count.exponent != t.count.exponent,
		endsInZero(n.text), zigzag(off) > 1<<62:
		o.instead(n)
	case off == 0:
		o.run++
	default:
		o.flush()
		o.out = binary.AppendUvarint(o.out, tokenNumber+zigzag(off))
	}
	return next
}

func (o *onward) object(n *node, t, left *trail) trail {
	next := trail{node: n, parts: make([]trail, len(n.items))}
	left = left.like(n)
	for i := range n.items {
		next.parts[i] = o.value(&n.items[i], &t.parts[i], left.part(i))
		o.pace.heed(o.depth, n.keys[i], &next.parts[i], &t.parts[i])
	}
	return next
}

// like is the part before where that has the same keys, else nil.
func (t *trail) like(n *node) *trail {
	if t == nil || !slices.Equal(t.node.keys, n.keys) {
		return nil
	}
	return t
}

// part is one of the values, nil where there is nothing to go by.
func (t *trail) part(i int) *trail {
	if t == nil {
		return nil
	}
	return &t.parts[i]
}

// before is the part of an array before another, nil where there is none.
func (t *trail) before(i int) *trail {
	if i == 0 {
		return nil
	}
	return &t.parts[i-1]
}

// heed notes the pace where the value is the one that says it.
func (p *pace) heed(depth int, key string, now, was *trail) {
	if depth == 1 && key == paceKey {
		p.now, p.before = now.count.step, was.count.step
	}
	if was.count.unmoved() && now.count.known {
		p.instant = now.count.step
	}
}

func (o *onward) array(n *node, t *trail) trail {
	fresh, ok := inserted(n, t.node)
	switch {
	case !ok:
		o.instead(n)
		return newTrail(n)
	case len(fresh) == 0:
		o.run++
	default:
		o.flush()
		o.out = append(o.out, tokenElse, tagInsert)
		o.uvarint(len(fresh))
		from := 0
		for _, i := range fresh {
			o.uvarint(i - from)
			o.compactor.value(&n.items[i])
			from = i + 1
		}
	}
	next := trail{node: n, parts: make([]trail, len(n.items))}
	old := 0
	for i := range n.items {
		if slices.Contains(fresh, i) {
			next.parts[i] = newTrail(&n.items[i])
			continue
		}
		next.parts[i] = o.value(&n.items[i], &t.parts[old], next.before(i))
		old++
	}
	return next
}

// inserted returns which parts of an array are new, where the others are those of the
// one before, in its order; parts of objects are told apart by the words in them.
func inserted(n, was *node) (fresh []int, ok bool) {
	if len(n.items) == len(was.items) {
		return nil, true
	}
	old := 0
	for i := range n.items {
		if old < len(was.items) && alike(&n.items[i], &was.items[old]) {
			old++
			continue
		}
		fresh = append(fresh, i)
	}
	return fresh, old == len(was.items)
}

func alike(a, b *node) bool {
	if a.kind != nodeObject || b.kind != nodeObject {
		return a.equal(b)
	}
	return slices.Equal(words(a), words(b))
}

func words(n *node) (out []string) {
	for i := range n.items {
		if n.items[i].kind == nodeString {
			out = append(out, n.items[i].text)
		}
	}
	return out
}

// onwardReader reads the onward form, from a source that is not trusted.
type onwardReader struct {
	expander
	pace  pace
	run   int
	depth int
}

// readOn undoes goOn. t stays as it is.
func readOn(b []byte, t *trail) (trail, error) {
	if len(b) > maxCompact {
		return trail{}, errCompact
	}
	r := onwardReader{expander: expander{reader: reader{in: b, bad: errCompact}}}
	next := r.value(t, nil)
	if r.err == nil && (len(r.in) > 0 || r.run > 0) {
		r.fail()
	}
	return next, r.err
}

// token reads what becomes of a value: as guessed, so far from it, or something else.
func (r *onwardReader) token() (off int64, other bool) {
	if r.run > 0 {
		r.run--
		return 0, false
	}
	switch u := r.uvarint(math.MaxUint64); {
	case r.err != nil:
	case u == tokenElse:
		return 0, true
	case u <= tokenRun:
		r.run = int(u) - 1
	case u == tokenLongRun:
		r.run = r.count(maxAgainst) + tokenLongRun - 1
	default:
		return unzigzag(u - tokenNumber), false
	}
	return 0, false
}

func (r *onwardReader) value(t, left *trail) trail {
	if r.depth++; r.depth > maxDepth {
		r.fail()
	}
	defer func() { r.depth-- }()
	off, other := r.token()
	switch {
	case r.err != nil:
		return trail{}
	case t.still && off == 0 && !other && r.run >= int(t.size)-1:
		r.run -= int(t.size) - 1
		return *t
	case other && t.node.kind == nodeArray && len(r.in) > 0 && r.in[0] == tagInsert:
		r.in = r.in[1:]
		return r.inserted(t)
	case other:
		n := r.alone()
		if n.kind == nodeNumber && t.node.kind == nodeNumber {
			return trail{node: &n, count: t.count.next(n.text, r.pace, left)}.summed()
		}
		return newTrail(&n)
	case t.node.kind == nodeNumber:
		return r.number(off, t, left)
	case off != 0:
		r.fail()
		return trail{}
	case t.node.kind == nodeObject:
		return r.object(t, left)
	case t.node.kind == nodeArray:
		return r.array(t)
	}
	return *t
}

// alone reads a value that stands by itself.
func (r *onwardReader) alone() node {
	r.expander.depth = r.depth
	return r.expander.value(nil)
}

func (r *onwardReader) number(off int64, t, left *trail) trail {
	if !t.count.known {
		if off != 0 {
			r.fail()
		}
		return *t
	}
	m := t.count.guess(r.pace, left) + off
	if m == t.count.mantissa {
		return trail{node: t.node, count: t.count.to(m, r.pace, left)}.summed()
	}
	n := &node{kind: nodeNumber, text: trimmed(m, t.count.exponent)}
	if m > mostPlain || m < -mostPlain {
		return trail{node: n, count: t.count.next(n.text, r.pace, left)}.summed()
	}
	return trail{node: n, count: t.count.to(m, r.pace, left)}.summed()
}

// mostPlain is what decimal takes at any exponent.
const mostPlain = 1 << 60

// same reports whether nothing has become of a value.
func (t *trail) same(o *trail) bool {
	return t.node == o.node && t.count == o.count && len(t.parts) == len(o.parts) &&
		(len(t.parts) == 0 || &t.parts[0] == &o.parts[0])
}

// object reads the values of an object. What has not changed is not made anew: of a
// vehicle that idles that is nearly all.
func (r *onwardReader) object(t, left *trail) trail {
	n := &node{kind: nodeObject, keys: t.node.keys}
	next := trail{node: n, parts: t.parts}
	left = left.like(n)
	for i := range t.parts {
		part := r.value(&t.parts[i], left.part(i))
		if r.err != nil {
			return trail{}
		}
		r.pace.heed(r.depth, n.keys[i], &part, &t.parts[i])
		next.put(i, &part, t)
	}
	return next.or(t)
}

// put puts a part into what was like t so far, and makes that anew with the first
// that differs.
func (t *trail) put(i int, part, was *trail) {
	if t.node.items == nil {
		if part.same(&was.parts[i]) {
			return
		}
		t.node.items = slices.Clone(was.node.items)
		t.parts = slices.Clone(was.parts)
	}
	t.node.items[i], t.parts[i] = *part.node, *part
}

// or is the trail, or what it was made from where nothing in it differs.
func (t *trail) or(was *trail) trail {
	if t.node.items == nil {
		return *was
	}
	return t.summed()
}

// fresh is a new part of an array and its place.
type fresh struct {
	at   int
	node node
}

func (r *onwardReader) inserted(t *trail) trail {
	list := make([]fresh, 0, 8)
	at := 0
	for range r.expander.count(len(r.in)) {
		at += r.expander.count(len(t.parts) + len(list))
		list = append(list, fresh{at, r.alone()})
		at++
		if r.err != nil {
			return trail{}
		}
	}
	return r.joined(t, list)
}

// array reads the parts of an array, as many as before.
func (r *onwardReader) array(t *trail) trail {
	next := trail{node: &node{kind: nodeArray}, parts: t.parts}
	for i := range t.parts {
		part := r.value(&t.parts[i], next.before(i))
		if r.err != nil {
			return trail{}
		}
		next.put(i, &part, t)
	}
	return next.or(t)
}

// joined reads the parts of an array that were there before, among new ones.
func (r *onwardReader) joined(t *trail, list []fresh) trail {
	n := &node{kind: nodeArray, items: make([]node, len(t.parts)+len(list))}
	next := trail{node: n, parts: make([]trail, len(n.items))}
	old := t.parts
	for i := range n.items {
		switch {
		case len(list) > 0 && list[0].at == i:
			next.parts[i] = newTrail(&list[0].node)
			list = list[1:]
		case len(old) == 0:
			r.fail()
		default:
			next.parts[i] = r.value(&old[0], next.before(i))
			old = old[1:]
		}
		if r.err != nil {
			return trail{}
		}
		n.items[i] = *next.parts[i].node
	}
	return next.summed()
}
