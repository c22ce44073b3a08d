package bus

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// form is one way in which recordings are written, a line at a time.
type form struct {
	name string
	// begins reports whether the line can only be the first of such a recording
	// (its heading, or a frame); it may fill in the head.
	begins func(h *head, line []byte) bool
	// frame reads a line into f and returns the interface's name. reason is
	// empty for a frame, notAFrame for a line that need not be one, and
	// otherwise says what was expected. The error ends the recording: it is not
	// one that can be read.
	frame func(h *head, line []byte, f *Frame) (iface []byte, reason string, err error)
}

// notAFrame is the reason of headings, comments and blank lines.
const notAFrame = "no frame"

// forms are those that are read, and those that are known and refused. The first
// that a line begins is the recording's.
var forms = []form{
	{"brackets", beginsBrackets, frameBrackets},
	{"channel columns", beginsChannel, frameChannel},
	{"numbered", beginsNumbered, frameNumbered},
	{"table of frames", beginsTable, frameTable},
	{"no times", beginsTimeless, frameTimeless},
	{"decoded values", beginsValues, frameValues},
}

// head is what the first lines of a recording say of the rest.
type head struct {
	zero     Micros // of the lines' times, since 1970
	decimal  bool   // identifiers and bytes are in decimal
	columns  []what
	sep      byte
	unit     Micros // of the times of a table; 0 until its first frame
	relative bool
	// Times of the first lines, for telling differences from times.
	last  Micros
	back  int
	steps int
	begun bool
}

var errDifferences = errors.New("its times are differences from frame to frame, and lost lines would shift the rest: record with absolute times, or add them up into (seconds.fraction)")

// parse reads one line in the recording's form, or finds out which that is.
func (t *TextLog) parse(line []byte, f *Frame) (iface []byte, reason string, err error) {
	if len(bytes.TrimSpace(line)) == 0 {
		return nil, notAFrame, nil
	}
	if t.form == nil {
		for i := range forms {
			if forms[i].begins(&t.head, line) {
				t.form = &forms[i]
				break
			}
		}
		if t.form == nil {
			_, reason := parseLogLine(line, f)
			return nil, reason, nil
		}
	}
	iface, reason, err = t.form.frame(&t.head, line, f)
	if reason == "" && err == nil && t.head.differences(f.At, t.buf[t.from:t.to]) {
		err = errDifferences
	}
	return iface, reason, err
}

// probeSteps is how many lines show whether times run or are differences.
const probeSteps = 200

// differences reports whether the times so far, of a recording that counts from
// 0, go back as often as differences do. rest is what has been read beyond.
func (h *head) differences(at Micros, rest []byte) bool {
	if h.steps >= probeSteps || at >= epochFloor {
		return false
	}
	if h.begun && at < h.last {
		h.back++
	}
	h.steps++
	h.last = max(at, 0)
	begun := h.begun
	h.begun = true
	if begun || h.steps != 1 {
		return false
	}
	// At the first frame, look ahead over what is there.
	back, steps, last := 0, 0, at
	for len(rest) > 0 && steps < probeSteps {
		line, more, _ := bytes.Cut(rest, []byte("\n"))
		rest = more
		var x Frame
		if _, reason := parseLogLine(line, &x); reason != "" {
			continue
		}
		steps++
		if x.At < last {
			back++
		}
		last = x.At
	}
	return back >= 2 && 5*back >= steps
}

// The forms in brackets: see logline.go.
func beginsBrackets(_ *head, line []byte) bool {
	var f Frame
	_, reason := parseLogLine(line, &f)
	return reason == ""
}

func frameBrackets(_ *head, line []byte, f *Frame) ([]byte, string, error) {
	iface, reason := parseLogLine(line, f)
	return iface, reason, nil
}

