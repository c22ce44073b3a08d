package bus

// ISO 15765-2 (transport layer on CAN), as far as reading needs it: requests
// that fit a single frame, answers in one frame or several with flow control,
// normal addressing.

const (
	tpSingle      = 0x0
	tpFirst       = 0x1
	tpConsecutive = 0x2
	tpFlow        = 0x3
	// tpPadding fills frames to 8 bytes, as ISO 15765-4 wants them; the value
	// is the one that ISO 15765-2 recommends.
	tpPadding = 0xCC
	// tpTimeout is N_Cr, the longest pause between two frames of an answer.
	tpTimeout = Second
	maxTP     = 4095
)

// tpReceiver puts one message together.
type tpReceiver struct {
	data   []byte
	want   int // length of the message, 0 while none has begun
	next   uint8
	latest Micros
}

// tpResult is what a frame did to the message.
type tpResult uint8

const (
	tpIgnored  tpResult = iota // it belongs to no message
	tpMore                     // the message goes on
	tpFlowDue                  // the message goes on once a flow control is sent
	tpComplete                 // r.data is the message
	tpBroken                   // a frame of it was lost
)

// frame takes one frame of the sender.
func (r *tpReceiver) frame(at Micros, b []byte) tpResult {
	if len(b) == 0 {
		return tpIgnored
	}
	if r.want > 0 && at-r.latest > tpTimeout {
		r.want = 0
	}
	switch b[0] >> 4 {
	case tpSingle:
		n := int(b[0] & 0xF)
		if n == 0 || n > len(b)-1 {
			return tpIgnored
		}
		r.data = append(r.data[:0], b[1:1+n]...)
		r.want = 0
		return tpComplete
	case tpFirst:
		if len(b) < 8 {
			return tpIgnored
		}
		n := int(b[0]&0xF)<<8 | int(b[1])
		if n < 8 {
			return tpIgnored // it had fitted a single frame; 0 announces over 4095
		}
		r.data = append(r.data[:0], b[2:8]...)
		r.want, r.next, r.latest = n, 1, at
		return tpFlowDue
	case tpConsecutive:
		if r.want == 0 {
			return tpIgnored
		}
		if b[0]&0xF != r.next {
			r.want = 0
			return tpBroken
		}
		n := min(r.want-len(r.data), len(b)-1)
		if n < min(7, r.want-len(r.data)) {
			r.want = 0
			return tpBroken
		}
		r.data = append(r.data, b[1:1+n]...)
		r.next = (r.next + 1) & 0xF
		r.latest = at
		if len(r.data) < r.want {
			return tpMore
		}
		r.want = 0
		return tpComplete
	}
	return tpIgnored
}

// tpRequest makes the single frame of a request.
func tpRequest(id uint32, payload []byte) Frame {
	f := tpFrame(id)
	f.Data[0] = uint8(len(payload))
	copy(f.Data[1:8], payload)
	return f
}

// tpContinue makes the flow control that lets the sender go on, without blocks
// and without pauses.
func tpContinue(id uint32) Frame {
	f := tpFrame(id)
	f.Data[0], f.Data[1], f.Data[2] = tpFlow<<4, 0, 0
	return f
}

func tpFrame(id uint32) Frame {
	f := Frame{ID: id, Len: 8}
	if id > idMask11 {
		f.Flags = Extended
	}
	for i := range f.Data[:8] {
		f.Data[i] = tpPadding
	}
	return f
}
