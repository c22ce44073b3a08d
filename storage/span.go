package storage

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"slices"

	"joltwatch/bus"
	"joltwatch/stream"
)

// A span is a run of consecutive frames of the look-back. Its payload:
//
//	 0  8  ordinal of the first frame: frames are counted through the run
//	 8  4  number of frames
//	12  8  earliest instant, µs
//	20  8  latest instant, µs
//	28  …  description and columns; see pack.go
//
// The frames are sorted into rows of one shape: same identifier, kind, bus,
// flags and length. Each shape has one column of instants, one for each mapped
// signal (its raw integers, whole), one for each byte in which the bits left
// over change, and one for Early where it is not 0. The order of arrival
// follows from the instants: of the frames at the head of each shape, the
// earliest comes next, at equal instants that of the first shape; where it was
// not so, an exception says which.
//
// The description is self-contained, so that a span can be read without the
// plan:
//
//	shapes, then for each:
//	  bus, kind, flags, length, identifier, number of frames
//	  1 where Early is a column, else 0
//	  fields, then for each: start, length, 1 where big-endian
//	  for each byte carried: 0 where the bits left over never change, and
//	  those bits; else 1
//	exceptions, then for each: frames since the last one, shape
//
// All are unsigned varints. Columns follow in the same order: instants, Early,
// fields, bytes.
const (
	spanHead = 28
	// maxSpanFrames and the others bound what a reader allocates for a span.
	maxSpanFrames = maxChunk
	maxShapes     = 1 << 14
	maxFields     = 512
)

// spanInfo is the head of a span.
type spanInfo struct {
	first    uint64
	frames   uint32
	from, to bus.Micros
}

func parseSpanHead(p []byte) (spanInfo, error) {
	if len(p) < spanHead {
		return spanInfo{}, errSpan
	}
	s := spanInfo{
		first:  binary.LittleEndian.Uint64(p),
		frames: binary.LittleEndian.Uint32(p[8:]),
		from:   bus.Micros(binary.LittleEndian.Uint64(p[12:])),
		to:     bus.Micros(binary.LittleEndian.Uint64(p[20:])),
	}
	if s.frames == 0 || s.frames > maxSpanFrames {
		return spanInfo{}, errSpan
	}
	return s, nil
}

var errSpan = errors.New("the frames in it do not add up")

// shapeKey is what the frames of a shape have in common.
type shapeKey struct {
	id     uint32
	bus    uint8
	kind   bus.Kind
	flags  bus.Flags
	length uint8
}

type shape struct {
	shapeKey
	early  bool
	fields []bitField
	// loose marks the bytes whose left-over bits change; fixed holds those
	// that do not.
	loose [64]bool
	fixed [64]byte
	count int

	// When writing: positions in the span, and the first eight bytes of each as a
	// number, in the coder's buffers.
	rows   []int
	words  []uint64
	layout *layout
}

// layout is what a writer knows of a shape from one span to the next.
type layout struct {
	fields []bitField
	mapped [64]byte // the bits that the fields cover
	// How its columns were coded; those of fields come before those of bytes.
	instants, early habit
	columns         []habit
}

func keyOf(f *bus.Frame) shapeKey {
	return shapeKey{id: f.ID, bus: f.Bus, kind: f.Kind, flags: f.Flags, length: f.Len}
}

// spanCoder makes spans; it keeps its buffers from one to the next.
type spanCoder struct {
	plan    *stream.Plan
	layouts map[shapeKey]*layout
	pack    *packer
	shapes  []shape
	index   map[shapeKey]int // of shapes
	order   []int            // the shape of each frame
	rows    []int            // of all shapes
	words   []uint64
	text    []byte   // the description
	numbers []uint64 // columns of the shape that is being coded
}

func newSpanCoder(plan *stream.Plan, pack *packer) *spanCoder {
	return &spanCoder{plan: plan, layouts: map[shapeKey]*layout{}, index: map[shapeKey]int{}, pack: pack}
}

