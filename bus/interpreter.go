package bus

import (
	"bytes"
	"strconv"
)

// Serial adapters with an AT-command interpreter. What they understand and say
// is common practice, no source:
//
// Every command ends with a carriage return, every answer with a prompt, ">".
// A command is answered with OK, or ? where it is not known. Anything in
// hexadecimal is a request to the vehicle, in the standard's payload bytes; an
// odd digit at its end is how many frames the adapter waits for. The adapter
// does the transport layer's sending itself, flow control too.
//
//	ATZ     reset                     ATE0    no echo
//	ATL0    no line feeds             ATS0    no spaces between bytes
//	ATH1    identifiers are shown     ATSPn   protocol n, 0 to find it
//	ATDPN   which protocol it is      ATSHxx  the identifier to send with
//	ATCRAxx identifiers to receive    ATSTnn  how long to wait, 4 ms each
//	ATAT1   learn how long to wait    ATRV    the supply's voltage
//	ATCAF0  frames as they are        ATCSM1  monitor without acknowledging
//	ATCF, ATCM  filter and mask       ATMA    monitor all
//
// The protocols are 6 to 9 for CAN (11 bits 500 kbit/s, 29 bits 500, 11 bits
// 250, 29 bits 250) and 1 to 5 for older serial buses.
const (
	interpreterPrompt = '>'
	maxInterpreted    = 64 // characters in a line
)

// said is what a line of an interpreter means.
type said uint8

const (
	saidNothing   said = iota // an empty line, or one that is on its way
	saidOK                    // a command was taken
	saidUnknown               // ?: a command is not known
	saidNoData                // nobody answered
	saidStopped               // a request was interrupted from here
	saidOverrun               // the adapter's buffer was full: frames are lost
	saidBusError              // the bus cannot be used, or not with this protocol
	saidDamaged               // a frame with an error in it
	saidRestarted             // the adapter lost its settings
	saidHex                   // digits
	saidVoltage
	saidText // anything else
)

// meaning reads one line without its end, and works on the line itself: text is
// what is left of it in capitals, without what does not count.
func meaning(line []byte) (m said, text []byte) {
	n := 0
	for _, c := range line {
		// Spaces and zeros come between; some adapters cannot leave them out.
		if c > ' ' && c < 0x7F {
			if c >= 'a' && c <= 'z' {
				c -= 'a' - 'A'
			}
			line[n] = c
			n++
		}
	}
	b := line[:n]
	// What is said while it looks for the protocol stands before the answer.
	if i := bytes.LastIndex(b, []byte("...")); i >= 0 {
		rest := b[i+3:]
		if len(rest) == 0 {
			return saidNothing, nil
		}
		b = rest
	}
	has := func(words ...string) bool {
		for _, w := range words {
			if bytes.Contains(b, []byte(w)) {
				return true
			}
		}
		return false
	}
	switch {
	case len(b) == 0:
		return saidNothing, b
	case string(b) == "OK":
		return saidOK, b
	case string(b) == "?":
		return saidUnknown, b
	case has("NODATA"):
		return saidNoData, b
	case has("STOPPED"):
		return saidStopped, b
	case has("BUFFERFULL"):
		return saidOverrun, b
	case has("DATAERROR", "RXERROR"):
		return saidDamaged, b
	case has("UNABLETOCONNECT", "CANERROR", "BUSERROR", "BUSBUSY", "FBERROR", "BUSINIT") || string(b) == "ERROR":
		return saidBusError, b
	case has("LVRESET", "LPALERT", "ACTALERT") || len(b) == 5 && has("ERR"):
		return saidRestarted, b
	}
	for i, c := range b {
		switch {
		case nibble[c] <= 15:
		case c == ':' && i == 1: // a piece of a long answer without identifiers
		case c == 'V' && i == len(b)-1 || c == '.':
			if _, err := strconv.ParseFloat(string(bytes.TrimSuffix(b, []byte("V"))), 64); err == nil {
				return saidVoltage, bytes.TrimSuffix(b, []byte("V"))
			}
			return saidText, b
		default:
			return saidText, b
		}
	}
	return saidHex, b
}

// shape is how an adapter shows frames.
type shape struct {
	protocol uint8 // 1 to 9; 0 while it is not known
	bare     bool  // no identifiers
}

func (s *shape) serial() bool   { return s.protocol >= 1 && s.protocol <= 5 }
func (s *shape) extended() bool { return s.protocol == 7 || s.protocol == 9 }

// frame makes of digits the frame that the bus carried, or one that carries the
// same.
func (s *shape) frame(digits []byte, f *Frame) bool {
	*f = Frame{}
	if s.bare {
		return bareFrame(digits, f)
	}
	if s.serial() {
		return serialFrame(digits, f)
	}
	width := 3
	if len(digits)%2 == 0 {
		width, f.Flags = 8, Extended
	}
	if len(digits) < width {
		return false
	}
	id := uint32(0)
	for _, c := range digits[:width] {
		if nibble[c] > 15 {
			return false
		}
		id = id<<4 | uint32(nibble[c])
	}
	if id > idMask29 || width == 3 && id > idMask11 {
		return false
	}
	f.ID = id
	return unhex(digits[width:], f, 0)
}

// unhex puts bytes into a frame from a place on, which must be at most 8 bytes.
func unhex(digits []byte, f *Frame, at int) bool {
	if len(digits)%2 != 0 || at+len(digits)/2 > 8 {
		return false
	}
	for i := 0; i+1 < len(digits); i += 2 {
		hi, lo := nibble[digits[i]], nibble[digits[i+1]]
		if hi|lo > 15 {
			return false
		}
		f.Data[at] = hi<<4 | lo
		at++
	}
	f.Len = uint8(at)
	return true
}

// engineAnswers is whom an answer without an identifier is from.
const engineAnswers = 0x7E8

// bareFrame takes an answer without its identifier: the payload of a single
// frame, the length of a longer one, or a numbered piece of that.
func bareFrame(digits []byte, f *Frame) bool {
	f.ID = engineAnswers
	switch {
	case len(digits) > 2 && digits[1] == ':':
		n := nibble[digits[0]]
		if n == 0 { // the length came before, and is put in by the caller
			f.Data[0] = tpFirst << 4
			return unhex(digits[2:], f, 2) && f.Len == 8
		}
		f.Data[0] = tpConsecutive<<4 | n
		return unhex(digits[2:], f, 1) && f.Len > 1
	case bytes.IndexByte(digits, ':') >= 0:
		return false
	}
	if !unhex(digits, f, 1) || f.Len < 2 {
		return false
	}
	f.Data[0] = f.Len - 1
	return true
}

// serialFrame takes a message of an older serial bus: three bytes of header,
// the payload, a checksum (SAE J1850, ISO 9141-2, ISO 14230). The third byte is
// who sends: 0x10 is the engine's controller, 0x18 and 0x28 transmissions'.
func serialFrame(digits []byte, f *Frame) bool {
	var m Frame
	if len(digits) < 12 || !unhex(digits[6:len(digits)-2], &m, 1) {
		return false
	}
	from := nibble[digits[4]]<<4 | nibble[digits[5]]
	f.ID, f.Data, f.Len = engineAnswers, m.Data, m.Len
	if from != 0x10 {
		f.ID |= max(1, uint32(from)>>3&7)
	}
	f.Data[0] = f.Len - 1
	return true
}
