package bus

// The ASCII line protocol of serial adapters, as the Linux kernel's slcan driver
// speaks it (drivers/net/can/slcan). Every line ends with a carriage return;
// an adapter answers a command with a carriage return, or a bell (7) where it
// refuses it.
//
// To the adapter:
//
//	C          close        O  open         L  open, listen only
//	S0 … S8    10, 20, 50, 100, 125, 250, 500, 800, 1000 kbit/s
//	Z1         put a time stamp on every frame
//	tIIILDD…   send a frame; only an Asker writes it
//
// From the adapter, in hexadecimal:
//
//	tIIILDD…   data, 11-bit identifier III, length L, L bytes
//	TIIIIIIIILDD…   the same with a 29-bit identifier
//	rIIIL  RIIIIIIIIL   remote request
//	sXrrrttt   state X (a active, w warning, p passive, b bus-off), error
//	           counters of receiving and sending, in decimal
//	eNX…       N errors: a acknowledge, b bit 0, B bit 1, c CRC, f form,
//	           o receive overrun, O send overrun, s stuffing
//
// Each kind of frame may end with a time stamp of 4 digits: milliseconds that
// start again at 60000.

// adapterBitrates are the rates in bit/s by the digit after S.
var adapterBitrates = [...]uint32{10000, 20000, 50000, 100000, 125000, 250000, 500000, 800000, 1000000}

const (
	// maxAdapterLine is the longest line: T, 8 digits, a length, 8 bytes, a
	// stamp.
	maxAdapterLine = 1 + 8 + 1 + 16 + 4
	stampModulus   = 60_000_000 // microseconds
)

// adapterEvent says what a line is.
type adapterEvent uint8

const (
	lineBad     adapterEvent = iota
	lineFrame                // f holds it; stamp is its time, or negative
	lineOther                // an answer to a command
	lineBusOff               // the controller left the bus
	lineState                // f holds an error frame
	lineOverrun              // the adapter lost at least one frame
)

// parseAdapterLine reads one line without its end. stamp is in microseconds, -1
// where the line has none.
func parseAdapterLine(line []byte, f *Frame) (event adapterEvent, stamp Micros) {
	if len(line) == 0 {
		return lineOther, -1
	}
	*f = Frame{}
	digits := 3
	switch line[0] {
	case 't':
	case 'T':
		digits, f.Flags = 8, Extended
	case 'r':
		f.Kind = Remote
	case 'R':
		digits, f.Flags, f.Kind = 8, Extended, Remote
	case 's':
		return parseAdapterState(line, f), -1
	case 'e':
		return parseAdapterErrors(line, f), -1
	case 'z', 'Z':
		if len(line) == 1 {
			return lineOther, -1
		}
		return lineBad, -1
	case 'V', 'v', 'N', 'F':
		return lineOther, -1
	default:
		return lineBad, -1
	}
	if len(line) < 1+digits+1 {
		return lineBad, -1
	}
	id, n, next := parseID(line[:1+digits], 1)
	length := line[next] - '0'
	if n != digits || length > 8 || digits == 3 && id > idMask11 || id > idMask29 {
		return lineBad, -1
	}
	f.ID, f.Len = id, length
	i := next + 1
	if f.Kind == Data {
		if len(line) < i+2*int(length) {
			return lineBad, -1
		}
		for k := range length {
			hi, lo := nibble[line[i]], nibble[line[i+1]]
			if hi|lo > 15 {
				return lineBad, -1
			}
			f.Data[k] = hi<<4 | lo
			i += 2
		}
	}
	switch len(line) - i {
	case 0:
		return lineFrame, -1
	case 4:
		ms, n, _ := parseID(line, i)
		if n != 4 || ms >= 60000 {
			return lineBad, -1
		}
		return lineFrame, Micros(ms) * 1000
	}
	return lineBad, -1
}

// Error classes and details of linux/can/error.h, in which Error frames speak.
const (
	errController  = 0x004
	errProtocol    = 0x008
	errAck         = 0x020
	errBusOff      = 0x040
	ctrlRxOverflow = 0x01
	ctrlTxOverflow = 0x02
	ctrlWarning    = 0x0C
	ctrlPassive    = 0x30
	ctrlActive     = 0x40
	protForm       = 0x02
	protStuff      = 0x04
	protBit0       = 0x08
	protBit1       = 0x10
	protLocCRC     = 0x08
)

func parseAdapterState(line []byte, f *Frame) adapterEvent {
	if len(line) != 8 {
		return lineBad
	}
	for _, d := range line[2:] {
		if d-'0' > 9 {
			return lineBad
		}
	}
	count := func(b []byte) byte {
		return byte(min(255, int(b[0]-'0')*100+int(b[1]-'0')*10+int(b[2]-'0')))
	}
	f.Kind, f.Len, f.ID = Error, 8, errController
	f.Data[6], f.Data[7] = count(line[5:8]), count(line[2:5]) // sending, receiving
	switch line[1] {
	case 'a':
		f.Data[1] = ctrlActive
	case 'w':
		f.Data[1] = ctrlWarning
	case 'p':
		f.Data[1] = ctrlPassive
	case 'b':
		f.ID = errBusOff
		return lineBusOff
	default:
		return lineBad
	}
	return lineState
}

func parseAdapterErrors(line []byte, f *Frame) adapterEvent {
	if len(line) < 2 || line[1]-'0' > 9 || len(line) != 2+int(line[1]-'0') {
		return lineBad
	}
	event := lineState
	f.Kind, f.Len = Error, 8
	for _, c := range line[2:] {
		switch c {
		case 'a':
			f.ID |= errAck
		case 'b':
			f.ID |= errProtocol
			f.Data[2] |= protBit0
		case 'B':
			f.ID |= errProtocol
			f.Data[2] |= protBit1
		case 'c':
			f.ID |= errProtocol
			f.Data[3] = protLocCRC
		case 'f':
			f.ID |= errProtocol
			f.Data[2] |= protForm
		case 's':
			f.ID |= errProtocol
			f.Data[2] |= protStuff
		case 'o':
			f.ID |= errController
			f.Data[1] |= ctrlRxOverflow
			event = lineOverrun
		case 'O':
			f.ID |= errController
			f.Data[1] |= ctrlTxOverflow
		default:
			return lineBad
		}
	}
	if f.ID == 0 {
		return lineOther
	}
	return event
}
