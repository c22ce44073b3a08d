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

	// samples has room for all fields of the plan. The feed of sample i is
	// base + i, or feed[i] where direct is not set.
	samples []Sample
	feed    []int32
	direct  bool
	base    int32
	// learnt counts the feeds of identifiers found by parameter group.
	learnt int
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
	message, signal int // in the plan
	step            float64
	percent         bool // of the reference torque
}

type message struct {
	plan   *Message
	fields []field
	// small is set where all fields lie in the first eight bytes and none
	// needs more than a shift, a mask and a table of states; need is then
	// the bytes that hold them all.
	small bool
	need  uint8
	// samples are those of a small message, with what never changes set.
	samples []Sample
	values  []float64 // their values, 0 for none, where no queue takes them
	// states lists the fields with a table of states.
	states []int
	// shared is the queue of a Stream that the message's signals share, nil where they
	// do not.
	shared *queue
	all    uint32 // 1<<role of the fields
}

// binding ties an identifier to a message.
type binding struct {
	message int32
	next    int32 // the next binding of the same identifier, or -1
	feed    int32
}

// field is one signal, ready to be taken out of a frame. It fills one cache
// line.
type field struct {
	mask   uint64
	sign   uint64 // the sign bit, 0 where unsigned
	min    int64  // of the raw value
	span   uint64 // max - min
	scale  float64
	offset float64
	shift  uint8
	big    uint8 // 1 for big-endian
	at     uint8 // offset of the eight bytes that hold the field
	need   uint8 // bytes the frame must have
	role   Role
	source uint8
	length uint8
	// uncommon is set for the fields that take more than that.
	uncommon *uncommon
}

// uncommon is what only some fields have.
type uncommon struct {
	states     *stateTable
	start      uint16
	wide       bool // touches nine bytes
	float      bool
	unsigned64 bool
	minF, maxF float64 // of the value, for floats and unsigned 64 bits
	mux        []muxField
}

type muxField struct {
	field  field
	ranges [][2]uint64
}

// maxLearntFeeds bounds what hostile traffic (one parameter group from all 256
// addresses) can make the decoder remember.
const maxLearntFeeds = 1024

// NewDecoder prepares the plan. The plan must not change afterwards.
func NewDecoder(plan *Plan) (*Decoder, error) {
	d := &Decoder{}
	d.table.grow()
	d.messages = make([]message, 0, len(plan.Messages)) // never moved: the table points into it
	most := 0
	for i := range plan.Messages {
		m := &plan.Messages[i]
		if m.Bus < -1 || m.Bus >= max(1, len(plan.Buses)) {
			return nil, fmt.Errorf("message %s: bus %d does not exist: the plan has %d", m.Name, m.Bus, len(plan.Buses))
		}
		pm := message{plan: m, small: true}
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
			pm.small = pm.small && f.need <= 8 && (f.uncommon == nil || f.uncommon.onlyStates())
			pm.need = max(pm.need, f.need)
			if f.uncommon != nil && f.uncommon.states != nil {
				pm.states = append(pm.states, j)
			}
		}
		if pm.small {
			for _, f := range pm.fields {
				pm.samples = append(pm.samples, Sample{Role: f.role, Source: f.source})
				pm.all |= 1 << f.role
			}
			pm.values = make([]float64, len(pm.fields))
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
		d.bind(messageKey(m), n, -1)
	}
	d.samples = make([]Sample, most)
	d.feed = make([]int32, most)
	return d, nil
}

// Any-bus messages stand in the table under this bus.
const everyBus = 0xff

// key packs what distinguishes identifiers into one integer: 32 bits of
// identifier, 8 of bus, 3 of kind, 1 for extended. It is never 0.
func key(id uint32, on uint8, kind bus.Kind, extended bool) uint64 {
	k := uint64(id) | uint64(on)<<32 | uint64(kind)<<40 | 1<<63
	if extended {
		k |= uint64(bus.Extended) << 48
	}
	return k
}

