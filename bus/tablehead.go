package bus

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// TableHead is what the first lines of a table of decoded values say: its columns
// are parted by commas, semicolons or tabs; headings stand in the last line of text
// before the numbers, with the unit in brackets behind, or in a line of their own
// below. Where columns are not parted by commas, a comma may stand for the decimal
// point. Lines before the headings are skipped.
type TableHead struct {
	Delimiter    byte
	DecimalComma bool
	Columns      []TableColumn
	// Time is the place of the time column, -1 where none is known by its
	// heading or unit.
	Time int
	// Line is that of the headings, from 1; Skip how many lines come before the
	// first row.
	Line, Skip int
}

// TableColumn is one column.
type TableColumn struct {
	// Heading is the whole heading, Name that without the unit.
	Heading, Name, Unit string
}

// Find returns the place of the column with a heading, or with a name that only one
// has, or -1.
func (h *TableHead) Find(heading string) int {
	named := -1
	for i, c := range h.Columns {
		if c.Heading == heading {
			return i
		}
		if strings.EqualFold(c.Name, heading) {
			if named >= 0 {
				return -1
			}
			named = i
		}
	}
	return named
}

// Column is Find, with an error that names the columns.
func (h *TableHead) Column(heading string) (int, error) {
	i := h.Find(heading)
	if i < 0 {
		return i, fmt.Errorf("no column %q; the columns are %s", heading, h.names())
	}
	return i, nil
}

func (h *TableHead) names() string {
	var all []string
	for _, c := range h.Columns {
		all = append(all, strconv.Quote(c.Heading))
	}
	return strings.Join(all, ", ")
}

// headLines are so many lines in which the first row must be found.
const headLines = 60

// readHead looks at the first lines without taking them.
func readHead(r *bufio.Reader) (TableHead, error) {
	peek, err := r.Peek(maxTableLine)
	if err != nil && err != io.EOF {
		return TableHead{}, err
	}
	if bytes.HasPrefix(peek, []byte("\xEF\xBB\xBF")) {
		r.Discard(3) //nolint:errcheck // it was peeked
		peek = peek[3:]
	}
	lines := bytes.Split(peek, []byte("\n"))
	if len(lines) > headLines {
		lines = lines[:headLines]
	}
	for i := range lines {
		lines[i] = bytes.TrimRight(lines[i], "\r")
	}
	for _, d := range []byte{';', '\t', ','} {
		if h, ok := headBy(lines, d); ok {
			return h, nil
		}
	}
	return TableHead{}, fmt.Errorf("%w: expected columns parted by commas, semicolons or tabs, with a line of headings above the numbers", errNoTable)
}

// headBy reads the head with columns parted by d.
func headBy(lines [][]byte, d byte) (TableHead, bool) {
	h := TableHead{Delimiter: d, Time: -1}
	for first := 1; first < len(lines); first++ {
		cells := splitCells(lines[first], d, nil)
		above := splitCells(lines[first-1], d, nil)
		if len(cells) < 2 || len(above) < len(cells) || !numbers(cells, d) || numbers(above, d) {
			continue
		}
		h.Skip, h.Line = first, first
		var units [][]byte
		if first >= 2 && allUnits(above) {
			if two := splitCells(lines[first-2], d, nil); len(two) == len(above) && !numbers(two, d) {
				units, above, h.Line = above, two, first-1
			}
		}
		for i, c := range above {
			x := tableColumn(string(c))
			if units != nil {
				x.Unit = strings.Trim(string(units[i]), "[]() ")
			}
			h.Columns = append(h.Columns, x)
		}
		h.DecimalComma = d != ',' && decimalComma(lines[first:], d)
		h.findTime(cells)
		return h, true
	}
	return h, false
}

// numbers reports whether most cells that are not empty are numbers or times, and
// at least two are.
func numbers(cells [][]byte, d byte) bool {
	n, full := 0, 0
	for _, c := range cells {
		if len(c) == 0 {
			continue
		}
		full++
		if _, ok := parseCell(c, d != ','); ok || bytes.Count(c, []byte(":")) == 2 {
			n++
		}
	}
	return n >= 2 && 2*n >= full
}

// allUnits reports whether a line may be one of units: short words.
func allUnits(cells [][]byte) bool {
	full := 0
	for _, c := range cells {
		if len(c) > 10 || bytes.IndexByte(bytes.TrimSpace(c), ' ') >= 0 {
			return false
		}
		if len(c) > 0 {
			full++
		}
	}
	return full > 0
}

