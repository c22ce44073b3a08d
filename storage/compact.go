package storage

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
)

// The compact form of a record is its JSON, value for value, with common words
// and the key lists of common objects replaced by their numbers in two lists
// (compactwords.go), decimal numbers by mantissa and exponent, and instants by
// how far they are from the one before. A value is a tag and what follows it;
// FORMAT.md lists the tags. What has no short form has a long one, so that a
// record may gain keys and words without a new version.
//
// In version 2 a record may stand against a base, an earlier one of its kind: equal
// parts are left out and numbers stand as differences. Now onward.go does that.
const (
	tagNull      = 0x00
	tagFalse     = 0x01
	tagTrue      = 0x02
	tagAbsent    = 0x03 // a key of a listed object that this one lacks
	tagString    = 0x04 // length, bytes
	tagArray     = 0x05 // count, values
	tagObject    = 0x06 // count; keys as strings, each with its value
	tagRows      = 0x07 // shape, count; the values of each row
	tagInstant   = 0x08 // difference from the last instant, signed
	tagNumber    = 0x09 // length, the number as text
	tagSame      = 0x0a // as in the base
	tagPatch     = 0x0b // an object with the keys of the base: its values
	tagPatchList = 0x0c // an array: count, values, each against the base's
	tagSameRun   = 0x0d // count: so many of the values that follow are the same
	tagShapeFar  = 0x0f // number of a listed shape from 31 on: its values
	tagDecimal   = 0x10 // + exponent 0…15: mantissa, signed
	tagSmall     = 0x20 // + 0…15: the number
	tagStep      = 0x30 // + exponent 0…15: difference from the base, signed
	tagSeen      = 0x40 // + 0…30: a string that this record has spelt out
	tagSeenFar   = 0x5f // number of such a string
	tagWordFar   = 0x60 // number of a listed word from 128 on
	tagShape     = 0x61 // + number of a listed shape: its values
	tagWord      = 0x80 // + number of a listed word

	// instantFrom is where an integer is taken for an instant.
	instantFrom = 1 << 20
	// maxCompact bounds a record in compact form; longer ones stand as JSON.
	maxCompact = 64 << 10
	maxDepth   = 16
)

// node is one JSON value.
type node struct {
	kind  nodeKind
	text  string // of a string, or a number as it is written
	keys  []string
	items []node
}

type nodeKind uint8

const (
	nodeNull nodeKind = iota
	nodeFalse
	nodeTrue
	nodeAbsent
	nodeNumber
	nodeString
	nodeArray
	nodeObject
)

var errCompact = errors.New("a record in it does not add up")

func (n *node) equal(o *node) bool {
	return n.kind == o.kind && n.text == o.text && slices.Equal(n.keys, o.keys) &&
		slices.EqualFunc(n.items, o.items, func(a, b node) bool { return a.equal(&b) })
}

// append appends the value as JSON.
func (n *node) append(b []byte) []byte {
	switch n.kind {
	case nodeFalse:
		return append(b, "false"...)
	case nodeTrue:
		return append(b, "true"...)
	case nodeNumber:
		return append(b, n.text...)
	case nodeString:
		return appendQuoted(b, n.text)
	case nodeArray:
		b = append(b, '[')
		for i := range n.items {
			if i > 0 {
				b = append(b, ',')
			}
			b = n.items[i].append(b)
		}
		return append(b, ']')
	case nodeObject:
		b = append(b, '{')
		for i := range n.items {
			if i > 0 {
				b = append(b, ',')
			}
			b = n.items[i].append(append(appendQuoted(b, n.keys[i]), ':'))
		}
		return append(b, '}')
	}
	return append(b, "null"...)
}

func appendQuoted(b []byte, s string) []byte {
	if plain(s) {
		return append(append(append(b, '"'), s...), '"')
	}
	q, err := json.Marshal(s)
	if err != nil {
		return append(b, `""`...)
	}
	return append(b, q...)
}

// plain reports whether JSON spells the text as it is.
func plain(s string) bool {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c > '~' || c == '"' || c == '\\' || c == '<' || c == '>' || c == '&' {
			return false
		}
	}
	return true
}

