package bus

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

// LogOptions say how a text log is read.
type LogOptions struct {
	// Interfaces are the names of the buses as the log gives them; the place
	// in the list becomes Frame.Bus. Frames of other interfaces are counted
	// as foreign and skipped. Empty: interfaces are numbered in the order in
	// which they appear.
	Interfaces []string
	// Adopt takes the only interface of a log for the one name given, whatever
	// it is called: see TextLog.Adopted.
	Adopt bool
	// Report, where set, is told of each line that is not a frame.
	Report func(line int, reason string)
}

// A file is taken for no log where none of its first lines that are not blank,
// this many, is a frame (or none at all, where it has fewer).
const logProbeLines = 200

// A line longer than this is malformed whatever it holds: the longest frame, an
// FD frame in the spaced form, needs less than 300 bytes.
const maxLogLine = 4096

// epochFloor is 2001-01-01 in Unix seconds: a first time before it is not the
// wall's.
const epochFloor = 978307200 * Second

// TextLog is a recorded text log. Lines that are no frames are reported,
// counted, and noted among the frames as NoticeBadInput; they end nothing. See
// logform.go for the forms.
type TextLog struct {
	name   string
	opt    LogOptions
	raw    io.Reader
	size   int64        // of the file, 0 where not known
	taken  atomic.Int64 // bytes of it
	closer io.Closer
	r      io.Reader // decompressed; nil until the first Read

	buf      []byte
	from, to int   // what of buf is not parsed yet
	end      error // why there will be no more bytes
	skipping bool  // inside a line that is too long
	line     int
	form     *form // nil until a line has shown it
	head     head
	held     []badLine // until the first frame

	last    []byte // the interface of the line before, and its index
	lastBus uint8
	started bool // a first frame has been seen
	shift   Micros
	at      Micros
	bad     int64 // lines not yet noted
	probed  int

	pending Frame // a frame that waits behind a notice
	waiting bool

	mu           sync.Mutex
	clock        Clock
	stats        Stats
	interfaces   []string
	foreign      uint64
	foreignNames []string
	adopted      string

	now Stats // the reader's own counters, published by Read
}

// OpenLog opens a text log; "-" is standard input. Gzip and zstd are
// recognised by their first bytes.
func OpenLog(path string, opt LogOptions) (*TextLog, error) {
	if path == "-" {
		return NewTextLog(os.Stdin, "standard input", opt)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("log: %w", err)
	}
	if st, err := f.Stat(); err == nil && st.IsDir() {
		f.Close()
		return nil, fmt.Errorf("log: %s is a directory; expected a recorded text log", path)
	}
	t, err := NewTextLog(f, path, opt)
	if err != nil {
		f.Close()
		return nil, err
	}
	t.closer = f
	if st, err := f.Stat(); err == nil && st.Mode().IsRegular() {
		t.size = st.Size()
	}
	return t, nil
}

// Share is how much of the file has been read, from 0 to 1; 0 where its size is
// not known.
func (t *TextLog) Share() float64 {
	if t.size == 0 {
		return 0
	}
	return min(1, float64(t.taken.Load())/float64(t.size))
}

// counted counts what is read of the file.
type counted struct{ t *TextLog }

func (c counted) Read(p []byte) (int, error) {
	n, err := c.t.raw.Read(p)
	c.t.taken.Add(int64(n))
	return n, err
}

// NewTextLog reads a text log from r; name is what errors call it. Nothing is
// read before the first Read.
func NewTextLog(r io.Reader, name string, opt LogOptions) (*TextLog, error) {
	if len(opt.Interfaces) > 256 {
		return nil, fmt.Errorf("log: %d interfaces; at most 256 can be told apart", len(opt.Interfaces))
	}
	t := &TextLog{name: name, opt: opt, raw: r, buf: make([]byte, 256<<10)}
	t.interfaces = append(t.interfaces, opt.Interfaces...)
	return t, nil
}

// Read fills batch and returns how many frames it holds: fewer than fit where
// the log has no more ready. The error is io.EOF at the end.
func (t *TextLog) Read(batch []Frame) (int, error) {
	n, err := t.read(batch)
	t.mu.Lock()
	t.stats = t.now
	t.mu.Unlock()
	return n, err
}