// Channel columns: a heading with "date" and "base", then
// time channel identifier[x] direction d|r length bytes.
func beginsChannel(h *head, line []byte) bool {
	w := strings.Fields(strings.ToLower(string(line)))
	switch {
	case len(w) >= 6 && w[0] == "date":
		for _, layout := range []string{"Mon Jan 2 15:04:05.000 2006", "Mon Jan 2 03:04:05.000 pm 2006", "Mon Jan 2 15:04:05 2006"} {
			if at, err := time.Parse(layout, strings.Join(strings.Fields(string(line))[1:], " ")); err == nil {
				h.zero = Micros(at.UnixMicro())
				break
			}
		}
		return true
	case len(w) >= 2 && w[0] == "base" && (w[1] == "hex" || w[1] == "dec"):
		channelBase(h, w)
		return true
	}
	return false
}

func channelBase(h *head, w []string) {
	h.decimal = w[1] == "dec"
	for _, x := range w {
		h.relative = h.relative || x == "relative"
	}
}

func frameChannel(h *head, line []byte, f *Frame) ([]byte, string, error) {
	w := strings.Fields(string(line))
	if strings.EqualFold(w[0], "base") && len(w) > 1 {
		channelBase(h, strings.Fields(strings.ToLower(string(line))))
		return nil, notAFrame, nil
	}
	at, ok := seconds(w[0])
	if !ok || len(w) < 5 {
		return nil, notAFrame, nil // headings, triggers, statistics
	}
	if h.relative {
		return nil, "", errDifferences
	}
	if len(w) < 6 || len(w[4]) != 1 {
		return nil, notAFrame, nil // error frames and events of other kinds
	}
	*f = Frame{At: h.zero + at}
	id, extended := strings.CutSuffix(w[2], "x")
	if reason := setID(f, id, h.decimal, extended, false); reason != "" {
		return nil, reason, nil
	}
	if w[4] == "r" {
		f.Kind = Remote
	}
	n, err := strconv.ParseUint(w[5], 16, 8)
	if err != nil || n > 8 {
		return nil, "expected a length of 0 to 8", nil
	}
	return []byte(w[1]), setBytes(f, w[6:], int(n), h.decimal), nil
}

// Numbered: comments with ";", one of which may name the columns, then number,
// time in ms, and the rest.
func beginsNumbered(h *head, line []byte) bool {
	if !bytes.HasPrefix(line, []byte(";$")) {
		return false
	}
	numberedComment(h, string(line))
	return true
}

func numberedComment(h *head, line string) {
	if v, ok := strings.CutPrefix(line, ";$STARTTIME="); ok {
		if days, err := strconv.ParseFloat(strings.TrimSpace(v), 64); err == nil {
			// Days since 30 December 1899, which is 25569 days before 1970.
			h.zero = Micros((days - 25569) * 86400e6)
		}
	}
	if v, ok := strings.CutPrefix(line, ";$COLUMNS="); ok {
		h.columns = nil
		for _, c := range strings.Split(strings.TrimSpace(v), ",") {
			h.columns = append(h.columns, numberedColumns[c])
		}
	}
}

// numberedColumns are the letters that name columns.
var numberedColumns = map[string]what{"O": isTime, "T": isKind, "B": isBus, "I": isID, "d": isSkipped, "R": isSkipped, "N": isSkipped, "l": isLength, "L": isLength, "D": isData}

// Columns where none are named: with a direction, and in the oldest, without.
var (
	numberedWithDirection = []what{isSkipped, isTime, isSkipped, isID, isLength, isData}
	numberedPlain         = []what{isSkipped, isTime, isID, isLength, isData}
)

func frameNumbered(h *head, line []byte, f *Frame) ([]byte, string, error) {
	if line[0] == ';' {
		numberedComment(h, string(line))
		return nil, notAFrame, nil
	}
	w := strings.Fields(string(line))
	columns := h.columns
	if columns == nil {
		columns = numberedPlain
		if len(w) > 2 && (w[2] == "Rx" || w[2] == "Tx") {
			columns = numberedWithDirection
		}
	}
	h.unit = Second / 1000
	return columnsToFrame(h, columns, w, f)
}

// what is what a column of a table holds.
type what uint8

const (
	isSkipped what = iota
	isTime
	isKind // DT for data; RR remote
	isBus
	isID
	isExtended
	isRemote
	isLength
	isData // all bytes from here on, or in this one
	isByte
)

