package bus

import (
	"bytes"
	"strconv"
	"time"
)

// Text logs come in two line forms, both of which start with
// "(seconds.fraction) interface". IDs have 3 hexadecimal digits for 11-bit
// identifiers and 8 for 29-bit ones.
//
// Compact:
//
//	ID#DATA          classical data frame, DATA up to 8 bytes in hexadecimal
//	ID#DATA_D        the same with 8 bytes and a DLC D of 9 to F
//	ID##FDATA        CAN FD; F has bit 0 for the bit-rate switch, bit 1 for
//	                 the error state; DATA up to 64 bytes
//	ID#R  ID#RL      remote request, with the DLC L (0 to 8)
//
// Spaced:
//
//	ID [n] B0 B1 …   n in one digit for classical, in two for FD frames
//	ID [n] remote request
//
// An ID of 8 digits with bit 29 (0x20000000) is an error frame of the kernel.
// Direction and ASCII columns may stand before the ID of the spaced form and at
// the end of either.

const (
	idMask11   = 0x7FF
	idMask29   = 0x1FFFFFFF
	errorFlag  = 0x20000000 // linux/can.h CAN_ERR_FLAG
	extFlag    = 0x80000000 // linux/can.h CAN_EFF_FLAG
	remoteFlag = 0x40000000 // linux/can.h CAN_RTR_FLAG
)

// nibble is the value of a hexadecimal digit, 0xFF for any other byte.
var nibble = func() (t [256]uint8) {
	for i := range t {
		switch {
		case i >= '0' && i <= '9':
			t[i] = uint8(i - '0')
		case i >= 'A' && i <= 'F':
			t[i] = uint8(i - 'A' + 10)
		case i >= 'a' && i <= 'f':
			t[i] = uint8(i - 'a' + 10)
		default:
			t[i] = 0xFF
		}
	}
	return t
}()

// parseLogLine reads one line (without its end) into f, whose Bus it leaves
// alone, and returns the interface's name. reason is empty where the line is a
// frame, and otherwise says what was expected. f.At is the line's own stamp.
func parseLogLine(line []byte, f *Frame) (iface []byte, reason string) {
	i := skipBlank(line, 0)
	if i >= len(line) || line[i] != '(' {
		return nil, "expected (seconds.fraction) at the start"
	}
	at, i, ok := parseStamp(line, i+1)
	if !ok {
		return nil, "expected (seconds.fraction) at the start"
	}
	i = skipBlank(line, i)
	from := i
	for i < len(line) && line[i] > ' ' {
		i++
	}
	iface = line[from:i]
	i = skipBlank(line, i)
	if len(iface) == 0 || i >= len(line) {
		return nil, "expected an interface and a frame after the time"
	}

	*f = Frame{At: at}
	id, digits, next := parseID(line, i)
	var brs, esi bool
	if digits == 0 || next < len(line) && line[next] != '#' && line[next] != ' ' && line[next] != '\t' {
		// Direction columns: "RX B E" or "TX - -".
		if i, brs, esi, ok = skipDirection(line, i); !ok {
			return nil, "expected an identifier of 3 or 8 hexadecimal digits after the interface"
		}
		id, digits, next = parseID(line, i)
	}
	switch {
	case digits == 3 && id <= idMask11:
	case digits == 3:
		return nil, "the identifier has 3 digits but more than 11 bits; expected 8 digits for a 29-bit identifier"
	case digits == 8 && id&errorFlag != 0:
		f.Kind = Error
		id &= idMask29
	case digits == 8 && id&remoteFlag == 0:
		f.Flags = Extended
		id &= idMask29
	default:
		return nil, "expected an identifier of 3 or 8 hexadecimal digits after the interface"
	}
	f.ID = id
	if next < len(line) && line[next] == '#' {
		return iface, parseCompact(line, next+1, f)
	}
	if reason = parseSpaced(line, skipBlank(line, next), f); reason == "" && f.Flags&FD != 0 {
		if brs {
			f.Flags |= BRS
		}
		if esi {
			f.Flags |= ESI
		}
	}
	return iface, reason
}

func skipBlank(line []byte, i int) int {
	for i < len(line) && (line[i] == ' ' || line[i] == '\t') {
		i++
	}
	return i
}