func (t *TextLog) read(batch []Frame) (n int, err error) {
	for n < len(batch) {
		if t.waiting {
			batch[n] = t.pending
			t.waiting = false
			n++
			continue
		}
		line, ok := t.next(n > 0)
		if !ok {
			if t.end == nil {
				return n, nil // no whole line is ready, and n > 0
			}
			return t.finish(batch, n)
		}
		f := &batch[n]
		iface, reason, err := t.parse(line, f)
		if err != nil {
			return n, fmt.Errorf("%s: %w", t.name, err)
		}
		if reason == notAFrame {
			continue
		}
		if reason != "" {
			t.reject(reason)
			if !t.started && t.probed >= logProbeLines {
				return n, t.noLog()
			}
			continue
		}
		if !t.started {
			t.start(f.At)
		}
		f.At -= t.shift
		if len(t.last) > 0 && bytes.Equal(iface, t.last) {
			f.Bus = t.lastBus
		} else if !t.findBus(iface, f) {
			continue
		}
		if f.Kind == Error {
			t.now.Errors++
		}
		t.now.Frames++
		if t.bad > 0 {
			at := t.at
			if t.now.Frames == 1 {
				at = f.At
			}
			t.pending, t.waiting = *f, true
			t.at = f.At
			*f = NewNotice(at, f.Bus, NoticeBadInput, t.bad)
			t.bad = 0
		}
		t.at = max(t.at, batch[n].At)
		n++
	}
	return n, nil
}

// next returns the next line without its end. Where no whole line is there it
// reads, but with have it reads only once the caller has taken what it has: ok
// is false with end still nil.
func (t *TextLog) next(have bool) (line []byte, ok bool) {
	for {
		if i := bytes.IndexByte(t.buf[t.from:t.to], '\n'); i >= 0 {
			line = t.buf[t.from : t.from+i]
			t.from += i + 1
			t.line++
			if t.skipping {
				t.skipping = false
				continue
			}
			if i > maxLogLine {
				t.reject("the line is longer than any frame")
				continue
			}
			if i > 0 && line[i-1] == '\r' {
				line = line[:i-1]
			}
			return line, true
		}
		if t.end != nil {
			line = t.buf[t.from:t.to]
			t.from = t.to
			if len(line) == 0 || t.skipping {
				return nil, false
			}
			t.line++
			if t.end != io.EOF {
				// What is left of a line when the file breaks off may look
				// whole and miss its last bytes.
				t.reject("the file breaks off in this line")
				return nil, false
			}
			return line, true
		}
		if t.to-t.from > maxLogLine {
			if !t.skipping {
				t.line++
				t.reject("the line is longer than any frame")
				t.line--
			}
			t.skipping = true
			t.from = t.to
		}
		if have {
			return nil, false
		}
		t.fill()
	}
}

func (t *TextLog) fill() {
	if t.r == nil {
		if t.end = t.sniff(); t.end != nil {
			return
		}
	}
	t.to = copy(t.buf, t.buf[t.from:t.to])
	t.from = 0
	n, err := t.r.Read(t.buf[t.to:])
	t.to += n
	if err != nil {
		t.end = err
	}
}

// sniff begins to read.
func (t *TextLog) sniff() error {
	r, err := textOf(counted{t})
	if err != nil {
		return err
	}
	t.r = r
	return nil
}

// textOf is raw decompressed, and made text of where it is not.
func textOf(raw io.Reader) (io.Reader, error) {
	r, err := decompressed(raw)
	if err != nil {
		return nil, err
	}
	return asText(r)
}

// decompressed looks at the first bytes and puts a decompressor in where they are
// of gzip or zstd.
func decompressed(raw io.Reader) (io.Reader, error) {
	b := bufio.NewReaderSize(raw, 64<<10)
	head, err := b.Peek(4)
	if err != nil && err != io.EOF {
		return nil, err
	}
	switch {
	case len(head) >= 2 && head[0] == 0x1F && head[1] == 0x8B: // RFC 1952
		return gzip.NewReader(b)
	case len(head) == 4 && string(head) == "\x28\xB5\x2F\xFD": // RFC 8878
		// With a concurrency of 1 it has no goroutine to end.
		return zstd.NewReader(b, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(128<<20))
	}
	return b, nil
}

func (t *TextLog) reject(reason string) {
	t.bad++
	t.probed++
	t.now.BadLines++
	if !t.started {
		t.held = append(t.held, badLine{t.line, reason})
		return
	}
	t.report(t.line, reason)
}

// badLine is a line that is reported once the file has turned out to be a log:
// of one that is none, the one error says all.
type badLine struct {
	line   int
	reason string
}

func (t *TextLog) report(line int, reason string) {
	if t.opt.Report != nil {
		t.opt.Report(line, reason)
	}
}

// start fixes the clock by the first line that is a frame.
func (t *TextLog) start(at Micros) {
	t.started = true
	for _, b := range t.held {
		t.report(b.line, b.reason)
	}
	t.held = nil
	t.mu.Lock()
	t.clock.Known = at >= epochFloor
	t.mu.Unlock()
	if at < epochFloor {
		t.shift = at
	}
}