// tableNames are the headings of the columns of a table of frames, in small
// letters without blanks and signs.
var tableNames = map[string]what{
	"time": isTime, "timestamp": isTime, "times": isTime, "timesec": isTime, "abstime": isTime,
	"id": isID, "canid": isID, "arbitrationid": isID, "identifier": isID, "messageid": isID, "arbid": isID,
	"extended": isExtended, "ext": isExtended, "isextended": isExtended, "isextendedid": isExtended, "ide": isExtended,
	"remote": isRemote, "rtr": isRemote, "isremote": isRemote, "isremoteframe": isRemote,
	"bus": isBus, "channel": isBus, "interface": isBus,
	"len": isLength, "dlc": isLength, "length": isLength,
	"data": isData, "payload": isData, "databytes": isData,
}

// A table of frames: a heading that names at least time, identifier and data.
func beginsTable(h *head, line []byte) bool {
	sep, names := cells(string(line))
	var columns []what
	has := map[what]bool{}
	for _, n := range names {
		n = plainName(n)
		w, ok := tableNames[n]
		if k, err := strconv.Atoi(strings.TrimLeft(n, "abdety")); !ok && err == nil && k <= 64 && len(n) <= 6 {
			w = isByte
		}
		has[w] = true
		columns = append(columns, w)
	}
	if !has[isTime] || !has[isID] || !has[isData] && !has[isByte] {
		return false
	}
	h.columns, h.sep = columns, sep
	return true
}

// cells splits a line at its separator: the commonest of semicolon, tab, comma.
func cells(line string) (sep byte, out []string) {
	sep = ','
	for _, c := range []byte{';', '\t'} {
		if strings.Count(line, string(rune(c))) > strings.Count(line, string(rune(sep))) {
			sep = c
		}
	}
	return sep, split(line, sep)
}

func split(line string, sep byte) []string {
	out := strings.Split(line, string(rune(sep)))
	for i := range out {
		out[i] = strings.Trim(strings.TrimSpace(out[i]), `"`)
	}
	return out
}

func plainName(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, strings.ToLower(s))
}

func frameTable(h *head, line []byte, f *Frame) ([]byte, string, error) {
	w := split(string(line), h.sep)
	for i, c := range h.columns {
		if c == isTime && h.unit == 0 && i < len(w) {
			h.unit = unitOf(w[i])
			if h.unit == 0 {
				return nil, notAFrame, nil // the heading, or units below it
			}
		}
	}
	return columnsToFrame(h, h.columns, w, f)
}

// unitOf tells the unit of a table's times by the first: a count since 1970 in
// microseconds or milliseconds has no fraction and many digits.
func unitOf(s string) Micros {
	if v, err := strconv.ParseInt(s, 10, 64); err == nil {
		switch {
		case v > 1e14:
			return 1
		case v > 1e11:
			return Second / 1000
		}
		return Second
	}
	if _, ok := seconds(s); ok {
		return Second
	}
	return 0
}

// columnsToFrame reads the cells of one line by what their columns hold.
func columnsToFrame(h *head, columns []what, w []string, f *Frame) (iface []byte, reason string, err error) {
	*f = Frame{}
	iface = []byte("0")
	length, id := -1, ""
	extended := false
	var data []string
	for i, c := range columns {
		if i >= len(w) {
			break
		}
		v := w[i]
		switch c {
		case isTime:
			at, ok := scaled(v, h.unit)
			if !ok {
				return nil, "expected a time", nil
			}
			f.At = h.zero + at
		case isKind:
			if v != "DT" && v != "RR" {
				return nil, notAFrame, nil
			}
			if v == "RR" {
				f.Kind = Remote
			}
		case isBus:
			iface = []byte(v)
		case isID:
			id = v
		case isExtended:
			extended = truth(v)
		case isRemote:
			if truth(v) {
				f.Kind = Remote
			}
		case isLength:
			if length, err = strconv.Atoi(v); err != nil || length < 0 || length > 64 {
				return nil, "expected a length", nil
			}
		case isByte:
			data = append(data, v)
		case isData:
			data = append(data, w[i:]...)
		}
		if c == isData {
			break
		}
	}
	if reason := setID(f, strings.TrimSuffix(id, "h"), false, extended, len(strings.TrimPrefix(strings.ToLower(id), "0x")) > 4); reason != "" {
		return nil, reason, nil
	}
	if h.sep != 0 && len(data) > 0 && columns[len(columns)-1] == isData {
		data = pairs(data[0])
	}
	for len(data) > 0 && data[len(data)-1] == "" {
		data = data[:len(data)-1]
	}
	if length < 0 {
		length = len(data)
	}
	return iface, setBytes(f, data, length, false), nil
}

