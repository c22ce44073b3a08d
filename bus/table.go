package bus

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
)

// TableOptions say how a table of decoded values is read.
type TableOptions struct {
	// Channels are the headings that are wanted; the place in the list becomes
	// the ID of the Reading.
	Channels []string
	// Time is the heading of the time column, and TimeUnit its unit; found and
	// taken from the heading where empty.
	Time, TimeUnit string
	Bus            uint8
	// Report, where set, is told of each line that is no row.
	Report func(line int, reason string)
}

// Table is a table of decoded values, one instant a row, as a Source of Readings;
// see TableHead for the forms. A cell that is empty, or is no value, gives none.
// Rows that cannot be read are reported, counted, and noted among the Readings as
// NoticeBadInput; they end nothing.
type Table struct {
	name   string
	opt    TableOptions
	closer io.Closer
	r      *bufio.Reader
	head   TableHead
	clock  tableClock
	ids    []int32 // by column, -1 not wanted

	line    int
	at      Micros
	shift   Micros
	started bool
	bad     int64
	cells   [][]byte
	queue   []Frame // of the row under way
	out     int     // of it, handed out
	end     error

	mu    sync.Mutex
	known bool
	stats Stats
	now   Stats
}

// maxTableLine is more than any row of decoded values needs.
const maxTableLine = 64 << 10

// OpenTable opens a table; gzip and zstd are recognised by their first bytes.
func OpenTable(path string, opt TableOptions) (*Table, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("table: %w", err)
	}
	t, err := NewTable(f, path, opt)
	if err != nil {
		f.Close()
		return nil, err
	}
	t.closer = f
	return t, nil
}

// NewTable reads a table from r; name is what errors call it. The head is read at
// once.
func NewTable(r io.Reader, name string, opt TableOptions) (*Table, error) {
	plain, err := textOf(r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	t := &Table{name: name, opt: opt, r: bufio.NewReaderSize(plain, maxTableLine)}
	if t.head, err = readHead(t.r); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if err := t.choose(); err != nil {
		return nil, fmt.Errorf("%s:%d: %w", name, t.head.Line, err)
	}
	t.cells = make([][]byte, 0, len(t.head.Columns)+1)
	t.queue = make([]Frame, 0, len(opt.Channels)+1)
	for t.line < t.head.Skip {
		if _, err := t.next(); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return t, nil
}

// choose finds the wanted columns and the time.
func (t *Table) choose() error {
	t.ids = make([]int32, len(t.head.Columns))
	for i := range t.ids {
		t.ids[i] = -1
	}
	for id, want := range t.opt.Channels {
		i, err := t.head.Column(want)
		if err != nil {
			return err
		}
		t.ids[i] = int32(id)
	}
	if t.opt.Time != "" {
		i, err := t.head.Column(t.opt.Time)
		if err != nil {
			return err
		}
		t.head.Time = i
	}
	if t.head.Time < 0 {
		return fmt.Errorf("no column is known to be the time; expected time = one of %s in [table]", t.head.names())
	}
	unit := t.opt.TimeUnit
	if unit == "" {
		unit = t.head.Columns[t.head.Time].Unit
	}
	var err error
	t.clock, err = newTableClock(unit, t.head.DecimalComma)
	return err
}

// Head returns what the head of the table says.
func (t *Table) Head() *TableHead { return &t.head }

// next returns the next line without its end.
func (t *Table) next() ([]byte, error) {
	line, err := t.r.ReadSlice('\n')
	for err == bufio.ErrBufferFull { // too long: its start counts
		_, err = t.r.ReadSlice('\n')
	}
	if err == io.EOF && len(line) > 0 {
		err = nil
	}
	if err != nil {
		return nil, err
	}
	t.line++
	return bytes.TrimRight(line, "\r\n"), nil
}

// Read fills batch and returns how many Readings it holds. The error is io.EOF at
// the end.
func (t *Table) Read(batch []Frame) (int, error) {
	n := 0
	for n < len(batch) && t.end == nil {
		if t.out == len(t.queue) {
			t.queue, t.out = t.queue[:0], 0
			line, err := t.next()
			if err != nil {
				t.end = err
				break
			}
			t.row(line)
			continue
		}
		k := copy(batch[n:], t.queue[t.out:])
		t.out += k
		n += k
	}
	t.mu.Lock()
	t.stats = t.now
	t.mu.Unlock()
	if n == 0 && t.end != nil {
		if t.end == io.EOF && !t.started {
			return 0, fmt.Errorf("%s: no row of it could be read; expected a number in the column %q", t.name, t.head.Columns[t.head.Time].Heading)
		}
		return 0, t.end
	}
	return n, nil
}

// row makes the Readings of one line.
func (t *Table) row(line []byte) {
	if len(bytes.TrimSpace(line)) == 0 {
		return
	}
	t.cells = splitCells(line, t.head.Delimiter, t.cells[:0])
	if t.head.Time >= len(t.cells) {
		t.reject("the row ends before the time column")
		return
	}
	at, reason := t.clock.parse(t.cells[t.head.Time])
	if reason != "" {
		t.reject(reason)
		return
	}
	if !t.started {
		t.started = true
		t.mu.Lock()
		t.known = t.clock.wall && at >= epochFloor
		t.mu.Unlock()
		if !t.known {
			t.shift = at
		}
	}
	t.at = at - t.shift
	if t.bad > 0 {
		t.queue = append(t.queue, NewNotice(t.at, t.opt.Bus, NoticeBadInput, t.bad))
		t.bad = 0
	}
	for i, c := range t.cells {
		if i >= len(t.ids) || t.ids[i] < 0 || len(c) == 0 {
			continue
		}
		if v, ok := cellValue(c, t.head.DecimalComma); ok {
			t.queue = append(t.queue, NewReading(t.at, t.opt.Bus, uint32(t.ids[i]), v))
			t.now.Frames++
		}
	}
}

func (t *Table) reject(reason string) {
	t.bad++
	t.now.BadLines++
	if t.opt.Report != nil {
		t.opt.Report(t.line, reason)
	}
}

// Clock says whether the rows carry wall time.
func (t *Table) Clock() Clock {
	t.mu.Lock()
	defer t.mu.Unlock()
	return Clock{Known: t.known}
}

// Stats returns the counters.
func (t *Table) Stats() Stats {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.stats
}

// Close closes the file.
func (t *Table) Close() error {
	if t.closer == nil {
		return nil
	}
	return t.closer.Close()
}

// errNoTable is wrapped by the errors of what is no table at all.
var errNoTable = errors.New("no table of decoded values")
