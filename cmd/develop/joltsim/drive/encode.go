package drive

import (
	"encoding/binary"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Source is the vehicle as its sensors and controllers see it.
type Source interface {
	// Value returns what a role's sensor would read now, before noise, dead
	// band and quantisation; not ok where there is none.
	Value(r stream.Role) (float64, bool)
	// Awake is true while the buses carry anything.
	Awake() bool
	// NoiseFactor multiplies every sensor's noise.
	NoiseFactor() float64
	// RoadKmh and LoadNm are what signals without a role follow.
	RoadKmh() float64
	LoadNm() float64
}

// encoder turns the vehicle's state into frames at the messages' own instants.
type encoder struct {
	layout *Layout
	msgs   []sender
	rnd    *random
	start  bus.Micros
	noise  float64
	// pending frames are sorted by instant; a frame leaves once the clock
	// has passed it.
	pending []bus.Frame
	lastAt  []bus.Micros // per bus
	busOn   []bool
	poll    int
	pollDue int64
	asker   asker
}

// sender is one message with its schedule.
type sender struct {
	m       *Message
	due     int64 // ms
	period  int64
	counter uint64
	frameUs bus.Micros // on the wire
	sig     []sensor
	base    [8]byte
	off     bool // dropout
	na      bool
	stuck   bool
	last    [8]byte
	sent    bool
}

// sensor is one signal with what its filler or its lag remembers.
type sensor struct {
	s     *Signal
	shift uint
	mask  uint64
	max   float64 // largest raw value that is a number
	min   float64
	inv   float64 // 1/scale
	mem   float64
	walk  float64
}

func newEncoder(sc *Scenario, l *Layout, start bus.Micros, rnd *random) *encoder {
	e := &encoder{layout: l, rnd: rnd, start: start, noise: or(sc.NoiseFactor, 1)}
	e.lastAt = make([]bus.Micros, len(l.Buses))
	e.busOn = make([]bool, len(l.Buses))
	for i := range e.busOn {
		e.busOn[i] = true
	}
	rate := or(sc.RateFactor, 1)
	coarse := or(sc.CoarseFactor, 1)
	e.msgs = make([]sender, len(l.Messages))
	for i := range l.Messages {
		m := &l.Messages[i]
		s := &e.msgs[i]
		s.m = m
		s.period = max(int64(mul(float64(m.PeriodMs), rate)+0.5), 1)
		s.due = int64(rnd.n(int(s.period)))
		if m.PhaseMs > 0 {
			s.due = int64(m.PhaseMs)
		}
		// Bits of a classical frame without stuffing, ISO 11898-1: 47 + 8n
		// with an 11-bit, 67 + 8n with a 29-bit identifier; a tenth more for
		// stuff bits.
		bits := 47 + 8*m.Len
		if m.Extended {
			bits = 67 + 8*m.Len
		}
		s.frameUs = bus.Micros(bits * 11 * 100000 / l.Bitrate[m.Bus])
		for b := range s.base {
			s.base[b] = m.Fill
		}
		copy(s.base[:], m.Fixed)
		for k := range m.Signals {
			sg := &m.Signals[k]
			x := sensor{s: sg, shift: fieldShift(sg.Field), mask: 1<<sg.Length - 1, inv: 1 / sg.Scale}
			x.max, x.min = float64(x.mask), 0
			if sg.MaxRaw > 0 {
				x.max = float64(sg.MaxRaw)
			}
			if sg.Signed {
				x.max, x.min = float64(x.mask>>1), -float64(x.mask>>1)
			}
			x.walk = rnd.unit()
			if sg.Role == stream.EngineSpeed || sg.Role == stream.TurbineSpeed || sg.Role == stream.OutputSpeed {
				x.mem = coarse // a coarser sensor behind the same field
			}
			s.sig = append(s.sig, x)
		}
	}
	return e
}

// fieldShift returns how far a field lies from the least significant bit of
// the payload read as a little-endian (or, for a big-endian field, big-endian)
// 64-bit number.
func fieldShift(f Field) uint {
	if !f.BigEndian {
		return uint(f.Start)
	}
	return uint(7-f.Start/8)*8 + uint(f.Start%8) + 1 - uint(f.Length)
}

// put writes raw into the payload, over what the bits held.
func put(data *[8]byte, bigEndian bool, shift uint, mask, raw uint64) {
	if bigEndian {
		x := binary.BigEndian.Uint64(data[:])
		binary.BigEndian.PutUint64(data[:], x&^(mask<<shift)|(raw&mask)<<shift)
		return
	}
	x := binary.LittleEndian.Uint64(data[:])
	binary.LittleEndian.PutUint64(data[:], x&^(mask<<shift)|(raw&mask)<<shift)
}

// tick sends what is due in millisecond ms.
func (e *encoder) tick(ms int64, w Source) {
	switch {
	case e.layout.WatchHz > 0:
		e.asker.tick(e, ms, w)
		return
	case e.layout.Polled:
		e.tickPolled(ms, w)
		return
	}
	for i := range e.msgs {
		s := &e.msgs[i]
		if ms < s.due {
			continue
		}
		s.due += s.period
		e.send(s, ms, w)
	}
}

// tickPolled answers one request at a time, in turn.
func (e *encoder) tickPolled(ms int64, w Source) {
	if ms < e.pollDue {
		return
	}
	e.pollDue = ms + int64(1000/mul(e.layout.PollHz, float64(len(e.msgs)))+mul(4, e.rnd.unit()))
	s := &e.msgs[e.poll]
	e.poll = (e.poll + 1) % len(e.msgs)
	e.send(s, ms, w)
}

func (e *encoder) send(s *sender, ms int64, w Source) {
	m := s.m
	if !e.busOn[m.Bus] || s.off || !w.Awake() {
		return
	}
	data := s.base
	for k := range s.sig {
		x := &s.sig[k]
		raw := e.sample(x, w, s.na)
		put(&data, x.s.BigEndian, x.shift, x.mask, raw)
	}
	if s.stuck && s.sent {
		data = s.last
	}
	s.last, s.sent = data, true
	if m.Counter.Length > 0 {
		s.counter++
		put(&data, m.Counter.BigEndian, fieldShift(m.Counter), 1<<m.Counter.Length-1, s.counter)
	}
	if m.Checksum.Length > 0 {
		put(&data, m.Checksum.BigEndian, fieldShift(m.Checksum), 1<<m.Checksum.Length-1, 0)
		sum := checksum(m.ChecksumKind, m.ID, data[:m.Len])
		put(&data, m.Checksum.BigEndian, fieldShift(m.Checksum), 1<<m.Checksum.Length-1, uint64(sum))
	}
	t := ms*1000 + int64(m.LatencyUs) + int64(mul(e.rnd.unit(), float64(m.JitterUs)))
	t += e.layout.Offset[m.Bus] + int64(mul(float64(ms), e.layout.DriftPPM[m.Bus]/1000))
	f := bus.Frame{At: e.start + bus.Micros(t), ID: m.ID, Bus: uint8(m.Bus), Len: uint8(m.Len)}
	if m.Extended {
		f.Flags = bus.Extended
	}
	if e.layout.Polled {
		// What an answer tells was true between the request and it.
		f.Early = uint32(m.LatencyUs + m.JitterUs)
	}
	if e.layout.WatchHz > 0 {
		f.Early = uint32(t - ms*1000)
	}
	copy(f.Data[:], data[:m.Len])
	e.queue(f, s.frameUs)
}

// queue puts a frame in its place. Frames of one bus cannot overlap.
func (e *encoder) queue(f bus.Frame, wire bus.Micros) {
	n := len(e.pending)
	e.pending = append(e.pending, f)
	for n > 0 && e.pending[n-1].At > f.At {
		e.pending[n] = e.pending[n-1]
		n--
	}
	// Two on one bus at once: the later waits until the earlier is through.
	for k := n - 1; k >= 0 && k >= n-4; k-- {
		if e.pending[k].Bus == f.Bus && f.At-e.pending[k].At < wire {
			f.At = e.pending[k].At + wire
			break
		}
	}
	e.pending[n] = f
	for n+1 < len(e.pending) && e.pending[n+1].At < e.pending[n].At {
		e.pending[n], e.pending[n+1] = e.pending[n+1], e.pending[n]
		n++
	}
}

// take moves the frames before the instant to out and returns it.
func (e *encoder) take(before bus.Micros, out []bus.Frame) []bus.Frame {
	n := 0
	for n < len(e.pending) && e.pending[n].At < before {
		n++
	}
	if n == 0 {
		return out
	}
	from := len(out)
	out = append(out, e.pending[:n]...)
	copy(e.pending, e.pending[n:])
	e.pending = e.pending[:len(e.pending)-n]
	for i := from; i < len(out); i++ {
		// Instants never run backwards within a bus, whatever the jitter.
		f := &out[i]
		if f.Kind == bus.Data && f.At <= e.lastAt[f.Bus] {
			f.At = e.lastAt[f.Bus] + 1
		}
		e.lastAt[f.Bus] = f.At
	}
	return out
}

// sample returns the raw value of a signal.
func (e *encoder) sample(x *sensor, w Source, na bool) uint64 {
	s := x.s
	if s.Role >= stream.NumRoles {
		return e.filler(x, w)
	}
	if na {
		return x.mask
	}
	v, ok := w.Value(s.Role)
	if !ok {
		return x.mask
	}
	if s.Codes != nil {
		if raw, ok := s.Codes[int(v)]; ok {
			return uint64(raw)
		}
		return x.mask
	}
	if s.Lag > 0 {
		x.walk += mul(v-x.walk, 0.5)
		v = x.walk
	}
	if s.Noise > 0 {
		v += mul(mul(s.Noise, e.noise*w.NoiseFactor()), e.rnd.normal())
	}
	if abs(v) < s.DeadBelow {
		v = 0
	}
	if !s.Signed && s.Offset == 0 && v < 0 {
		v = -v
		if s.Role != stream.OutputSpeed && s.Role != stream.TurbineSpeed && s.Role != stream.VehicleSpeed {
			v = 0
		}
	}
	r := mul(v-s.Offset, x.inv)
	if x.mem > 1 {
		r = mul(float64(int64(r/x.mem+0.5)), x.mem)
	}
	if s.Truncated {
		r -= 0.5
	}
	r = clamp(r, x.min, x.max)
	if r < 0 {
		return uint64(int64(r - 0.5))
	}
	return uint64(r + 0.5)
}

// filler returns the raw value of a signal that carries none of the roles.
func (e *encoder) filler(x *sensor, w Source) uint64 {
	switch x.s.Filler {
	case FillerWalk:
		x.walk = clamp(x.walk+mul(0.01, e.rnd.normal()), 0, 1)
		return uint64(mul(x.walk, float64(x.mask)))
	case FillerConstant:
		return uint64(mul(x.walk, float64(x.mask)))
	case FillerRandom:
		return e.rnd.pcg.Uint64() & x.mask
	case FillerFlag:
		if e.rnd.unit() < 0.002 {
			x.mem = 1 - x.mem
		}
		return uint64(x.mem) & x.mask
	case FillerSlow:
		x.walk = clamp(x.walk+mul(0.0003, e.rnd.unit()), 0, 1)
		return uint64(mul(x.walk, float64(x.mask)))
	case FillerWheel:
		v := mul(abs(w.RoadKmh()), 1+mul(0.004, x.walk-0.5)) + mul(0.03, e.rnd.normal())
		return uint64(clamp(mul(v, x.inv), 0, float64(x.mask)))
	case FillerGeared:
		turbine, _ := w.Value(stream.TurbineSpeed)
		v := max(turbine, 800) + mul(x.s.Noise, e.rnd.normal())
		return uint64(clamp(mul(v, x.inv), 0, float64(x.mask)))
	case FillerMotor:
		v := mul(abs(w.RoadKmh()), 90) + mul(x.s.Noise, e.rnd.normal())
		return uint64(clamp(mul(v, x.inv), 0, float64(x.mask)))
	case FillerTwinEngine, FillerOddShaft, FillerEvenShaft:
		if v := twinShaft(x.s.Filler, w); x.s.Unmapped {
			x.walk = v // asked for too seldom to be followed
		} else {
			x.walk += mul(0.3, v-x.walk)
		}
		v := x.walk + mul(x.s.Noise, e.rnd.normal())
		return uint64(clamp(mul(v, x.inv), 0, float64(x.mask)))
	case FillerLoad:
		v := mul(w.LoadNm(), x.inv) + mul(2, e.rnd.normal()) + mul(0.2, float64(x.mask))
		return uint64(clamp(v, 0, float64(x.mask)))
	}
	return 0
}

// twinShaft is where a speed of a gearbox with two clutches settles, rpm: gears are
// 0.72 apart, as in passenger cars (common practice, no source).
func twinShaft(f Filler, w Source) float64 {
	output, _ := w.Value(stream.OutputSpeed)
	gear, _ := w.Value(stream.Gear)
	g := max(gear, 1)
	odd := int(g)%2 == 1
	switch {
	case f == FillerTwinEngine && (gear < 1 || output < 60):
		engine, _ := w.Value(stream.EngineSpeed) // idles, or is revved
		return engine
	case f == FillerOddShaft && !odd, f == FillerEvenShaft && odd:
		g++
	}
	ratio := 4.0
	for range int(g) - 1 {
		ratio = mul(ratio, 0.72)
	}
	if f == FillerTwinEngine {
		return max(mul(output, ratio), 900)
	}
	return mul(output, ratio)
}

// checksum returns an eight-bit checksum over identifier and payload; callers
// cut it to the field.
func checksum(kind ChecksumKind, id uint32, data []byte) byte {
	var c byte
	switch kind {
	case ChecksumXOR:
		c = byte(id) ^ byte(id>>8)
		for _, b := range data {
			c ^= b
		}
	case ChecksumSum:
		c = byte(id) + byte(id>>8)
		for _, b := range data {
			c += b
		}
	case ChecksumCRC8:
		// CRC-8 with the polynomial of SAE J1850, 0x1D, start and final 0xFF.
		c = 0xff
		for _, b := range data {
			c ^= b
			for range 8 {
				if c&0x80 != 0 {
					c = c<<1 ^ 0x1d
				} else {
					c <<= 1
				}
			}
		}
		c ^= 0xff
	}
	return c
}
