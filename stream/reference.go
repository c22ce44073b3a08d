package stream

import (
	"encoding/binary"

	"joltwatch/bus"
)

// A J1939 engine tells torque in percent of a reference, and the reference in
// a parameter group too long for one frame: EC1 (PGN 65251), bytes 20 and 21
// (SPN 544, 1 N·m a bit), broadcast about every 5 s by the transport protocol of
// SAE J1939-21, 5.10 (as Linux's own stack, net/can/j1939, sends it, which
// bus/codes_vm_test.go has speak; checked on the recording used in the tests).
const (
	// TransportAnnounce and TransportData are the parameter groups of the
	// transport protocol (TP.CM, TP.DT). A plan with a signal in percent of
	// the reference maps both, without signals, so that their frames are
	// seen and kept.
	TransportAnnounce = 0xEC00
	TransportData     = 0xEB00

	engineConfiguration = 65251
	referenceOffset     = 19 // of SPN 544 in the group, from 0
	broadcastControl    = 32
)

// torqueReference puts together the one long parameter group that matters.
type torqueReference struct {
	wanted bool
	stated float64
	// byAddress is the reference in N·m by the engine's source address; 0
	// unknown.
	byAddress [256]uint16
	// answers has the requests whose answer is the reference, by bus and
	// request; answered is what it was, 0 unknown.
	answers  map[uint64]bool
	answered uint16

	active bool
	source uint8
	size   int
	next   uint8 // number of the packet that must come next
	data   [64]byte
}

func (t *torqueReference) init(plan *Plan) {
	t.stated = plan.Facts.TorqueReferenceNm
	t.answers = map[uint64]bool{}
	for i := range plan.Messages {
		if m := &plan.Messages[i]; m.TorqueReference {
			t.answers[messageKey(m)] = true
		}
	}
}

// take looks at a frame of a mapped identifier that has no signals.
func (t *torqueReference) take(f *bus.Frame) {
	if f.Kind == bus.Answer && f.Len >= 2 && t.answers[frameKey(f)] {
		t.answered = binary.BigEndian.Uint16(f.Data[:2])
		return
	}
	if f.Kind != bus.Data || f.Flags&bus.Extended == 0 || f.Len != 8 {
		return
	}
	pgn, source := PGN(f.ID)
	switch pgn {
	case TransportAnnounce:
		if t.active && source == t.source {
			t.active = false // a sender has one broadcast at a time
		}
		group := uint32(f.Data[5]) | uint32(f.Data[6])<<8 | uint32(f.Data[7])<<16
		if f.Data[0] == broadcastControl && group == engineConfiguration {
			t.active, t.source, t.next = true, source, 1
			t.size = int(binary.LittleEndian.Uint16(f.Data[1:]))
		}
	case TransportData:
		if !t.active || source != t.source {
			return
		}
		at := int(t.next-1) * 7
		if f.Data[0] != t.next || at+7 > len(t.data) {
			t.active = false // a packet is missing: wait for the next broadcast
			return
		}
		copy(t.data[at:], f.Data[1:8])
		t.next++
		if at+7 < referenceOffset+2 {
			return
		}
		t.active = false
		// J1939-71 table 1: up to 0xFAFF is a value.
		if v := binary.LittleEndian.Uint16(t.data[referenceOffset:]); t.size >= referenceOffset+2 && v <= 0xFAFF {
			t.byAddress[source] = v
		}
	}
}

// convert turns a torque in percent into N·m, or makes it unknown.
func (t *torqueReference) convert(x *Sample, address int) {
	reference := t.stated
	switch {
	case reference != 0:
	case address >= 0:
		reference = float64(t.byAddress[address&0xff])
	default:
		reference = float64(t.answered)
	}
	if reference == 0 {
		x.OK = false
	}
	x.Value = float64(x.Value * reference / 100)
}