func frameKey(f *bus.Frame) uint64 {
	return uint64(f.ID) | uint64(f.Bus)<<32 | uint64(f.Kind)<<40 | uint64(f.Flags&bus.Extended)<<48 | 1<<63
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
func (d *Decoder) bind(k uint64, n int32, address int) {
	m := &d.messages[n]
	b := binding{message: n, next: -1, feed: int32(len(d.feeds))}
	for i := range m.fields {
		x := &m.fields[i]
		step := math.Abs(x.scale)
		if x.uncommon != nil && x.uncommon.float {
			step = 0
		}
		d.feeds = append(d.feeds, decodedFeed{feedKey{x.role, x.source, address}, int(n), i, step, m.plan.Signals[i].PercentOfReference})
	}
	d.bindings = append(d.bindings, b)
	at := int32(len(d.bindings) - 1)
	x := slot{key: k, first: at, feed: b.feed}
	if first := d.table.get(k); first >= 0 {
		x.first = first
		for d.bindings[first].next >= 0 {
			first = d.bindings[first].next
		}
		d.bindings[first].next = at
	} else if m.small {
		x.small = m
	}
	d.table.put(x)
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
		if d.learnt += len(d.messages[n].fields); d.learnt > maxLearntFeeds {
			break
		}
		d.bind(k, n, int(address))
	}
	first := d.table.get(k)
	if first == absent {
		d.table.remember(k)
	}
	return first
}

// lookup returns the first binding of the identifier, negative where there is
// none.
func (d *Decoder) lookup(f *bus.Frame, k uint64) int32 {
	n := d.table.get(k)
	if n == absent && len(d.pgn) > 0 && f.Kind == bus.Data && f.Flags&bus.Extended != 0 {
		n = d.learn(f, k)
	}
	return n
}

// Decode returns the samples of one frame and whether its identifier is
// mapped at all. The slice is valid until the next call.
func (d *Decoder) Decode(f *bus.Frame) (samples []Sample, mapped bool) {
	m, none := d.hit(f)
	switch {
	case none:
		return nil, false
	case m != nil:
		m.decode(f, m.values)
		return m.samples, true
	}
	n := d.lookup(f, frameKey(f))
	if n < 0 && !d.anyBus {
		return nil, false
	}
	d.direct = false
	count := 0
	if n >= 0 {
		mapped = true
		count = d.decodeChain(f, n, 0)
	}
	if d.anyBus {
		g := d.table.get(key(f.ID, everyBus, f.Kind, f.Flags&bus.Extended != 0))
		if g >= 0 {
			mapped = true
			count = d.decodeChain(f, g, count)
		}
	}
	return d.samples[:count], mapped
}

// feedOf is the feed of sample i of the last call of Decode.
func (d *Decoder) feedOf(i int) int32 {
	if d.direct {
		return d.base + int32(i)
	}
	return d.feed[i]
}

// Signal says which signal of the plan sample i of the last call of Decode is
// of: an index of Plan.Messages and one of its Signals.
func (d *Decoder) Signal(i int) (message, signal int) {
	f := &d.feeds[d.feedOf(i)]
	return f.message, f.signal
}

var decodable = [8]bool{bus.Data: true, bus.Reading: true, bus.Answer: true}

// hit is the message of a frame where that is small, whole and the identifier's only
// one; none where the frame is surely of no message. So nearly all are; what is neither
// takes Decode to tell.
func (d *Decoder) hit(f *bus.Frame) (m *message, none bool) {
	if !decodable[f.Kind&7] {
		return nil, true
	}
	if d.anyBus {
		return nil, false
	}
	k := frameKey(f)
	x := &d.table.slots[int((k*hashFactor)>>(d.table.shift&63))]
	switch {
	case x.key != k:
		return nil, x.key == 0 && len(d.pgn) == 0
	case x.small != nil && f.Len >= x.small.need:
		d.direct, d.base = true, x.feed
		return x.small, false
	}
	return nil, x.first < 0
}