// decimal takes a number apart: text = mantissa / 10^exponent; ok is false
// where it does not fit or would not come back as it was.
func decimal(text string) (mantissa int64, exponent int, ok bool) {
	digits, negative := strings.CutPrefix(text, "-")
	whole := len(digits) // before the point
	for i := range len(digits) {
		d := digits[i] - '0'
		if digits[i] == '.' && whole == len(digits) {
			whole = i
			continue
		}
		if d > 9 || mantissa > math.MaxInt64/40 {
			return 0, 0, false
		}
		mantissa = 10*mantissa + int64(d)
	}
	exponent = max(len(digits)-whole-1, 0)
	switch {
	case whole == 0, whole == len(digits)-1 && exponent == 0, whole > 1 && digits[0] == '0', exponent > 15,
		mantissa > math.MaxInt64/4, negative && mantissa == 0:
		return 0, 0, false
	case negative:
		mantissa = -mantissa
	}
	return mantissa, exponent, true
}

func formatDecimal(mantissa int64, exponent int) string {
	var room [40]byte
	return string(appendDecimal(room[:0], mantissa, exponent))
}

func appendDecimal(b []byte, mantissa int64, exponent int) []byte {
	from := len(b)
	b = strconv.AppendInt(b, mantissa, 10)
	if exponent == 0 {
		return b
	}
	if b[from] == '-' {
		from++
	}
	for len(b)-from <= exponent {
		b = slices.Insert(b, from, '0')
	}
	return slices.Insert(b, len(b)-exponent, '.')
}

// compactor makes the compact form of one record.
type compactor struct {
	out  []byte
	seen []string
	last int64 // the last instant
}

// compact appends the compact form of a value to b.
func compact(b []byte, n *node) []byte {
	c := compactor{out: b}
	c.value(n)
	return c.out
}

func (c *compactor) uvarint(v int) { c.out = binary.AppendUvarint(c.out, uint64(v)) }

func (c *compactor) value(n *node) {
	switch n.kind {
	case nodeNumber:
		c.number(n.text)
	case nodeString:
		c.text(n.text)
	case nodeArray:
		c.array(n)
	case nodeObject:
		c.object(n)
	case nodeNull:
		c.out = append(c.out, tagNull)
	default:
		c.out = append(c.out, tagFalse+byte(n.kind-nodeFalse))
	}
}

func (c *compactor) number(text string) {
	m, e, ok := decimal(text)
	if !ok {
		c.out = append(c.out, tagNumber)
		c.uvarint(len(text))
		c.out = append(c.out, text...)
		return
	}
	switch {
	case e == 0 && m >= 0 && m < 16:
		c.out = append(c.out, tagSmall+byte(m))
	case e == 0 && (m >= instantFrom || m <= -instantFrom) && (c.last == 0 || shorter(m-c.last, m)):
		c.out = binary.AppendVarint(append(c.out, tagInstant), m-c.last)
		c.last = m
	default:
		c.out = binary.AppendVarint(append(c.out, tagDecimal+byte(e)), m)
	}
}

func shorter(a, b int64) bool {
	var buf [binary.MaxVarintLen64]byte
	return binary.PutVarint(buf[:], a) < binary.PutVarint(buf[:], b)
}

// scale multiplies by a power of ten; ok is false where that is too much.
func scale(m int64, by int) (scaled int64, ok bool) {
	for range by {
		if m > math.MaxInt64/40 || m < -math.MaxInt64/40 {
			return 0, false
		}
		m *= 10
	}
	return m, true
}

func (c *compactor) text(s string) {
	if i, ok := wordNumber(s); ok {
		if i < 128 {
			c.out = append(c.out, tagWord+byte(i))
			return
		}
		c.out = append(c.out, tagWordFar)
		c.uvarint(i)
		return
	}
	if i := slices.Index(c.seen, s); i >= 0 {
		if i < tagSeenFar-tagSeen {
			c.out = append(c.out, tagSeen+byte(i))
			return
		}
		c.out = append(c.out, tagSeenFar)
		c.uvarint(i)
		return
	}
	c.seen = append(c.seen, s)
	c.out = append(c.out, tagString)
	c.uvarint(len(s))
	c.out = append(c.out, s...)
}

func (c *compactor) array(n *node) {
	if s, ok := rowShape(n); ok {
		c.out = append(c.out, tagRows, byte(s))
		c.uvarint(len(n.items))
		for i := range n.items {
			c.shaped(&n.items[i], s)
		}
		return
	}
	c.out = append(c.out, tagArray)
	c.uvarint(len(n.items))
	for i := range n.items {
		c.value(&n.items[i])
	}
}

