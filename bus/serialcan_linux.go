package bus

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

// AdapterOptions say how a serial CAN adapter is set up.
type AdapterOptions struct {
	SerialOptions
	// Bitrate of the CAN bus in bit/s: one of the nine that the protocol
	// knows. 0 leaves the adapter's own.
	Bitrate uint32
	// Ask opens the bus for sending, so that NewAsker can ask; otherwise the
	// adapter listens only.
	Ask bool
	// MayAcknowledge lets the bus be opened by an adapter that does not
	// confirm that it listens only.
	MayAcknowledge bool
}

// SerialCAN is a serial adapter that speaks the line protocol of the kernel's
// slcan driver. By itself it knows no line that puts a frame on the bus; see
// NewAsker.
type SerialCAN struct {
	opt  AdapterOptions
	port port
	code int // the digit after S, -1 for none

	lines lineBuffer
	outbox
	clock    deviceClock
	lastRead Micros
	bad      int64
	tap      func(*Frame) // given every data frame, where set
	watch    watchdog

	mu         sync.Mutex
	started    bool // the adapter takes frames to send
	answers    bool
	listenOnly bool
	stamps     bool
}

// OpenSerialCAN opens the adapter, sets its bitrate and starts it.
func OpenSerialCAN(path string, opt AdapterOptions) (*SerialCAN, error) {
	s := &SerialCAN{opt: opt, outbox: outbox{bus: opt.Bus}, code: -1, port: port{path: path, baud: opt.Baud}, lines: lineBuffer{limit: maxAdapterLine}}
	for i, b := range adapterBitrates {
		if b == opt.Bitrate {
			s.code = i
		}
	}
	if opt.Bitrate != 0 && s.code < 0 {
		return nil, fmt.Errorf("%s: a serial adapter has no bitrate of %d bit/s; expected one of 10000, 20000, 50000, 100000, 125000, 250000, 500000, 800000, 1000000", path, opt.Bitrate)
	}
	err := s.port.connect()
	if err == nil {
		err = s.start()
	}
	if err != nil {
		s.port.drop()
		if !opt.Wait || !errors.Is(err, ErrMissing) && !errors.Is(err, errGone) {
			s.port.close()
			return nil, err
		}
		s.setDown()
	}
	return s, nil
}

// The commands that are ever written while listening.
const (
	adapterReset      = "\r\r\rC\r" // ends whatever half line the adapter holds
	adapterStamps     = "Z1\r"
	adapterListenOnly = "L\r"
	adapterClose      = "C\r"
	adapterStatus     = "F\r"
	adapterOpen       = "O\r"
)

// ErrNotListenOnly is that of a source which was not opened, as it would have
// acknowledged frames.
var ErrNotListenOnly = errors.New("not listen-only, so it is not opened")

// start brings the adapter into a known state. The bus is opened to listen only
// where the adapter confirms that, unless it may acknowledge.
func (s *SerialCAN) start() error {
	s.setStarted(false)
	if err := s.port.write(adapterReset); err != nil {
		return fmt.Errorf("%s: %w", s.port.path, err)
	}
	s.reply(100*time.Millisecond, true)
	s.lines.reset()
	s.clock = deviceClock{modulus: stampModulus, last: s.clock.last}
	var answers bool
	command := func(c string) (answer byte, err error) {
		if err := s.port.write(c); err != nil {
			return 0, fmt.Errorf("%s: %w", s.port.path, err)
		}
		answer = s.reply(500*time.Millisecond, false)
		answers = answers || answer != 0
		return answer, nil
	}
	if s.code >= 0 {
		answer, err := command(fmt.Sprintf("S%d\r", s.code))
		if err != nil {
			return err
		}
		if answer == '\a' {
			return fmt.Errorf("%s: the adapter refuses a bitrate of %d bit/s", s.port.path, s.opt.Bitrate)
		}
	}
	answer, err := command(adapterStamps)
	if err != nil {
		return err
	}
	stamps := answer == '\r'
	listenOnly := false
	if !s.opt.Ask {
		if answer, err = command(adapterListenOnly); err != nil {
			return err
		}
		if listenOnly = answer == '\r'; !listenOnly && !s.opt.MayAcknowledge {
			s.port.write(adapterClose) //nolint:errcheck // it is not used
			said := "answered nothing to"
			if answer == '\a' {
				said = "refused"
			}
			return fmt.Errorf("%s: %w: the adapter %s the command for listen-only mode (L); take an adapter that has it, or say may_acknowledge = true for the bus",
				s.port.path, ErrNotListenOnly, said)
		}
	}
	if s.opt.Ask || answer == '\a' {
		// Open, it acknowledges the frames of others, and by itself still
		// sends none.
		if answer, err = command(adapterOpen); err != nil {
			return err
		}
		if answer == '\a' {
			return fmt.Errorf("%s: the adapter refuses to open the bus; unplug it and plug it in again", s.port.path)
		}
	}
	s.mu.Lock()
	s.answers, s.listenOnly, s.stamps = answers, listenOnly, stamps
	s.mu.Unlock()
	s.setStarted(true)
	s.lastRead = BootNow()
	return nil
}

func (s *SerialCAN) setStarted(yes bool) {
	s.mu.Lock()
	s.started = yes && s.opt.Ask
	s.mu.Unlock()
}

