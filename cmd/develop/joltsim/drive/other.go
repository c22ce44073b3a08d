package drive

import (
	"fmt"

	"joltwatch/stream"
)

// withOther returns the layout with n messages of other traffic: what else is
// said on a bus, of no use to us.
func (l *Layout) withOther(n int, rnd *random) Layout {
	out := *l
	out.Messages = append([]Message(nil), l.Messages...)
	taken := map[uint32]bool{}
	for i := range out.Messages {
		taken[out.Messages[i].ID] = true
	}
	periods := []int{20, 50, 100, 100, 200, 500, 1000, 1000}
	for k := range n {
		m := Message{Name: fmt.Sprintf("Other%d", k+1), Len: 8, PeriodMs: periods[rnd.n(len(periods))],
			JitterUs: 800, LatencyUs: rnd.n(3000), Bus: rnd.n(len(l.Buses))}
		for {
			m.ID = uint32(0x100 + rnd.n(0x600))
			if l.J1939 {
				m.Extended = true
				m.ID = 0x18F00000 | uint32(0x9000+rnd.n(0x1000))<<8&0xFFFF00 | uint32(0x30+rnd.n(0x80))
			}
			if !taken[m.ID] {
				break
			}
		}
		taken[m.ID] = true
		fillMessage(&m, rnd)
		out.Messages = append(out.Messages, m)
	}
	return out
}

// hide leaves the named roles out of the vehicle file.
func (l *Layout) hide(names []string) error {
	for _, name := range names {
		role, ok := stream.ParseRole(name)
		if !ok {
			return fmt.Errorf("hide: %q is no role", name)
		}
		for i := range l.Messages {
			m := &l.Messages[i]
			m.Signals = append([]Signal(nil), m.Signals...)
			for k := range m.Signals {
				if m.Signals[k].Role == role {
					m.Signals[k].Unmapped = true
				}
			}
		}
	}
	return nil
}

// fillMessage gives a message fields of the kinds that real ones have, in the
// bits that nothing occupies yet.
func fillMessage(m *Message, rnd *random) {
	var taken occupied
	for i := range m.Signals {
		taken.take(m.Signals[i].Field)
	}
	if rnd.n(2) == 0 {
		at := uint8(8 * (m.Len - 1))
		if rnd.n(3) == 0 {
			at = 0
		}
		if f := (Field{at, 8, false}); taken.free(f) {
			taken.take(f)
			m.Checksum, m.ChecksumKind = f, ChecksumKind(rnd.n(3))
		}
	}
	if rnd.n(2) == 0 {
		if f, ok := taken.place(rnd, 4, m.Len, rnd.n(2) == 0); ok {
			m.Counter = f
		}
	}
	kinds := []Filler{FillerWalk, FillerConstant, FillerConstant, FillerFlag, FillerFlag, FillerSlow, FillerRandom, FillerWheel, FillerLoad}
	for k := 1 + rnd.n(6); k > 0; k-- {
		kind := kinds[rnd.n(len(kinds))]
		n := []uint8{1, 2, 4, 8, 12, 16}[rnd.n(6)]
		switch kind {
		case FillerFlag:
			n = 1
		case FillerWheel, FillerLoad, FillerWalk:
			n = 8 + uint8(rnd.n(9))
		}
		f, ok := taken.place(rnd, n, m.Len, rnd.n(2) == 0)
		if !ok {
			continue
		}
		s := Signal{Name: fmt.Sprintf("%sField%d", m.Name, len(m.Signals)+1), Field: f,
			Scale: 1, Role: stream.NumRoles, Filler: kind}
		switch kind {
		case FillerWheel:
			s.Scale = 0.01
			for s.Scale*float64(uint64(1)<<n) < 250 {
				s.Scale *= 2
			}
		case FillerLoad:
			s.Scale = 0.1
			for s.Scale*float64(uint64(1)<<n) < 3000 {
				s.Scale *= 2
			}
		}
		m.Signals = append(m.Signals, s)
	}
}

// occupied has a bit set for each bit of a payload that a field holds, numbered
// as in definition files.
type occupied uint64

// bits returns the bits of a field.
func (f Field) bits() occupied {
	var o occupied
	at := int(f.Start)
	for k := 0; k < int(f.Length); k++ {
		o |= 1 << at
		switch {
		case !f.BigEndian:
			at++
		case at%8 == 0:
			at += 15 // on to the top of the next byte
		default:
			at--
		}
		if at > 63 {
			break
		}
	}
	return o
}

// Overlaps reports whether the fields share a bit.
func (f Field) Overlaps(g Field) bool { return f.bits()&g.bits() != 0 }

func (o *occupied) take(f Field)     { *o |= f.bits() }
func (o occupied) free(f Field) bool { return o&f.bits() == 0 }

// place finds room for a field of n bits in a payload of so many bytes, mostly
// on byte or nibble borders as designers do.
func (o *occupied) place(rnd *random, n uint8, size int, big bool) (Field, bool) {
	for range 24 {
		step := []int{8, 8, 8, 4, 1}[rnd.n(5)]
		room := 8*size - int(n)
		if room < 0 {
			return Field{}, false
		}
		at := rnd.n(room/step+1) * step
		f := Field{uint8(at), n, big}
		if big {
			// The same run counted from the top of the first byte.
			f.Start = uint8(at/8*8 + 7 - at%8)
		}
		if o.free(f) {
			o.take(f)
			return f, true
		}
	}
	return Field{}, false
}