// parseStamp reads "seconds[.fraction])" and rounds to the microsecond.
func parseStamp(line []byte, i int) (at Micros, next int, ok bool) {
	i = skipBlank(line, i)
	negative := i < len(line) && line[i] == '-'
	if negative {
		i++
	}
	from := i
	var sec int64
	for i < len(line) && line[i]-'0' <= 9 {
		sec = sec*10 + int64(line[i]-'0')
		i++
	}
	if i-from == 4 && i < len(line) && line[i] == '-' {
		return parseDated(line, from)
	}
	if i == from || i-from > 12 {
		return 0, i, false
	}
	us := sec * int64(Second)
	if i < len(line) && line[i] == '.' {
		i++
		unit := int64(Second)
		for i < len(line) && line[i]-'0' <= 9 {
			if unit > 1 {
				unit /= 10
				us += unit * int64(line[i]-'0')
			} else if unit == 1 {
				if line[i] >= '5' {
					us++
				}
				unit = 0
			}
			i++
		}
	}
	if i >= len(line) || line[i] != ')' {
		return 0, i, false
	}
	if negative {
		us = -us
	}
	return Micros(us), i + 1, true
}

// parseDated reads "2006-01-02 15:04:05.000000)". The zone is not in it: it is
// taken for UTC, so that instants keep their distances.
func parseDated(line []byte, from int) (at Micros, next int, ok bool) {
	end := bytes.IndexByte(line[from:], ')')
	if end < 0 || end > 40 {
		return 0, from, false
	}
	t, err := time.Parse("2006-01-02 15:04:05", string(line[from:from+end]))
	if err != nil {
		return 0, from, false
	}
	return Micros(t.UnixMicro()), from + end + 1, true
}

// parseID reads up to 9 hexadecimal digits.
func parseID(line []byte, i int) (id uint32, digits, next int) {
	for i < len(line) && digits < 9 {
		n := nibble[line[i]]
		if n > 15 {
			break
		}
		id = id<<4 | uint32(n)
		digits++
		i++
	}
	return id, digits, i
}

// skipDirection skips RX or TX and the one-letter flags after it.
func skipDirection(line []byte, i int) (next int, brs, esi, ok bool) {
	if i+2 > len(line) || line[i] != 'R' && line[i] != 'T' || line[i+1] != 'X' {
		return i, false, false, false
	}
	i = skipBlank(line, i+2)
	for i+1 < len(line) && line[i+1] == ' ' {
		switch line[i] {
		case 'B':
			brs = true
		case 'E':
			esi = true
		case '-':
		default:
			return i, brs, esi, true
		}
		i = skipBlank(line, i+1)
	}
	return i, brs, esi, true
}

func parseCompact(line []byte, i int, f *Frame) string {
	limit := 8
	switch {
	case i < len(line) && line[i] == '#' && f.Kind == Data:
		if i+1 >= len(line) || nibble[line[i+1]] > 15 {
			return "expected a flag digit after ##"
		}
		f.Flags |= FD
		flags := nibble[line[i+1]]
		if flags&1 != 0 {
			f.Flags |= BRS
		}
		if flags&2 != 0 {
			f.Flags |= ESI
		}
		i += 2
		limit = 64
	case i < len(line) && (line[i] == 'R' || line[i] == 'r') && f.Kind == Data:
		f.Kind = Remote
		i++
		if i < len(line) && line[i] > ' ' {
			n := line[i] - '0'
			if n > 8 {
				return "expected a length of 0 to 8 after R"
			}
			f.Len = n
			i++
			i = skipRawDLC(line, i, f.Len)
		}
		return trailer(line, i)
	}
	n := 0
	for i+1 < len(line) {
		hi, lo := nibble[line[i]], nibble[line[i+1]]
		if hi|lo > 15 {
			break
		}
		if n == limit {
			return "more data than a frame of its kind can carry (8 bytes, FD 64)"
		}
		f.Data[n] = hi<<4 | lo
		n++
		i += 2
	}
	f.Len = uint8(n)
	if f.Flags&FD != 0 {
		if !fdLength(n) {
			return "expected a CAN FD length: 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes"
		}
	} else {
		i = skipRawDLC(line, i, f.Len)
	}
	return trailer(line, i)
}

// skipRawDLC skips "_D", which some controllers' DLC of 9 to 15 for 8 bytes
// leaves in a log.
func skipRawDLC(line []byte, i int, length uint8) int {
	if length == 8 && i+1 < len(line) && line[i] == '_' {
		if d := nibble[line[i+1]]; d > 8 && d < 16 {
			return i + 2
		}
	}
	return i
}