func truth(v string) bool {
	switch strings.ToLower(v) {
	case "1", "true", "yes", "x":
		return true
	}
	return false
}

// pairs splits bytes written without, or with, blanks between them.
func pairs(s string) (out []string) {
	s = strings.ReplaceAll(strings.TrimPrefix(s, "0x"), " ", "")
	for len(s) >= 2 {
		out = append(out, s[:2])
		s = s[2:]
	}
	if s != "" {
		out = append(out, s)
	}
	return out
}

// setID reads an identifier. Where nothing says that it has 29 bits, its size or
// long (as it is written) does.
func setID(f *Frame, s string, decimal, extended, long bool) string {
	base := 16
	if decimal {
		base = 10
	}
	s = strings.TrimPrefix(strings.ToLower(s), "0x")
	v, err := strconv.ParseUint(s, base, 32)
	if err != nil || v > idMask29 {
		return "expected an identifier of up to 29 bits"
	}
	f.ID = uint32(v)
	if extended || v > idMask11 || long && !decimal && len(s) == 8 && !strings.HasPrefix(s, "00000") {
		f.Flags |= Extended
	}
	return ""
}

func setBytes(f *Frame, data []string, n int, decimal bool) string {
	if n > 8 {
		f.Flags |= FD
		if !fdLength(n) {
			return "expected a CAN FD length: 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes"
		}
	}
	f.Len = uint8(n)
	if f.Kind == Remote {
		return ""
	}
	if len(data) < n {
		return "fewer bytes than the length says"
	}
	base := 16
	if decimal {
		base = 10
	}
	for i := range n {
		v, err := strconv.ParseUint(data[i], base, 8)
		if err != nil {
			return "expected bytes"
		}
		f.Data[i] = byte(v)
	}
	return ""
}

// seconds reads a time in seconds with a decimal point or comma.
func seconds(s string) (Micros, bool) { return scaled(s, Second) }

// scaled reads a number of units, without a detour over binary fractions for
// those since 1970.
func scaled(s string, unit Micros) (Micros, bool) {
	s = strings.TrimSuffix(strings.Replace(s, ",", ".", 1), ")")
	whole, part, _ := strings.Cut(s, ".")
	sec, err := strconv.ParseInt(whole, 10, 64)
	if err != nil || sec > 1<<60/int64(unit) || sec < 0 {
		return 0, false
	}
	at := Micros(sec) * unit
	if part != "" {
		x, err := strconv.ParseFloat("0."+part, 64)
		if err != nil {
			return 0, false
		}
		at += Micros(x*float64(unit) + 0.5)
	}
	return at, true
}

// Console lines without times.
func beginsTimeless(_ *head, line []byte) bool {
	line = bytes.TrimSpace(line)
	var f Frame
	_, reason := parseLogLine(append([]byte("(0.0) "), line...), &f)
	return len(line) > 0 && line[0] != '(' && reason == ""
}

func frameTimeless(*head, []byte, *Frame) ([]byte, string, error) {
	return nil, "", errors.New("its frames have no times, and nothing can be told without: record with absolute times, lines like (1700000000.123456) can0 18FEF100#FFFF00FF")
}

// A table of decoded values: a time, and columns that are no frames.
func beginsValues(_ *head, line []byte) bool {
	_, names := cells(string(line))
	if len(names) < 2 {
		return false
	}
	first := plainName(names[0])
	return strings.HasPrefix(first, "time") || strings.HasPrefix(first, "zeit") || first == "t" || first == "ts"
}