func (c *compactor) object(n *node) {
	if s, ok := shapeOf(n); ok {
		if s < tagWord-tagShape {
			c.out = append(c.out, tagShape+byte(s))
		} else {
			c.out = append(c.out, tagShapeFar)
			c.uvarint(s)
		}
		c.shaped(n, s)
		return
	}
	c.out = append(c.out, tagObject)
	c.uvarint(len(n.items))
	for i := range n.items {
		c.text(n.keys[i])
		c.value(&n.items[i])
	}
}

// shaped codes the values of an object of a listed shape.
func (c *compactor) shaped(n *node, shape int) {
	at := 0
	for _, k := range compactShapes[shape] {
		if at < len(n.keys) && n.keys[at] == k {
			c.value(&n.items[at])
			at++
			continue
		}
		c.out = append(c.out, tagAbsent)
	}
}

// fits reports whether an object's keys stand in the shape, in its order, and
// how many of the shape's it lacks.
func fits(n *node, shape []string) (lacks int, ok bool) {
	if n.kind != nodeObject || len(n.keys) == 0 {
		return 0, false
	}
	at, spare := 0, len(shape)-len(n.keys)
	for _, k := range shape {
		if at < len(n.keys) && n.keys[at] == k {
			at++
		} else if spare--; spare < 0 {
			return 0, false
		}
	}
	return len(shape) - at, at == len(n.keys)
}

// shapeOf is the shape of which an object lacks the fewest keys, and no more than it
// has.
func shapeOf(n *node) (int, bool) {
	best, least := -1, len(n.keys)+1
	for i, s := range compactShapes {
		if lacks := len(s) - len(n.keys); lacks < 0 || lacks >= least {
			continue
		}
		if lacks, ok := fits(n, s); ok {
			best, least = i, lacks
		}
	}
	return best, best >= 0
}

// rowShape is the shape of all elements of an array, where they have one.
func rowShape(n *node) (int, bool) {
	if len(n.items) == 0 {
		return 0, false
	}
	s, ok := shapeOf(&n.items[0])
	for i := range n.items {
		if _, fit := fits(&n.items[i], compactShapes[max(s, 0)]); !ok || !fit {
			return 0, false
		}
	}
	return s, ok
}

// reader reads numbers from bytes that are not trusted. It remembers that it failed, by
// the error bad, and reads zeros from then on.
type reader struct {
	in       []byte
	err, bad error
}

func (r *reader) fail() { r.in, r.err = nil, r.bad }

func (r *reader) varint() int64 {
	v, n := binary.Varint(r.in)
	if n <= 0 {
		r.fail()
		return 0
	}
	r.in = r.in[n:]
	return v
}

func (r *reader) uvarint(limit uint64) uint64 {
	v, n := binary.Uvarint(r.in)
	if n <= 0 || v > limit {
		r.fail()
		return 0
	}
	r.in = r.in[n:]
	return v
}

// count reads a number from 0 to limit.
func (r *reader) count(limit int) int {
	if limit < 0 {
		r.fail()
		return 0
	}
	return int(r.uvarint(uint64(limit)))
}

// expander reads the compact form of one record.
type expander struct {
	reader
	seen  []string
	last  int64
	depth int
}

func (x *expander) fail() node {
	x.reader.fail()
	return node{}
}

// expand undoes compact, and reads what stands against a base.
func expand(b []byte, base *node) (node, error) {
	if len(b) > maxCompact {
		return node{}, errCompact
	}
	x := expander{reader: reader{in: b, bad: errCompact}}
	n := x.value(base)
	if x.err == nil && len(x.in) > 0 {
		x.fail()
	}
	return n, x.err
}

func (x *expander) byte() byte {
	if len(x.in) == 0 {
		x.fail()
		return tagNull
	}
	b := x.in[0]
	x.in = x.in[1:]
	return b
}

func (x *expander) bytes() string {
	n := x.count(len(x.in))
	if n > len(x.in) {
		x.fail()
		return ""
	}
	s := string(x.in[:n])
	x.in = x.in[n:]
	return s
}

func (x *expander) value(base *node) node {
	if x.depth++; x.depth > maxDepth {
		return x.fail()
	}
	defer func() { x.depth-- }()
	tag := x.byte()
	switch {
	case x.err != nil:
		return node{}
	case tag >= tagWord:
		return x.word(int(tag - tagWord))
	case tag >= tagShape:
		return x.shaped(int(tag - tagShape))
	case tag >= tagSeen && tag < tagSeenFar:
		return x.again(int(tag - tagSeen))
	case tag >= tagStep && tag < tagSeen:
		return x.step(int(tag-tagStep), base)
	case tag >= tagSmall && tag < tagStep:
		return node{kind: nodeNumber, text: strconv.Itoa(int(tag - tagSmall))}
	case tag >= tagDecimal && tag < tagSmall:
		return node{kind: nodeNumber, text: formatDecimal(x.varint(), int(tag-tagDecimal))}
	}
	return x.other(tag, base)
}

