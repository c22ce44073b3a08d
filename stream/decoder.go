package stream

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"

	"joltwatch/bus"
)

// Decoder turns frames into samples of every mapped signal. It makes no choice
// among the sources of a role; Stream does.
type Decoder struct {
	messages []message
	bindings []binding
	table    idTable
	// pgn lists the messages matched by parameter group: extended identifiers
	// that are not in the table are compared with them once and remembered.
	pgn []int32
	// anyBus is set where a message is on any bus.
	anyBus bool
	feeds  []decodedFeed
	short  uint64

	samples []Sample
	feed    []uint16
}

// feedKey says what one feed is: one signal as sent by one identifier. A
// parameter group mapped without a source address has a feed for each address
// that sends it.
type feedKey struct {
	role   Role
	source uint8
	// address is the J1939 source address, or -1.
	address int
}

type decodedFeed struct {
	feedKey
	step float64
}

type message struct {
	plan   *Message
	fields []field
}

// binding ties an identifier to a message.
type binding struct {
	message int32
	next    int32 // the next binding of the same identifier, or -1
	feed    uint16
}

// fieldForm is how a field is taken out of the eight bytes at its offset.
type fieldForm uint8

const (
	littleUnsigned fieldForm = iota
	bigUnsigned
	littleSigned
	bigSigned
	ninthByte // a field of more than 57 bits that touches nine bytes
	float32Bits
	float64Bits
)

type field struct {
	mask     uint64
	min, max int64 // of the raw value
	scale    float64
	offset   float64
	states   *stateTable
	mux      []muxField
	minF     float64 // of the value, for floats
	maxF     float64
	start    uint16
	form     fieldForm
	at       uint8 // offset of the eight bytes
	shift    uint8
	length   uint8
	need     uint8 // bytes the frame must have
	role     Role
	source   uint8
	big      bool
	signed   bool
	plain    bool // no states, no multiplexer, no float
}

type muxField struct {
	field  field
	ranges [][2]uint64
}

// maxFeeds bounds what hostile traffic (one parameter group from all 256
// addresses) can make the decoder remember.
const maxFeeds = 1024

// NewDecoder prepares the plan. The plan must not change afterwards.
func NewDecoder(plan *Plan) (*Decoder, error) {
	d := &Decoder{}
	most := 0
	for i := range plan.Messages {
		m := &plan.Messages[i]
		if m.Bus < -1 || m.Bus >= max(1, len(plan.Buses)) {
			return nil, fmt.Errorf("message %s: bus %d does not exist: the plan has %d", m.Name, m.Bus, len(plan.Buses))
		}
		pm := message{plan: m}
		for j := range m.Signals {
			s := &m.Signals[j]
			if s.Role >= NumRoles {
				return nil, fmt.Errorf("signal %s.%s: unknown role %d", m.Name, s.Name, s.Role)
			}
			f, err := newField(s)
			if err != nil {
				return nil, fmt.Errorf("signal %s.%s: %w", m.Name, s.Name, err)
			}
			pm.fields = append(pm.fields, f)
		}
		most += len(pm.fields)
		d.messages = append(d.messages, pm)
		n := int32(len(d.messages) - 1)
		if m.Bus == -1 {
			d.anyBus = true
		}
		if m.Match == MatchPGN {
			d.pgn = append(d.pgn, n)
			continue
		}
		if err := d.bind(messageKey(m), n, -1); err != nil {
			return nil, fmt.Errorf("message %s: %w", m.Name, err)
		}
	}
	d.samples = make([]Sample, 0, most)
	d.feed = make([]uint16, 0, most)
	return d, nil
}

// Any-bus messages stand in the table under this bus.
const everyBus = 0xff