// decimalComma reports whether the numbers have commas and no points.
func decimalComma(lines [][]byte, d byte) bool {
	commas, points := 0, 0
	for _, l := range lines {
		for _, c := range splitCells(l, d, nil) {
			if _, ok := parseCell(c, true); !ok {
				continue
			}
			commas += bytes.Count(c, []byte(","))
			points += bytes.Count(c, []byte("."))
		}
	}
	return commas > points
}

// tableColumn parts a heading from its unit.
func tableColumn(heading string) TableColumn {
	c := TableColumn{Heading: heading, Name: heading}
	for _, b := range []string{"()", "[]", "{}"} {
		if strings.HasSuffix(heading, b[1:]) {
			if i := strings.LastIndex(heading, b[:1]); i >= 0 {
				c.Name, c.Unit = strings.TrimSpace(heading[:i]), strings.TrimSpace(heading[i+1:len(heading)-1])
			}
		}
	}
	return c
}

// findTime looks for the time column: by its name, and its unit or the form of its
// first cell.
func (h *TableHead) findTime(first [][]byte) {
	for i, c := range h.Columns {
		name := strings.ToLower(c.Name)
		switch name {
		case "time", "t", "timestamp", "time stamp", "zeit", "zeitstempel", "temps", "tiempo", "tempo", "seconds", "elapsed", "elapsed time", "time_s", "time_ms", "clock":
		default:
			if !strings.HasPrefix(name, "time ") && !strings.HasPrefix(name, "timestamp") {
				continue
			}
		}
		if i < len(first) && len(first[i]) > 0 {
			if strings.HasSuffix(name, "_ms") && c.Unit == "" {
				h.Columns[i].Unit = "ms"
			}
			h.Time = i
			return
		}
	}
	for i, c := range h.Columns {
		if _, ok := timeUnit(c.Unit); ok && c.Unit != "" {
			h.Time = i
			return
		}
	}
}

// splitCells parts a line, without the quotes around cells. The cells lie in the
// line.
func splitCells(line []byte, d byte, into [][]byte) [][]byte {
	for {
		line = bytes.TrimLeft(line, " ")
		if len(line) > 0 && line[0] == '"' {
			if end := bytes.IndexByte(line[1:], '"'); end >= 0 {
				into = append(into, bytes.TrimSpace(line[1:1+end]))
				rest := bytes.TrimLeft(line[2+end:], " ")
				if len(rest) == 0 {
					return into
				}
				line = rest[1:]
				continue
			}
		}
		i := bytes.IndexByte(line, d)
		if i < 0 {
			return append(into, bytes.TrimSpace(line))
		}
		into = append(into, bytes.TrimSpace(line[:i]))
		line = line[i+1:]
	}
}

// maxCell is longer than any number.
const maxCell = 40

// parseCell reads a number.
func parseCell(c []byte, comma bool) (float64, bool) {
	if len(c) == 0 || len(c) > maxCell || c[0] != '-' && c[0] != '+' && c[0] != '.' && (c[0] < '0' || c[0] > '9') {
		return 0, false
	}
	var b [maxCell]byte
	n := copy(b[:], c)
	if comma {
		if i := bytes.IndexByte(b[:n], ','); i >= 0 {
			b[i] = '.'
		}
	}
	v, err := strconv.ParseFloat(string(b[:n]), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, false
	}
	return v, true
}

// cellValue is a cell's number; words for states count as the numbers that the
// roles have for them.
func cellValue(c []byte, comma bool) (float64, bool) {
	if v, ok := parseCell(c, comma); ok {
		return v, true
	}
	for _, w := range tableWords {
		if bytes.EqualFold(c, w.word) {
			return w.value, true
		}
	}
	// D3, M2, S4: the gear that is in.
	if len(c) == 2 && c[1] >= '1' && c[1] <= '9' && bytes.IndexByte([]byte("DMSdms"), c[0]) >= 0 {
		return float64(c[1] - '0'), true
	}
	return 0, false
}