// encode returns the payload of a span of these frames, of which the first has
// the given ordinal.
func (c *spanCoder) encode(first uint64, frames []bus.Frame) []byte {
	c.sort(frames)
	info := spanInfo{first: first, frames: uint32(len(frames)), from: frames[0].At, to: frames[0].At}
	for i := range frames {
		info.from, info.to = min(info.from, frames[i].At), max(info.to, frames[i].At)
	}
	c.text = describe(c.text[:0], frames, c.shapes, c.order)
	c.pack.begin(c.text)
	for i := range c.shapes {
		c.columns(frames, &c.shapes[i])
	}
	out := make([]byte, spanHead)
	binary.LittleEndian.PutUint64(out, info.first)
	binary.LittleEndian.PutUint32(out[8:], info.frames)
	binary.LittleEndian.PutUint64(out[12:], uint64(info.from))
	binary.LittleEndian.PutUint64(out[20:], uint64(info.to))
	return c.pack.end(out)
}

// sort groups the frames by shape, in order of first appearance.
func (c *spanCoder) sort(frames []bus.Frame) {
	clear(c.index)
	c.shapes, c.order = c.shapes[:0], c.order[:0]
	var recent [16]int // by identifier: the shape it had last
	for i := range frames {
		f := &frames[i]
		k := keyOf(f)
		last := &recent[(f.ID^f.ID>>4)%uint32(len(recent))]
		if *last >= len(c.shapes) || c.shapes[*last].shapeKey != k {
			*last = c.shapeOf(k)
		}
		s := &c.shapes[*last]
		s.early = s.early || f.Early != 0
		s.count++
		c.order = append(c.order, *last)
	}
	c.share(len(frames))
	for i, at := range c.order {
		s := &c.shapes[at]
		s.rows = append(s.rows, i)
	}
	for i := range c.shapes {
		c.shapes[i].fix(frames)
	}
}

// shapeOf is where the shape stands, at the end where it is new.
func (c *spanCoder) shapeOf(k shapeKey) int {
	at, ok := c.index[k]
	if !ok {
		at = len(c.shapes)
		c.index[k] = at
		l := c.layoutOf(k)
		c.shapes = append(c.shapes, shape{shapeKey: k, fields: l.fields, layout: l})
	}
	return at
}

// share gives each shape its part of the buffers for that many frames.
func (c *spanCoder) share(frames int) {
	c.rows = slices.Grow(c.rows[:0], frames)[:frames]
	c.words = slices.Grow(c.words[:0], frames)[:frames]
	from := 0
	for i := range c.shapes {
		s := &c.shapes[i]
		s.rows, s.words = c.rows[from:from], c.words[from:from+s.count]
		from += s.count
	}
}

// fix finds the bytes in which bits that no field covers change.
func (s *shape) fix(frames []bus.Frame) {
	n := carried(s.kind, s.length)
	first := &frames[s.rows[0]].Data
	for b := range n {
		s.fixed[b] = first[b] &^ s.layout.mapped[b]
	}
	changed := uint64(0)
	for i, r := range s.rows {
		s.words[i] = binary.LittleEndian.Uint64(frames[r].Data[:8])
		changed |= s.words[i] ^ s.words[0]
	}
	for b := range min(n, 8) {
		s.loose[b] = byte(changed>>(8*b))&^s.layout.mapped[b] != 0
	}
	if n <= 8 {
		return
	}
	for _, r := range s.rows {
		for b := 8; b < n; b++ {
			s.loose[b] = s.loose[b] || frames[r].Data[b]&^s.layout.mapped[b] != s.fixed[b]
		}
	}
}