// key packs what distinguishes identifiers into one integer: 32 bits of
// identifier, 8 of bus, 3 of kind, 1 for extended. It is never 0.
func key(id uint32, bus uint8, kind bus.Kind, extended bool) uint64 {
	k := uint64(id) | uint64(bus)<<32 | uint64(kind)<<40 | 1<<63
	if extended {
		k |= 1 << 44
	}
	return k
}

func frameKey(f *bus.Frame) uint64 {
	return key(f.ID, f.Bus, f.Kind, f.Flags&bus.Extended != 0)
}

func messageKey(m *Message) uint64 {
	b := uint8(everyBus)
	if m.Bus >= 0 {
		b = uint8(m.Bus)
	}
	switch m.Match {
	case MatchReading:
		return key(m.ID, b, bus.Reading, false)
	case MatchAnswer:
		return key(m.ID, b, bus.Answer, false)
	}
	return key(m.ID, b, bus.Data, m.Extended)
}

// bind adds message n to the identifier's chain, with a feed for each of its
// signals.
func (d *Decoder) bind(k uint64, n int32, address int) error {
	m := &d.messages[n]
	if len(d.feeds)+len(m.fields) > maxFeeds {
		return fmt.Errorf("more than %d mapped signals", maxFeeds)
	}
	b := binding{message: n, next: -1, feed: uint16(len(d.feeds))}
	for i := range m.fields {
		x := &m.fields[i]
		step := math.Abs(x.scale)
		if x.form == float32Bits || x.form == float64Bits {
			step = 0
		}
		d.feeds = append(d.feeds, decodedFeed{feedKey{x.role, x.source, address}, step})
	}
	d.bindings = append(d.bindings, b)
	at := int32(len(d.bindings) - 1)
	first := d.table.get(k)
	if first < 0 {
		d.table.put(k, at)
		return nil
	}
	for d.bindings[first].next >= 0 {
		first = d.bindings[first].next
	}
	d.bindings[first].next = at
	return nil
}

// PGN returns the parameter group and the source address of a 29-bit
// identifier (SAE J1939-21, 5.2: data page bits, PDU format, and the PDU
// specific byte where the format is 240 or more).
func PGN(id uint32) (pgn uint32, source uint8) {
	pgn = id >> 8 & 0x3ffff
	if pgn>>8&0xff < 240 {
		pgn &^= 0xff
	}
	return pgn, uint8(id)
}

// learn compares an identifier seen for the first time with the parameter
// groups and remembers the outcome.
func (d *Decoder) learn(f *bus.Frame, k uint64) int32 {
	pgn, address := PGN(f.ID)
	for _, n := range d.pgn {
		m := d.messages[n].plan
		if m.ID != pgn || m.Bus >= 0 && m.Bus != int(f.Bus) || m.SourceAddress >= 0 && m.SourceAddress != int(address) {
			continue
		}
		if d.bind(k, n, int(address)) != nil {
			break
		}
	}
	first := d.table.get(k)
	if first == absent {
		d.table.remember(k, unmapped)
	}
	return first
}

// lookup returns the first binding of the frame's identifier, negative where
// there is none.
func (d *Decoder) lookup(f *bus.Frame) int32 {
	k := frameKey(f)
	n := d.table.get(k)
	if n == absent && len(d.pgn) > 0 && f.Kind == bus.Data && f.Flags&bus.Extended != 0 {
		n = d.learn(f, k)
	}
	return n
}

// Decode returns the samples of one frame and whether its identifier is
// mapped at all. The slice is valid until the next call.
func (d *Decoder) Decode(f *bus.Frame) (samples []Sample, mapped bool) {
	d.samples = d.samples[:0]
	d.feed = d.feed[:0]
	switch f.Kind {
	case bus.Data, bus.Reading, bus.Answer:
	default:
		return nil, false
	}
	n := d.lookup(f)
	if n >= 0 {
		mapped = true
		d.decodeChain(f, n)
	}
	if d.anyBus {
		g := d.table.get(key(f.ID, everyBus, f.Kind, f.Flags&bus.Extended != 0))
		if g >= 0 {
			mapped = true
			d.decodeChain(f, g)
		}
	}
	return d.samples, mapped
}