// decode decodes the fields of a small message into its samples, and their values into
// a row of as many, 0 where there is none. It returns 1<<role of those that have one.
func (m *message) decode(f *bus.Frame, row []float64) (ok uint32) {
	little := binary.LittleEndian.Uint64(f.Data[:8])
	words := [2]uint64{little, bits.ReverseBytes64(little)}
	at, early := f.At, f.Early
	fields := m.fields
	samples, row := m.samples[:len(fields)], row[:len(fields)]
	ok = m.all
	for i := range fields {
		x, s := &fields[i], &samples[i]
		v := words[x.big&1] >> (x.shift & 63) & x.mask
		raw := int64((v ^ x.sign) - x.sign)
		s.At, s.Early, s.Raw, s.OK = at, early, raw, true
		value := float64(float64(raw)*x.scale) + x.offset
		s.Value, row[i] = value, value
		if uint64(raw-x.min) > x.span {
			s.OK, row[i] = false, 0
			ok &^= 1 << x.role
		}
	}
	for _, i := range m.states {
		// States stand in place of the numbers.
		s := &samples[i]
		s.Value, s.OK = fields[i].uncommon.states.get(s.Raw)
		row[i] = s.Value
		if ok |= 1 << s.Role; !s.OK {
			row[i] = 0
			ok &^= 1 << s.Role
		}
	}
	return ok
}

func (d *Decoder) decodeChain(f *bus.Frame, n int32, count int) int {
	for n >= 0 {
		b := &d.bindings[n]
		count = d.decode(f, &d.messages[b.message], b.feed, count)
		n = b.next
	}
	return count
}

// decode adds the samples of any message after the count there are.
func (d *Decoder) decode(f *bus.Frame, m *message, feed int32, count int) int {
	for i := range m.fields {
		x := &m.fields[i]
		if f.Len < x.need {
			d.short++
			continue
		}
		s := &d.samples[count]
		s.At, s.Early, s.Role, s.Source = f.At, f.Early, x.role, x.source
		if !x.take(f, s) {
			continue
		}
		d.feed[count] = feed + int32(i)
		count++
	}
	return count
}