func (x *expander) other(tag byte, base *node) node {
	switch tag {
	case tagNull, tagFalse, tagTrue, tagAbsent:
		return node{kind: nodeKind(tag)}
	case tagString:
		s := x.bytes()
		x.seen = append(x.seen, s)
		return node{kind: nodeString, text: s}
	case tagArray:
		return x.list(x.count(len(x.in)))
	case tagObject:
		return x.spelt(x.count(len(x.in) / 2))
	case tagRows:
		return x.rows()
	case tagInstant:
		x.last += x.varint()
		return node{kind: nodeNumber, text: strconv.FormatInt(x.last, 10)}
	case tagNumber:
		n := node{kind: nodeNumber, text: x.bytes()}
		if _, err := strconv.ParseFloat(n.text, 64); err != nil || !json.Valid([]byte(n.text)) {
			return x.fail()
		}
		return n
	case tagSeenFar:
		return x.again(x.count(len(x.seen)))
	case tagWordFar:
		return x.word(x.count(len(compactWords)))
	case tagShapeFar:
		return x.shaped(x.count(len(compactShapes)))
	}
	if base == nil {
		return x.fail()
	}
	switch {
	case tag == tagSame:
		return *base
	case tag == tagPatch && base.kind == nodeObject:
		return node{kind: nodeObject, keys: base.keys, items: x.siblings(len(base.items), base)}
	case tag == tagPatchList && base.kind == nodeArray:
		return node{kind: nodeArray, items: x.siblings(x.count(len(base.items)+len(x.in)), base)}
	}
	return x.fail()
}

func (x *expander) word(i int) node {
	if i >= len(compactWords) {
		return x.fail()
	}
	return node{kind: nodeString, text: compactWords[i]}
}

func (x *expander) again(i int) node {
	if i >= len(x.seen) {
		return x.fail()
	}
	return node{kind: nodeString, text: x.seen[i]}
}

func (x *expander) step(e int, base *node) node {
	d := x.varint()
	if base == nil || base.kind != nodeNumber {
		return x.fail()
	}
	m, be, ok := decimal(base.text)
	if !ok || be > e {
		return x.fail()
	}
	m, ok = scale(m, e-be)
	if !ok {
		return x.fail()
	}
	return node{kind: nodeNumber, text: formatDecimal(m+d, e)}
}

func (x *expander) list(n int) node {
	out := node{kind: nodeArray}
	for range n {
		out.items = append(out.items, x.value(nil))
		if x.err != nil {
			return out
		}
	}
	return out
}

func (x *expander) spelt(n int) node {
	out := node{kind: nodeObject}
	for range n {
		k := x.value(nil)
		if k.kind != nodeString {
			return x.fail()
		}
		v := x.value(nil)
		if x.err != nil {
			return out
		}
		out.keys, out.items = append(out.keys, k.text), append(out.items, v)
	}
	return out
}

func (x *expander) rows() node {
	shape := int(x.byte())
	out := node{kind: nodeArray}
	for range x.count(len(x.in)) {
		out.items = append(out.items, x.shaped(shape))
		if x.err != nil {
			return out
		}
	}
	return out
}

func (x *expander) shaped(shape int) node {
	if shape >= len(compactShapes) {
		return x.fail()
	}
	out := node{kind: nodeObject}
	for _, k := range compactShapes[shape] {
		v := x.value(nil)
		if x.err != nil {
			return out
		}
		if v.kind != nodeAbsent {
			out.keys, out.items = append(out.keys, k), append(out.items, v)
		}
	}
	return out
}

func (x *expander) siblings(n int, base *node) []node {
	out := make([]node, 0, min(n, len(base.items)+1))
	for len(out) < n && x.err == nil {
		if len(x.in) > 0 && x.in[0] == tagSameRun {
			x.in = x.in[1:]
			run := x.count(min(n, len(base.items)) - len(out))
			out = append(out, base.items[len(out):len(out)+run]...)
			if run == 0 {
				x.fail()
			}
			continue
		}
		var b *node
		if i := len(out); i < len(base.items) {
			b = &base.items[i]
		}
		out = append(out, x.value(b))
	}
	return out
}