// findBus is false for a foreign interface.
func (t *TextLog) findBus(iface []byte, f *Frame) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i, name := range t.interfaces {
		if name == string(iface) {
			f.Bus = uint8(i)
			t.last, t.lastBus = append(t.last[:0], iface...), f.Bus
			return true
		}
	}
	if len(t.opt.Interfaces) == 0 && len(t.interfaces) < 256 {
		f.Bus = uint8(len(t.interfaces))
		t.interfaces = append(t.interfaces, string(iface))
		t.last, t.lastBus = append(t.last[:0], iface...), f.Bus
		return true
	}
	if t.alone(iface) {
		t.interfaces[0], t.adopted = string(iface), string(iface)
		t.last, t.lastBus = append(t.last[:0], iface...), 0
		return true
	}
	t.foreign++
	if len(t.foreignNames) < 16 {
		for _, name := range t.foreignNames {
			if name == string(iface) {
				return false
			}
		}
		t.foreignNames = append(t.foreignNames, string(iface))
	}
	return false
}

// alone reports whether, at the first frame, everything read so far is of one
// interface and one bus is asked for.
func (t *TextLog) alone(iface []byte) bool {
	if !t.opt.Adopt || t.now.Frames > 0 || t.foreign > 0 || len(t.opt.Interfaces) != 1 || t.adopted != "" {
		return false
	}
	h := t.head
	for rest := t.buf[t.from:t.to]; len(rest) > 0; {
		line, more, whole := bytes.Cut(rest, []byte("\n"))
		rest = more
		if len(bytes.TrimSpace(line)) == 0 || !whole {
			continue
		}
		var f Frame
		if other, reason, err := t.form.frame(&h, line, &f); reason == "" && err == nil && !bytes.Equal(other, iface) {
			return false
		}
	}
	return true
}

// Adopted returns the name of the interface that was taken for the one asked
// for, because the log has no other; empty where it has the one asked for.
func (t *TextLog) Adopted() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.adopted
}

// finish hands out what remains to be said at the end of the file.
func (t *TextLog) finish(batch []Frame, n int) (int, error) {
	if !t.started {
		return n, t.noLog()
	}
	if t.bad > 0 && n < len(batch) {
		batch[n] = NewNotice(t.at, 0, NoticeBadInput, t.bad)
		t.bad = 0
		n++
	}
	if t.end == io.EOF {
		return n, t.atEnd()
	}
	if errors.Is(t.end, os.ErrClosed) {
		t.end = io.EOF
		return n, t.atEnd()
	}
	if n == len(batch) {
		return n, nil
	}
	// A recording that breaks off is worth as much as what came before.
	t.line++
	t.now.BadLines++
	t.report(t.line, "the file breaks off here: "+t.end.Error())
	batch[n] = NewNotice(t.at, 0, NoticeDown, 0)
	t.end = io.EOF
	return n + 1, io.EOF
}

// atEnd is io.EOF once everything has been said.
func (t *TextLog) atEnd() error {
	if t.bad > 0 {
		return nil
	}
	return io.EOF
}

func (t *TextLog) noLog() error {
	const want = "expected lines like (1700000000.123456) can0 18FEF100#FFFF00FF or (0.5) can0 123 [2] 01 FF, or frames in columns, plain, gzip or zstd"
	if t.end != nil && t.end != io.EOF {
		return fmt.Errorf("%s: cannot be read as a log: %w; %s", t.name, t.end, want)
	}
	if t.probed == 0 {
		return fmt.Errorf("%s: empty, so not a log; %s", t.name, want)
	}
	return fmt.Errorf("%s: not a log: none of its first %d lines is a frame; %s", t.name, t.probed, want)
}

// Clock says whether the log carries wall time; it is settled by the first Read
// that returns frames. Instants of a log without wall time count from its first
// frame.
func (t *TextLog) Clock() Clock {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.clock
}

// Stats returns the counters as of the last Read.
func (t *TextLog) Stats() Stats {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.stats
}

// Interfaces returns the interface names by bus index.
func (t *TextLog) Interfaces() []string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return append([]string(nil), t.interfaces...)
}

// Foreign returns how many frames were skipped because their interface is not
// listed, and the first such names.
func (t *TextLog) Foreign() (frames uint64, names []string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.foreign, append([]string(nil), t.foreignNames...)
}

// Close closes the file that OpenLog opened.
func (t *TextLog) Close() error {
	if t.closer != nil {
		return t.closer.Close()
	}
	return nil
}