// layoutOf returns the plan's signals in frames of this shape, as far as they
// fit and share no bit with an earlier one.
func (c *spanCoder) layoutOf(k shapeKey) *layout {
	if l := c.layouts[k]; l != nil {
		return l
	}
	l := &layout{}
	n := carried(k.kind, k.length)
	for i := range c.plan.Messages {
		m := &c.plan.Messages[i]
		if !matches(m, k) {
			continue
		}
		for _, s := range m.Signals {
			f := bitField{start: s.Start, length: s.Length, big: s.BigEndian}
			if len(l.fields) == maxFields || !f.within(n) || f.take(&l.mapped) != 0 {
				continue
			}
			f.put(&l.mapped, ^uint64(0))
			l.fields = append(l.fields, f)
		}
	}
	l.columns = make([]habit, len(l.fields)+n)
	c.layouts[k] = l
	return l
}

// matches reports whether a message of the plan means frames of this shape.
func matches(m *stream.Message, k shapeKey) bool {
	if m.Bus >= 0 && m.Bus != int(k.bus) {
		return false
	}
	extended := k.flags&bus.Extended != 0
	switch m.Match {
	case stream.MatchReading:
		return k.kind == bus.Reading && k.id == m.ID
	case stream.MatchAnswer:
		return k.kind == bus.Answer && k.id == m.ID
	case stream.MatchPGN:
		pgn, source := stream.PGN(k.id)
		return k.kind == bus.Data && extended && pgn == m.ID && (m.SourceAddress < 0 || m.SourceAddress == int(source))
	}
	return k.kind == bus.Data && k.id == m.ID && extended == m.Extended
}

// describe appends what a reader needs to know before the columns.
func describe(b []byte, frames []bus.Frame, shapes []shape, order []int) []byte {
	b = binary.AppendUvarint(b, uint64(len(shapes)))
	for i := range shapes {
		s := &shapes[i]
		for _, v := range []uint64{uint64(s.bus), uint64(s.kind), uint64(s.flags), uint64(s.length), uint64(s.id), uint64(len(s.rows)), bit(s.early), uint64(len(s.fields))} {
			b = binary.AppendUvarint(b, v)
		}
		for _, f := range s.fields {
			b = binary.AppendUvarint(b, uint64(f.start))
			b = binary.AppendUvarint(b, uint64(f.length))
			b = binary.AppendUvarint(b, bit(f.big))
		}
		for at := range carried(s.kind, s.length) {
			if s.loose[at] {
				b = append(b, 1)
			} else {
				b = binary.AppendUvarint(append(b, 0), uint64(s.fixed[at]))
			}
		}
	}
	type exception struct{ gap, shape int }
	var exceptions []exception
	m := newMerge(len(shapes), func(s, row int) (bus.Micros, bool) {
		if row >= len(shapes[s].rows) {
			return 0, false
		}
		return frames[shapes[s].rows[row]].At, true
	})
	last := 0
	ordered, behind := true, false
	for i := range frames[1:] {
		ordered = ordered && frames[i].At <= frames[i+1].At
	}
	for i := range frames {
		if ordered && (i+1 == len(frames) || frames[i].At < frames[i+1].At) {
			m.row[order[i]]++ // what comes before all later frames is the earliest head
			behind = true
			continue
		}
		if behind {
			m.look()
			behind = false
		}
		if m.guess() != order[i] {
			exceptions = append(exceptions, exception{i - last, order[i]})
			last = i
		}
		m.take(order[i])
	}
	b = binary.AppendUvarint(b, uint64(len(exceptions)))
	for _, e := range exceptions {
		b = binary.AppendUvarint(b, uint64(e.gap))
		b = binary.AppendUvarint(b, uint64(e.shape))
	}
	return b
}

func bit(b bool) uint64 {
	if b {
		return 1
	}
	return 0
}

