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
	for k := 0; k < n; k++ {
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

// fillMessage gives a message fields of the kinds that real ones have.
func fillMessage(m *Message, rnd *random) {
	bits := uint8(8 * m.Len)
	if rnd.n(2) == 0 {
		bits -= 8
		m.Checksum = Field{bits, 8, false}
		m.ChecksumKind = ChecksumKind(rnd.n(3))
	}
	if rnd.n(2) == 0 {
		bits -= 8
		m.Counter = Field{bits, 4, false}
	}
	kinds := []Filler{FillerWalk, FillerConstant, FillerConstant, FillerFlag, FillerSlow, FillerRandom, FillerWheel, FillerLoad}
	for at := uint8(0); at < bits; {
		kind := kinds[rnd.n(len(kinds))]
		n := []uint8{1, 2, 4, 8, 12, 16}[rnd.n(6)]
		if kind == FillerFlag {
			n = 1
		}
		if kind == FillerWheel || kind == FillerLoad || kind == FillerWalk {
			n = 8 + uint8(rnd.n(9))
		}
		if n > bits-at {
			n = bits - at
		}
		s := Signal{Name: fmt.Sprintf("%sField%d", m.Name, len(m.Signals)+1), Field: Field{at, n, false},
			Scale: 1, Role: stream.NumRoles, Filler: kind}
		if kind == FillerWheel {
			s.Scale = []float64{0.01, 0.0625, 0.1, 0.5}[rnd.n(4)]
		}
		m.Signals = append(m.Signals, s)
		at += n
		if rnd.n(3) == 0 {
			at += uint8(rnd.n(4))
		}
	}
}