func (d *Decoder) decodeChain(f *bus.Frame, n int32) {
	for n >= 0 {
		b := &d.bindings[n]
		d.decode(f, &d.messages[b.message], b.feed)
		n = b.next
	}
}

func (d *Decoder) decode(f *bus.Frame, m *message, feed uint16) {
	for i := range m.fields {
		x := &m.fields[i]
		if f.Len < x.need {
			d.short++
			continue
		}
		if len(x.mux) > 0 && !x.present(f) {
			continue
		}
		n := len(d.samples)
		if n == cap(d.samples) {
			d.samples = append(d.samples, Sample{})
		} else {
			d.samples = d.samples[:n+1]
		}
		s := &d.samples[n]
		s.At, s.Early, s.Role, s.Source = f.At, f.Early, x.role, x.source
		raw := x.raw(f)
		s.Raw = raw
		if x.plain {
			s.OK = raw >= x.min && raw <= x.max
			s.Value = float64(float64(raw)*x.scale) + x.offset
		} else {
			x.special(s)
		}
		d.feed = append(d.feed, feed+uint16(i))
	}
}

// raw is the field's raw value, sign extended where signed; for floats the
// bits.
func (x *field) raw(f *bus.Frame) int64 {
	switch x.form {
	case littleUnsigned, float32Bits, float64Bits:
		w := binary.LittleEndian.Uint64(f.Data[x.at&63:][:8])
		if x.big {
			w = bits.ReverseBytes64(w)
		}
		return int64(w >> (x.shift & 63) & x.mask)
	case bigUnsigned:
		w := binary.BigEndian.Uint64(f.Data[x.at&63:][:8])
		return int64(w >> (x.shift & 63) & x.mask)
	case littleSigned:
		w := binary.LittleEndian.Uint64(f.Data[x.at&63:][:8])
		return extend(w>>(x.shift&63)&x.mask, x.length)
	case bigSigned:
		w := binary.BigEndian.Uint64(f.Data[x.at&63:][:8])
		return extend(w>>(x.shift&63)&x.mask, x.length)
	}
	return x.wide(f)
}

func extend(v uint64, length uint8) int64 {
	s := 64 - length
	return int64(v<<(s&63)) >> (s & 63)
}

// wide takes a field bit by bit, for those that touch nine bytes.
func (x *field) wide(f *bus.Frame) int64 {
	v := takeBits(f.Data[:], x.start, x.length, x.big)
	if x.signed {
		return extend(v, x.length)
	}
	return int64(v)
}

// takeBits takes any field bit by bit, counting as DBC files do.
func takeBits(data []byte, start uint16, length uint8, big bool) uint64 {
	var v uint64
	if big {
		p := int(start)
		for range length {
			v = v<<1 | uint64(data[p>>3]>>(p&7)&1)
			if p&7 == 0 {
				p += 15
			} else {
				p--
			}
		}
		return v
	}
	for i := int(length) - 1; i >= 0; i-- {
		p := int(start) + i
		v = v<<1 | uint64(data[p>>3]>>(p&7)&1)
	}
	return v
}

// special finishes samples with states or of floats or of 64 bits.
func (x *field) special(s *Sample) {
	switch x.form {
	case float32Bits:
		x.float(s, float64(math.Float32frombits(uint32(s.Raw))))
		return
	case float64Bits:
		x.float(s, math.Float64frombits(uint64(s.Raw)))
		return
	}
	if x.states != nil {
		s.Value, s.OK = x.states.get(s.Raw)
		return
	}
	// What is left is unsigned and 64 bits long.
	v := float64(uint64(s.Raw))
	s.OK = v >= x.minF && v <= x.maxF
	s.Value = float64(v*x.scale) + x.offset
}