// reply waits for the answer to a command and returns its last byte, 0 where
// none comes. With drain it waits the whole time and answers nothing. Frames
// that arrive meanwhile are of a time before the start and are dropped.
func (s *SerialCAN) reply(wait time.Duration, drain bool) byte {
	var b [256]byte
	fresh := true // at the start of a line
	for deadline := time.Now().Add(wait); time.Now().Before(deadline); {
		n, err := s.port.read(b[:])
		if err != nil {
			return 0
		}
		for _, c := range b[:n] {
			switch {
			case drain:
			case c == '\a', c == '\r' && fresh:
				return c
			default:
				fresh = c == '\r'
			}
		}
	}
	return 0
}

// Read returns the frames received since the last call, waiting up to 0.2 s.
// It goes on when the adapter is unplugged and plugged in again.
func (s *SerialCAN) Read(batch []Frame) (int, error) {
	return s.hand(batch, s.receive)
}

func (s *SerialCAN) receive() error {
	if s.down {
		time.Sleep(absentTime)
		if err := s.port.connect(); err != nil {
			if err == io.EOF {
				return err
			}
			return nil
		}
		if s.start() != nil {
			s.port.drop()
			time.Sleep(restAbsentTime)
			return nil
		}
		s.down = false
		s.note(BootNow(), NoticeUp, 0)
	}
	b := s.lines.room()
	n, err := s.port.read(b)
	now := BootNow()
	if err == io.EOF {
		return err
	}
	if err != nil {
		s.setDown()
		return nil
	}
	s.lines.add(n)
	if s.lost(b[:n], now) {
		if s.start() != nil {
			s.port.drop()
			s.setDown()
			return nil
		}
	}
	early := uint32(min(max(now-s.lastRead, 0), maxEarly))
	s.lastRead = now
	for {
		line, ok, tooLong := s.lines.next()
		if !ok {
			break
		}
		if tooLong {
			s.bad++
			continue
		}
		s.line(line, now, early)
	}
	if s.bad > 0 {
		s.note(now-Micros(early), NoticeBadInput, s.bad)
		s.bad = 0
	}
	return nil
}

// An adapter that resets itself closes the bus, and nothing else tells of it.
// After adapterQuiet without a byte it is asked for its state, which it gives
// only with the bus open (common practice, no source); adapters that cannot be
// asked so are started again less and less often, up to adapterQuietMost.
const (
	adapterQuiet     = 3 * Second
	adapterQuietMost = 60 * Second
	adapterAnswer    = Second
	adapterRefusals  = 3 // of frames to send, in a row
)

// watchdog notices that an adapter has closed the bus.
type watchdog struct {
	heard    Micros // when a byte last came
	quiet    Micros // how long none may come
	asked    Micros // when it was asked for its state, 0 if that is answered
	refusals int
	last     byte
}

// lost takes what came and reports whether the bus must be opened again.
func (s *SerialCAN) lost(b []byte, now Micros) bool {
	w := &s.watch
	if w.heard == 0 {
		w.heard, w.quiet = now, adapterQuiet
	}
	refused := false
	for _, c := range b {
		switch {
		case c == '\a':
			w.refusals++
			refused = true
		case c == '\r' && (w.last == 'z' || w.last == 'Z' || w.last == '\r'):
			w.refusals = 0 // it took a frame
		}
		w.last = c
	}
	again := w.refusals >= adapterRefusals || w.asked > 0 && (refused || now-w.asked > adapterAnswer && len(b) == 0)
	switch {
	case again:
		quiet := min(2*w.quiet, adapterQuietMost)
		*w = watchdog{heard: now, quiet: quiet}
	case len(b) > 0:
		if w.asked == 0 {
			w.quiet = adapterQuiet // the bus speaks
		}
		w.heard, w.asked = now, 0
	case w.asked == 0 && now-w.heard > w.quiet:
		w.asked = now
		return s.port.write(adapterStatus) != nil
	}
	return again
}

// maxEarly bounds, in microseconds, how long a frame may have been under way
// through the adapter and the serial line (common practice, no source).
const maxEarly = 20_000

func (s *SerialCAN) line(line []byte, now Micros, early uint32) {
	var f Frame
	event, stamp := parseAdapterLine(line, &f)
	switch event {
	case lineBad:
		s.bad++
		return
	case lineOther:
		return
	}
	f.At, f.Bus, f.Early = max(now, s.last), s.opt.Bus, early
	if stamp >= 0 {
		at, jump := s.clock.instant(stamp, now)
		if jump != 0 {
			s.note(at, NoticeClockJump, int64(jump))
		}
		f.At, f.Early = max(at, s.last), 1000 // the stamp's resolution
	}
	s.last = f.At
	s.out = append(s.out, f)
	if s.tap != nil && f.Kind == Data {
		s.tap(&f)
	}
	switch event {
	case lineBusOff:
		s.note(f.At, NoticeBusOff, 0)
	case lineOverrun:
		s.note(f.At, NoticeDropped, 1)
	}
}

func (s *SerialCAN) setDown() {
	s.setStarted(false)
	s.outbox.setDown()
}

// AdapterState is how a serial adapter was found.
type AdapterState struct {
	// Answers is false where the adapter has answered no command: it may be
	// none, or one without answers.
	Answers bool
	// ListenOnly is false where it did not confirm that mode; it may then
	// acknowledge the frames of others, and still sends none.
	ListenOnly bool
	// Stamps says that frames carry the adapter's own time.
	Stamps bool
}

// State returns how the adapter was found when it was last opened.
func (s *SerialCAN) State() AdapterState {
	s.mu.Lock()
	defer s.mu.Unlock()
	return AdapterState{s.answers, s.listenOnly, s.stamps}
}

// Close ends a Read that waits, within 0.2 s.
func (s *SerialCAN) Close() error { return s.port.close() }