// tableWords are the words for states that tables have in place of numbers.
var tableWords = [...]struct {
	word  []byte
	value float64
}{
	{[]byte("on"), 1}, {[]byte("off"), 0}, {[]byte("true"), 1}, {[]byte("false"), 0}, {[]byte("yes"), 1}, {[]byte("no"), 0},
	{[]byte("active"), 1}, {[]byte("inactive"), 0}, {[]byte("pressed"), 1}, {[]byte("released"), 0},
	{[]byte("open"), 0}, {[]byte("partial"), 1}, {[]byte("closed"), 2}, {[]byte("locked"), 2}, {[]byte("unlocked"), 0},
	{[]byte("P"), -2}, {[]byte("R"), -1}, {[]byte("N"), 0}, {[]byte("park"), -2}, {[]byte("reverse"), -1}, {[]byte("neutral"), 0},
}

// tableClock reads times.
type tableClock struct {
	scale  float64 // µs
	comma  bool
	guess  bool // the unit is not stated
	wall   bool // the times may be wall time
	day    Micros
	before Micros
}

// timeUnit returns how many µs a unit of time is.
func timeUnit(unit string) (float64, bool) {
	switch strings.ToLower(strings.TrimSpace(unit)) {
	case "s", "sec", "secs", "second", "seconds", "sek":
		return 1e6, true
	case "ms", "msec", "milliseconds":
		return 1e3, true
	case "us", "µs", "μs", "usec", "microseconds":
		return 1, true
	case "ns":
		return 1e-3, true
	case "min", "minutes":
		return 60e6, true
	case "h", "hours":
		return 3600e6, true
	}
	return 0, false
}

func newTableClock(unit string, comma bool) (tableClock, error) {
	if unit == "" || strings.ContainsAny(unit, ":") {
		return tableClock{scale: 1e6, comma: comma, guess: true, wall: true}, nil
	}
	scale, ok := timeUnit(unit)
	if !ok {
		return tableClock{}, fmt.Errorf("the time is in %q; expected time_unit = one of s, ms, us, ns, min, h", unit)
	}
	return tableClock{scale: scale, comma: comma, wall: true}, nil
}

// Times of the epoch without a unit tell it by their size: it is past 2001 and
// before 2286 in s, ms, µs and ns each.
const (
	epochMs = 1e11
	epochUs = 1e14
	epochNs = 1e17
)

// parse returns the instant of a cell, or what was expected.
func (k *tableClock) parse(c []byte) (Micros, string) {
	if v, ok := parseCell(c, k.comma); ok {
		scale := k.scale
		if k.guess {
			switch {
			case v >= epochNs:
				scale = 1e-3
			case v >= epochUs:
				scale = 1
			case v >= epochMs:
				scale = 1e3
			}
		}
		if us := v * scale; math.Abs(us) < 1<<62 {
			return Micros(math.Round(us)), ""
		}
		return 0, "the time is out of range"
	}
	if at, ok := clockTime(c); ok {
		// Past midnight the clock starts again.
		if at+k.day < k.before-43200*Second {
			k.day += 86400 * Second
		}
		k.before = at + k.day
		return k.before, ""
	}
	if at, ok := dateTime(c); ok {
		return at, ""
	}
	return 0, "expected a time: a number, hours:minutes:seconds, or a date and time"
}

// clockTime reads hours:minutes:seconds with decimals.
func clockTime(c []byte) (Micros, bool) {
	h, rest, ok := bytes.Cut(c, []byte(":"))
	m, s, ok2 := bytes.Cut(rest, []byte(":"))
	if !ok || !ok2 || len(h) > 2 || len(m) != 2 {
		return 0, false
	}
	hours, ok1 := parseCell(h, false)
	minutes, ok2 := parseCell(m, false)
	seconds, ok3 := parseCell(s, true)
	if !ok1 || !ok2 || !ok3 || hours < 0 || minutes < 0 || minutes >= 60 || seconds < 0 || seconds >= 61 {
		return 0, false
	}
	return Micros(math.Round((hours*3600 + minutes*60 + seconds) * 1e6)), true
}

// dateTime reads a date and a time; without a zone it counts as UTC, as a table
// says no zone.
func dateTime(c []byte) (Micros, bool) {
	if len(c) < 16 || len(c) > maxCell {
		return 0, false
	}
	for _, form := range []string{time.RFC3339Nano, "2006-01-02 15:04:05", "2006-01-02T15:04:05", "02.01.2006 15:04:05", "2006/01/02 15:04:05"} {
		if at, err := time.Parse(form, string(bytes.ReplaceAll(c, []byte(","), []byte(".")))); err == nil {
			return Micros(at.UnixMicro()), true
		}
	}
	return 0, false
}