func (c *spanCoder) columns(frames []bus.Frame, s *shape) {
	n := carried(s.kind, s.length)
	if need := len(s.rows) * (2 + len(s.fields) + n); cap(c.numbers) < need {
		c.numbers = make([]uint64, need)
	}
	c.numbers = c.numbers[:0]
	c.pack.instants(&s.layout.instants, c.column(s, func(i int) uint64 { return uint64(frames[s.rows[i]].At) }))
	if s.early {
		c.pack.integers(&s.layout.early, c.column(s, func(i int) uint64 { return uint64(frames[s.rows[i]].Early) }), 32, nil)
	}
	var twins twins
	for i, x := range s.fields {
		col := c.field(frames, s, x)
		c.pack.integers(&s.layout.columns[i], col, x.length, twins[x.length])
		twins.add(x.length, col)
	}
	for b := range n {
		if !s.loose[b] {
			continue
		}
		col := c.column(s, func(i int) uint64 { return uint64(frames[s.rows[i]].Data[b] &^ s.layout.mapped[b]) })
		c.pack.integers(&s.layout.columns[len(s.fields)+b], col, 8, twins[8])
		twins.add(8, col)
	}
}

// column makes a column of what is said of each row.
func (c *spanCoder) column(s *shape, value func(i int) uint64) []uint64 {
	from := len(c.numbers)
	for i := range s.rows {
		c.numbers = append(c.numbers, value(i))
	}
	return c.numbers[from:]
}

// field makes the column of a field, whole.
func (c *spanCoder) field(frames []bus.Frame, s *shape, x bitField) []uint64 {
	shift, ok := x.inWord()
	if !ok {
		return c.column(s, func(i int) uint64 { return x.take(&frames[s.rows[i]].Data) })
	}
	from := len(c.numbers)
	mask := ^uint64(0) >> (64 - x.length)
	for _, w := range s.words {
		if x.big {
			w = bits.ReverseBytes64(w)
		}
		c.numbers = append(c.numbers, w>>shift&mask)
	}
	return c.numbers[from:]
}

// twins are the columns of a shape so far, by their number of bits.
type twins [65][][]uint64

// maxTwins bounds how many columns each is compared with.
const maxTwins = 8

func (t *twins) add(length uint8, col []uint64) {
	if len(t[length]) < maxTwins {
		t[length] = append(t[length], col)
	}
}

// decodeSpan returns the frames of a span's payload.
func decodeSpan(u *unpacker, payload []byte) (spanInfo, []bus.Frame, error) {
	info, err := parseSpanHead(payload)
	if err != nil {
		return info, nil, err
	}
	r, err := u.body(payload[spanHead:])
	if err != nil {
		return info, nil, fmt.Errorf("span of %d frames: %w", info.frames, err)
	}
	shapes := readShapes(r, int(info.frames))
	type exception struct{ at, shape int }
	var exceptions []exception
	at := 0
	for range r.count(int(info.frames)) {
		at += r.count(int(info.frames))
		exceptions = append(exceptions, exception{at, r.count(len(shapes) - 1)})
	}
	if r.err != nil {
		return info, nil, r.err
	}
	if err := u.spendColumns(shapes); err != nil {
		return info, nil, err
	}
	rows := make([][]bus.Frame, len(shapes))
	for i := range shapes {
		if rows[i] = readRows(r, &shapes[i]); r.err != nil {
			return info, nil, r.err
		}
	}
	if len(r.in)+len(r.blob) != 0 {
		return info, nil, errSpan
	}
	out := make([]bus.Frame, 0, info.frames)
	m := newMerge(len(shapes), func(s, row int) (bus.Micros, bool) {
		if row >= len(rows[s]) {
			return 0, false
		}
		return rows[s][row].At, true
	})
	for i := range int(info.frames) {
		s := m.guess()
		if len(exceptions) > 0 && exceptions[0].at == i {
			s = exceptions[0].shape
			exceptions = exceptions[1:]
		}
		if s < 0 || m.row[s] >= len(rows[s]) {
			return info, nil, errSpan
		}
		out = append(out, rows[s][m.row[s]])
		m.take(s)
	}
	return info, out, nil
}