// raw is the raw value of a field within eight bytes, sign extended where
// signed.
func (x *field) raw(f *bus.Frame) int64 {
	// Eight bytes from at on never leave the array: at is at most 56.
	w := binary.LittleEndian.Uint64(f.Data[x.at&63:])
	if x.big != 0 {
		w = bits.ReverseBytes64(w)
	}
	v := w >> (x.shift & 63) & x.mask
	return int64((v ^ x.sign) - x.sign)
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

// take takes any field; it reports false where the multiplexer says that the
// signal is not in the frame.
func (x *field) take(f *bus.Frame, s *Sample) bool {
	u := x.uncommon
	if u != nil {
		for i := range u.mux {
			if !u.mux[i].holds(f) {
				return false
			}
		}
	}
	s.Raw = x.any(f)
	switch {
	case u != nil && u.float && x.length == 32:
		x.float(s, float64(math.Float32frombits(uint32(s.Raw))))
	case u != nil && u.float:
		x.float(s, math.Float64frombits(uint64(s.Raw)))
	case u != nil && u.states != nil:
		s.Value, s.OK = u.states.get(s.Raw)
	case u != nil && u.unsigned64:
		v := float64(uint64(s.Raw))
		s.OK = v >= u.minF && v <= u.maxF
		s.Value = float64(v*x.scale) + x.offset
	default:
		s.OK = uint64(s.Raw-x.min) <= x.span
		s.Value = float64(float64(s.Raw)*x.scale) + x.offset
	}
	return true
}

func (x *field) float(s *Sample, v float64) {
	s.Value = float64(v*x.scale) + x.offset
	// A NaN fails both comparisons; scaling may leave the numbers there are.
	s.OK = v >= x.uncommon.minF && v <= x.uncommon.maxF && !math.IsInf(s.Value, 0)
	if !s.OK {
		s.Value = 0
	}
}

// any is raw for every field, also those that touch nine bytes.
func (x *field) any(f *bus.Frame) int64 {
	if x.uncommon == nil || !x.uncommon.wide {
		return x.raw(f)
	}
	v := takeBits(f.Data[:], x.uncommon.start, x.length, x.big != 0)
	return int64((v ^ x.sign) - x.sign)
}

func (m *muxField) holds(f *bus.Frame) bool {
	v := uint64(m.field.any(f))
	for _, r := range m.ranges {
		if v >= r[0] && v <= r[1] {
			return true
		}
	}
	return false
}

func newField(s *Signal) (field, error) {
	x := field{length: s.Length, role: s.Role, source: s.Source, scale: s.Scale, offset: s.Offset, big: order(s.BigEndian)}
	u := &uncommon{start: s.Start, float: s.Float, minF: s.RawMin, maxF: s.RawMax}
	wide, err := x.place(s.Start)
	if err != nil {
		return x, err
	}
	u.wide = wide
	if s.Signed && !s.Float {
		x.sign = 1 << (s.Length - 1)
	}
	if s.RawMin == 0 && s.RawMax == 0 {
		u.minF, u.maxF = -math.MaxFloat64, math.MaxFloat64
	}
	if !(u.minF <= u.maxF) {
		return x, fmt.Errorf("raw limits %v to %v: expected the lower one first", u.minF, u.maxF)
	}
	x.min = clampInt(math.Ceil(u.minF))
	x.span = uint64(clampInt(math.Floor(u.maxF))) - uint64(x.min)
	if clampInt(math.Floor(u.maxF)) < x.min {
		return x, fmt.Errorf("no raw value lies between %v and %v", u.minF, u.maxF)
	}
	if s.Float && s.Length != 32 && s.Length != 64 {
		return x, fmt.Errorf("a floating-point number has 32 or 64 bits, not %d", s.Length)
	}
	if len(s.States) > 0 {
		if s.Float {
			return x, fmt.Errorf("a floating-point number has no states")
		}
		u.states = newStateTable(s.States)
	}
	for _, c := range s.Mux {
		m := muxField{field: field{length: c.Length, big: order(c.BigEndian)}, ranges: c.Ranges}
		if wide, err = m.field.place(c.Start); err != nil {
			return x, fmt.Errorf("multiplexer: %w", err)
		}
		if wide {
			m.field.uncommon = &uncommon{start: c.Start, wide: true}
		}
		x.need = max(x.need, m.field.need)
		u.mux = append(u.mux, m)
	}
	u.unsigned64 = s.Length == 64 && !s.Signed
	if u.wide || u.float || len(u.mux) > 0 || u.unsigned64 || u.states != nil {
		x.uncommon = u
	}
	return x, nil
}

// onlyStates reports whether a field is out of the common by its states alone.
func (u *uncommon) onlyStates() bool {
	return u.states != nil && !u.wide && len(u.mux) == 0
}

func order(big bool) uint8 {
	if big {
		return 1
	}
	return 0
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

// place works out offset, shift and mask from start, length and byte order,
// and whether the field touches nine bytes.
func (x *field) place(start uint16) (wide bool, err error) {
	if x.length < 1 || x.length > 64 {
		return false, fmt.Errorf("length %d bits: expected 1 to 64", x.length)
	}
	first, last := int(start)>>3, 0 // bytes touched
	if x.big != 0 {
		last = first + (int(x.length)+6-int(start)&7)>>3
	} else {
		last = (int(start) + int(x.length) - 1) >> 3
	}
	if last > 63 {
		return false, fmt.Errorf("bits from %d on, length %d: beyond the 64 bytes of the longest frame", start, x.length)
	}
	x.need = uint8(last + 1)
	x.mask = ^uint64(0) >> (64 - x.length)
	at := min(first, 56)
	if last < 8 {
		at = 0
	}
	if last-at >= 8 {
		return true, nil
	}
	x.at = uint8(at)
	x.shift = uint8(int(start) - at*8)
	if x.big != 0 {
		// What is above the most significant bit in the eight bytes.
		top := (first-at)*8 + 7 - int(start)&7
		x.shift = uint8(64 - top - int(x.length))
	}
	return false, nil
}