func frameValues(*head, []byte, *Frame) ([]byte, string, error) {
	return nil, "", errors.New("a table of decoded values, not of frames: joltwatch check --from it, without --vehicle, proposes which column is which role, and run --columns reads it")
}

// asText makes text of what is not: UTF-16, byte-order marks, packet captures.
func asText(r io.Reader) (io.Reader, error) {
	b := bufio.NewReaderSize(r, 64<<10)
	head, err := b.Peek(24)
	if err != nil && err != io.EOF {
		return nil, err
	}
	switch {
	case len(head) >= 4 && (string(head[:2]) == "\xFF\xFE" || string(head[:2]) == "\xFE\xFF" || string(head[:3]) == "\xEF\xBB\xBF"):
		return transform.NewReader(b, unicode.BOMOverride(unicode.UTF8.NewDecoder())), nil
	case len(head) >= 4 && head[0] != 0 && head[1] == 0 && head[2] != 0 && head[3] == 0:
		return transform.NewReader(b, unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewDecoder()), nil
	case len(head) >= 4 && string(head[:4]) == "\x0A\x0D\x0D\x0A":
		return nil, errors.New("a packet capture of the newer kind: convert it to the classic one, or to a text log")
	case len(head) == 24 && captureOrder(head) != nil:
		return newCapture(b)
	}
	return b, nil
}

// captureOrder returns the byte order of a classic packet capture, nil where it
// is none: the file begins with A1B2C3D4, or A1B23C4D where times have
// nanoseconds.
func captureOrder(head []byte) binary.ByteOrder {
	for _, o := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
		if m := o.Uint32(head); m == 0xA1B2C3D4 || m == 0xA1B23C4D {
			return o
		}
	}
	return nil
}

// capture turns a classic packet capture of CAN frames into lines in brackets.
type capture struct {
	r     io.Reader
	order binary.ByteOrder
	nanos bool
	line  []byte
	rest  []byte
}

// linkCAN is the link type of CAN frames as the kernel hands them out (the
// registry of link types, number 227): identifier and flags big-endian, length,
// three bytes, data.
const linkCAN = 227

func newCapture(r *bufio.Reader) (*capture, error) {
	var head [24]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return nil, err
	}
	c := &capture{r: r, order: captureOrder(head[:])}
	c.nanos = c.order.Uint32(head[:]) == 0xA1B23C4D
	if link := c.order.Uint32(head[20:]) & 0xFFFF; link != linkCAN {
		return nil, fmt.Errorf("a packet capture, but not of a CAN bus (link type %d, expected %d)", link, linkCAN)
	}
	return c, nil
}

// Read implements io.Reader.
func (c *capture) Read(p []byte) (int, error) {
	for len(c.rest) == 0 {
		if err := c.next(); err != nil {
			return 0, err
		}
	}
	n := copy(p, c.rest)
	c.rest = c.rest[n:]
	return n, nil
}

func (c *capture) next() error {
	var head [16]byte
	if _, err := io.ReadFull(c.r, head[:]); err != nil {
		return err
	}
	size := c.order.Uint32(head[8:])
	if size > 1<<16 {
		return errors.New("a packet longer than any frame")
	}
	data := make([]byte, size)
	if _, err := io.ReadFull(c.r, data); err != nil {
		return err
	}
	if len(data) < 8 {
		return nil
	}
	fraction := Micros(c.order.Uint32(head[4:]))
	if c.nanos {
		fraction /= 1000
	}
	f := Frame{At: Micros(c.order.Uint32(head[:]))*Second + fraction}
	id := binary.BigEndian.Uint32(data)
	n := int(data[4])
	switch {
	case id&errorFlag != 0:
		f.Kind = Error
	case id&remoteFlag != 0:
		f.Kind = Remote
	}
	if id&extFlag != 0 {
		f.Flags |= Extended
	}
	if n > 8 {
		f.Flags |= FD
	}
	if n > 64 || len(data) < 8+n && f.Kind != Remote {
		return nil
	}
	f.ID, f.Len = id&idMask29, uint8(n)
	copy(f.Data[:n], data[8:])
	c.line = AppendLogLine(c.line[:0], &f, "can0")
	c.rest = c.line
	return nil
}