func parseSpaced(line []byte, i int, f *Frame) string {
	const want = "expected #DATA or [length] and that many bytes after the identifier"
	if i >= len(line) || line[i] != '[' {
		return want
	}
	i++
	from, n := i, 0
	for i < len(line) && line[i]-'0' <= 9 && i-from < 3 {
		n = n*10 + int(line[i]-'0')
		i++
	}
	digits := i - from
	if digits == 0 || digits > 2 || i >= len(line) || line[i] != ']' {
		return want
	}
	i = skipBlank(line, i+1)
	if digits == 2 && f.Kind == Data {
		f.Flags |= FD
		if !fdLength(n) {
			return "expected a CAN FD length: 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes"
		}
	} else if n > 8 {
		return "more data than a frame of its kind can carry (8 bytes, FD 64)"
	}
	f.Len = uint8(n)
	const remote = "remote request"
	if len(line)-i >= len(remote) && string(line[i:i+len(remote)]) == remote && f.Kind == Data && f.Flags&FD == 0 {
		f.Kind = Remote
		return trailer(line, i+len(remote))
	}
	for k := range n {
		if i+1 >= len(line) {
			return "fewer bytes than [length] says"
		}
		hi, lo := nibble[line[i]], nibble[line[i+1]]
		if hi|lo > 15 || i+2 < len(line) && line[i+2] > ' ' {
			return "fewer bytes than [length] says"
		}
		f.Data[k] = hi<<4 | lo
		i = skipBlank(line, i+2)
	}
	// The blanks before a trailing column are already skipped.
	if i < len(line) && i > 0 && line[i-1] > ' ' {
		return want
	}
	return column(line, i)
}

// trailer checks what follows the data of a compact line: nothing, or blanks
// and columns that are tolerated.
func trailer(line []byte, i int) string {
	if i == len(line) {
		return ""
	}
	if line[i] != ' ' && line[i] != '\t' && line[i] != '\r' {
		return "expected pairs of hexadecimal digits as data"
	}
	return column(line, skipBlank(line, i))
}

// column accepts the direction and ASCII columns at the end of a line and
// nothing else, so that bytes too many do not pass for text.
func column(line []byte, i int) string {
	rest := line[i:]
	for len(rest) > 0 && rest[len(rest)-1] <= ' ' {
		rest = rest[:len(rest)-1]
	}
	if len(rest) == 0 || rest[0] == '\'' || rest[0] == '"' {
		return ""
	}
	switch string(rest) {
	case "R", "T", "RX", "TX", "Rx", "Tx", "ERRORFRAME":
		return ""
	}
	if len(rest) > 10 && string(rest[:10]) == "ERRORFRAME" {
		return ""
	}
	return "unexpected text after the data; expected the end of the line, a direction (R or T) or quoted text"
}

// fdLength says whether a CAN FD frame can have n bytes (ISO 11898-1).
func fdLength(n int) bool {
	switch n {
	case 12, 16, 20, 24, 32, 48, 64:
		return true
	}
	return n <= 8
}

// AppendLogLine appends f as a line of a text log in the compact form, with its
// end. Only what is on a wire has a place in a log: for a Notice, a Reading or
// an Answer dst comes back as it is.
func AppendLogLine(dst []byte, f *Frame, iface string) []byte {
	const digits = "0123456789ABCDEF"
	if f.Kind > Error {
		return dst
	}
	at := f.At
	dst = append(dst, '(')
	if at < 0 {
		dst = append(dst, '-')
		at = -at
	}
	dst = strconv.AppendInt(dst, int64(at/Second), 10)
	dst = append(dst, '.')
	us := uint32(at % Second)
	for d := uint32(100000); d > 0; d /= 10 {
		dst = append(dst, byte('0'+us/d%10))
	}
	dst = append(dst, ") "...)
	dst = append(dst, iface...)
	dst = append(dst, ' ')
	id, shift := f.ID, 8
	switch {
	case f.Kind == Error:
		id, shift = id|errorFlag, 28
	case f.Flags&Extended != 0:
		shift = 28
	}
	for ; shift >= 0; shift -= 4 {
		dst = append(dst, digits[id>>shift&15])
	}
	dst = append(dst, '#')
	if f.Kind == Remote {
		return append(dst, 'R', '0'+f.Len%10, '\n')
	}
	if f.Flags&FD != 0 {
		flags := byte('0')
		if f.Flags&BRS != 0 {
			flags++
		}
		if f.Flags&ESI != 0 {
			flags += 2
		}
		dst = append(dst, '#', flags)
	}
	for _, x := range f.Data[:f.Len] {
		dst = append(dst, digits[x>>4], digits[x&15])
	}
	return append(dst, '\n')
}