// spendColumns counts what the columns of a span take to read: memory by their
// numbers, time by the bits of those and a little for each.
func (u *unpacker) spendColumns(shapes []shape) error {
	var numbers, bits int64
	for i := range shapes {
		s := &shapes[i]
		columns, wide := int64(1), int64(frameBits)
		add := func(length int64) { columns, wide = columns+1, wide+length+4 }
		if s.early {
			add(32)
		}
		for _, f := range s.fields {
			add(int64(f.length))
		}
		for b := range carried(s.kind, s.length) {
			if s.loose[b] {
				add(8)
			}
		}
		numbers += columns * int64(s.count)
		bits += wide * int64(s.count)
	}
	if numbers > maxNumbers {
		return errBudget
	}
	return spent(&u.bits, bits)
}

// frameBits is what a frame without columns costs, in bits of columns, by time.
const frameBits = 256

// maxNumbers bounds the columns of one span.
const maxNumbers = 2 << 20

func readShapes(r *columnReader, frames int) []shape {
	n := r.count(maxShapes)
	shapes := make([]shape, 0, min(n, 256))
	left := frames
	for range n {
		var s shape
		s.bus, s.kind, s.flags = uint8(r.count(255)), bus.Kind(r.count(255)), bus.Flags(r.count(255))
		s.length = uint8(r.count(127))
		s.id = uint32(r.uvarint(1<<32 - 1))
		rows := r.count(left)
		left -= rows
		s.count = rows
		s.early = r.count(1) == 1
		bytes := carried(s.kind, s.length)
		for range r.count(maxFields) {
			f := bitField{start: uint16(r.count(511)), length: uint8(r.count(64)), big: r.count(1) == 1}
			if !f.within(bytes) {
				r.fail()
				return nil
			}
			s.fields = append(s.fields, f)
		}
		for b := range bytes {
			if s.loose[b] = r.count(1) == 1; !s.loose[b] {
				s.fixed[b] = byte(r.count(255))
			}
		}
		if r.err != nil {
			return nil
		}
		shapes = append(shapes, s)
	}
	if left != 0 {
		r.fail()
	}
	return shapes
}

func readRows(r *columnReader, s *shape) []bus.Frame {
	n := s.count
	out := make([]bus.Frame, n)
	for i, v := range r.instants(n) {
		f := &out[i]
		f.At, f.ID, f.Bus, f.Kind, f.Flags, f.Len = bus.Micros(v), s.id, s.bus, s.kind, s.flags, s.length
		f.Data = s.fixed
	}
	if s.early {
		for i, v := range r.integers(n, 32, nil) {
			out[i].Early = uint32(v)
		}
	}
	var twins twins
	for _, f := range s.fields {
		col := r.integers(n, f.length, twins[f.length])
		twins.add(f.length, col)
		for i, v := range col {
			f.put(&out[i].Data, v)
		}
	}
	for b := range carried(s.kind, s.length) {
		if s.loose[b] {
			col := r.integers(n, 8, twins[8])
			twins.add(8, col)
			for i, v := range col {
				out[i].Data[b] |= byte(v) // beside the fields
			}
		}
	}
	if r.err != nil {
		return nil
	}
	return out
}

// merge puts the rows of several shapes back into one order.
type merge struct {
	row  []int
	head []bus.Micros
	has  []bool
	at   func(shape, row int) (bus.Micros, bool)
}

func newMerge(shapes int, at func(shape, row int) (bus.Micros, bool)) *merge {
	m := &merge{row: make([]int, shapes), head: make([]bus.Micros, shapes), has: make([]bool, shapes), at: at}
	m.look()
	return m
}

// look has the heads as the rows stand.
func (m *merge) look() {
	for s, row := range m.row {
		m.head[s], m.has[s] = m.at(s, row)
	}
}

// guess is the shape whose head is the earliest, -1 where none is left.
func (m *merge) guess() int {
	best := -1
	for s, ok := range m.has {
		if ok && (best < 0 || m.head[s] < m.head[best]) {
			best = s
		}
	}
	return best
}

func (m *merge) take(s int) {
	m.row[s]++
	m.head[s], m.has[s] = m.at(s, m.row[s])
}