func (x *field) float(s *Sample, v float64) {
	s.OK = v >= x.minF && v <= x.maxF && !math.IsInf(v, 0) // NaN fails both
	s.Value = float64(v*x.scale) + x.offset
	if !s.OK {
		s.Value = 0
	}
}

func (x *field) present(f *bus.Frame) bool {
	for i := range x.mux {
		m := &x.mux[i]
		v := uint64(m.field.raw(f))
		in := false
		for _, r := range m.ranges {
			if v >= r[0] && v <= r[1] {
				in = true
				break
			}
		}
		if !in {
			return false
		}
	}
	return true
}

func newField(s *Signal) (field, error) {
	x := field{start: s.Start, length: s.Length, role: s.Role, source: s.Source,
		scale: s.Scale, offset: s.Offset, big: s.BigEndian, signed: s.Signed}
	if err := x.place(); err != nil {
		return x, err
	}
	x.minF, x.maxF = s.RawMin, s.RawMax
	if s.RawMin == 0 && s.RawMax == 0 {
		x.minF, x.maxF = -math.MaxFloat64, math.MaxFloat64
	}
	x.min, x.max = clampInt(math.Ceil(x.minF)), clampInt(math.Floor(x.maxF))
	x.plain = true
	if s.Float && x.form == ninthByte {
		return x, fmt.Errorf("a float must start on a byte")
	}
	switch {
	case s.Float && s.Length == 32:
		x.form, x.plain = float32Bits, false
	case s.Float && s.Length == 64:
		x.form, x.plain = float64Bits, false
	case s.Float:
		return x, fmt.Errorf("a float has 32 or 64 bits, not %d", s.Length)
	case s.Length == 64 && !s.Signed:
		x.plain = false
	}
	if len(s.States) > 0 {
		if s.Float {
			return x, fmt.Errorf("a float has no states")
		}
		x.states, x.plain = newStateTable(s.States), false
	}
	for _, c := range s.Mux {
		m := muxField{field: field{start: c.Start, length: c.Length, big: c.BigEndian}, ranges: c.Ranges}
		if err := m.field.place(); err != nil {
			return x, fmt.Errorf("multiplexer: %w", err)
		}
		x.need = max(x.need, m.field.need)
		x.mux = append(x.mux, m)
	}
	return x, nil
}

func clampInt(v float64) int64 {
	switch {
	case v >= math.MaxInt64:
		return math.MaxInt64
	case v <= math.MinInt64:
		return math.MinInt64
	}
	return int64(v)
}

// place works out offset, shift and mask from start, length and byte order.
func (x *field) place() error {
	if x.length < 1 || x.length > 64 {
		return fmt.Errorf("length %d bits: expected 1 to 64", x.length)
	}
	first := int(x.start) >> 3
	var last int // the last byte touched
	if x.big {
		last = first + (int(x.length)-(int(x.start)&7+1)+7)/8
		if int(x.length) <= int(x.start)&7+1 {
			last = first
		}
	} else {
		last = (int(x.start) + int(x.length) - 1) >> 3
	}
	if last > 63 {
		return fmt.Errorf("bits %d…: beyond the 64 bytes of the longest frame", x.start)
	}
	x.need = uint8(last + 1)
	x.mask = ^uint64(0) >> (64 - x.length)
	at := min(first, 56)
	if last-at >= 8 {
		x.form = ninthByte
		return nil
	}
	x.at = uint8(at)
	if x.big {
		// Position of the most significant bit, counted from the top of the
		// eight bytes.
		top := (first-at)*8 + 7 - int(x.start)&7
		x.shift = uint8(64 - top - int(x.length))
		x.form = bigUnsigned
		if x.signed {
			x.form = bigSigned
		}
		return nil
	}
	x.shift = uint8(int(x.start) - at*8)
	x.form = littleUnsigned
	if x.signed {
		x.form = littleSigned
	}
	return nil
}
