package bus

import (
	"encoding/binary"
	"fmt"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// Asker asks controllers for values and is a Source of their Answers. It is
// made only where the vehicle file turns requests on, and nothing else in this
// package sends.
type Asker struct {
	link askLink
	now  func() Micros
	outbox

	mu      sync.Mutex // guards the inquiry, and what follows
	inquiry *inquiry
	trouble string // why nothing can be sent
	batch   []Frame
	retry   Micros
	paused  PauseReason
}

// askLink carries requests and answers.
type askLink interface {
	// receive returns frames of testers and controllers, waiting up to wait.
	receive(batch []Frame, wait time.Duration) (int, error)
	// ready reports whether a request can be sent now; where it cannot,
	// receive returns once it may be.
	ready() bool
	// send puts one frame on the bus: a request of a reading service, or the
	// flow control of its answer. inquiry makes no others. echoes says that
	// receive will return it once it is on the wire.
	send(f *Frame) (echoes bool, err error)
	close() error
}

// troubled is a link that knows why nothing can be sent, empty where it can.
type troubled interface{ trouble() string }

// OpenAsker asks on a CAN interface. The interface must be set up with
// CANSetup.Ask.
func OpenAsker(iface string, opt AskOptions) (*Asker, error) {
	return newAsker(opt, BootNow, func(filters []Filter) (askLink, error) {
		rx, err := OpenSocketCAN(iface, SocketOptions{Bus: opt.Bus, Filters: filters, ReceiveBuffer: 256 << 10, Wait: true})
		if err != nil {
			return nil, err
		}
		rx.asks = true
		return &socketLink{iface, rx, -1}, nil
	})
}

func newAsker(opt AskOptions, now func() Micros, open func([]Filter) (askLink, error)) (*Asker, error) {
	q, err := newInquiry(opt)
	if err != nil {
		return nil, err
	}
	link, err := open(q.filters())
	if err != nil {
		return nil, err
	}
	return &Asker{link: link, now: now, outbox: outbox{bus: opt.Bus}, inquiry: q, batch: make([]Frame, 64)}, nil
}

// Read returns the answers that have come, waiting up to 0.1 s. Asking goes on
// only while it is called.
func (a *Asker) Read(batch []Frame) (int, error) { return a.hand(batch, a.receive) }

func (a *Asker) receive() error {
	wait := a.ask()
	n, err := a.link.receive(a.batch, min(max(wait.Duration(), time.Millisecond), quietTime))
	if err != nil {
		return err
	}
	a.hear(a.batch[:n])
	return nil
}

// ask sends what is due, to every controller that is free.
func (a *Asker) ask() Micros {
	a.mu.Lock()
	defer a.mu.Unlock()
	for {
		now := a.now()
		if now < a.retry {
			a.pause(now)
			return a.retry - now
		}
		if !a.link.ready() {
			a.pause(now)
			return 100_000
		}
		f, wait := a.inquiry.next(now)
		if _, tells := a.link.(troubled); !tells && a.inquiry.state.Silent != "" {
			a.trouble = "" // nothing is tried, so whether it would fail is not known
		}
		a.pause(now)
		if f == nil {
			return wait
		}
		a.send(f)
	}
}

// pause says when asking ends and when it goes on, in order with the answers.
func (a *Asker) pause(now Micros) {
	_, paused := a.silent()
	if paused == a.paused {
		return
	}
	a.paused = paused
	code := NoticeAsking
	if paused != 0 {
		code = NoticeNotAsking
	}
	a.inquiry.last = max(a.inquiry.last, now)
	a.notice(a.inquiry.last, code, int64(paused))
}

// silent is why nothing is asked: that nothing can be sent goes before reasons of
// politeness, which count from what is heard.
func (a *Asker) silent() (string, PauseReason) {
	if a.trouble != "" {
		return a.trouble, PauseTrouble
	}
	return a.inquiry.state.Silent, a.inquiry.state.Pause
}

func (a *Asker) hear(frames []Frame) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for i := range frames {
		if a.happened(&frames[i]) {
			continue
		}
		if flow := a.inquiry.hear(&frames[i]); flow != nil {
			a.send(flow)
		}
	}
	if l, ok := a.link.(troubled); ok {
		a.trouble = l.trouble()
	}
	a.out = append(a.out, a.inquiry.out...)
	a.inquiry.out = a.inquiry.out[:0]
}

// happened takes what a link tells of itself.
func (a *Asker) happened(f *Frame) bool {
	switch {
	case f.Kind == Reading:
		a.inquiry.supply(f.Value())
	case f.Kind != Notice:
		return false
	case NoticeCode(f.ID) == noticeEnded:
		a.inquiry.ended(f.At)
	case NoticeCode(f.ID) == noticeNobody:
		a.inquiry.nobody(f.At)
	case NoticeCode(f.ID) == noticeFound:
		a.inquiry.awake(f.At)
	default:
		if NoticeCode(f.ID) == NoticeUp {
			a.inquiry.again(f.At)
		}
		n := *f
		n.At = max(n.At, a.inquiry.last)
		a.inquiry.last = n.At
		a.out = append(a.out, n)
	}
	return true
}

// send waits a second with the next one where it fails.
func (a *Asker) send(f *Frame) {
	echoes, err := a.link.send(f)
	if err != nil {
		a.retry, a.trouble = a.now()+Second, err.Error()
		return
	}
	a.trouble = ""
	if !echoes {
		echo := *f
		echo.At = a.now()
		a.inquiry.hear(&echo) // not another tester's
	}
}

// socketLink asks through two sockets of one interface.
type socketLink struct {
	iface string
	rx    *SocketCAN
	tx    int // a socket that is only written to, -1 while the interface is away
}

func (l *socketLink) receive(batch []Frame, wait time.Duration) (int, error) {
	l.rx.wait = wait
	n, err := l.rx.Read(batch)
	if err != nil {
		l.closeTx()
	}
	return n, err
}

func (l *socketLink) ready() bool { return true }

func (l *socketLink) send(f *Frame) (echoes bool, err error) {
	if l.tx < 0 {
		if err := l.openTx(); err != nil {
			return false, err
		}
	}
	var b [canMTU]byte
	id := f.ID
	if f.Flags&Extended != 0 {
		id |= extFlag
	}
	binary.NativeEndian.PutUint32(b[:], id)
	b[4] = 8
	copy(b[8:], f.Data[:8])
	if _, err := unix.Write(l.tx, b[:]); err != nil {
		l.closeTx()
		return false, fmt.Errorf("%s: %w", l.iface, err)
	}
	return true, nil
}

func (l *socketLink) openTx() error {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if err != nil {
		return err
	}
	// It receives nothing.
	if err := unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, canRawFilter, nil); err != nil {
		unix.Close(fd)
		return err
	}
	index, err := ifIndex(fd, l.iface)
	if err == nil {
		err = unix.Bind(fd, &unix.SockaddrCAN{Ifindex: index})
	}
	if err != nil {
		unix.Close(fd)
		return err
	}
	l.tx = fd
	return nil
}

func (l *socketLink) closeTx() {
	if l.tx >= 0 {
		unix.Close(l.tx)
		l.tx = -1
	}
}

func (l *socketLink) close() error { return l.rx.Close() }

// Engine tells the engine's speed in rpm as it was at an instant: asking stops
// some time after it last ran.
func (a *Asker) Engine(at Micros, rpm float64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.inquiry.engine(at, rpm)
}

// Supply tells the supply voltage: asking stops while it is low.
func (a *Asker) Supply(volts float64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.inquiry.supply(volts)
}

// Speed tells the road speed in km/h: while it falls, what tells the coupling
// is asked as often as may be.
func (a *Asker) Speed(at Micros, kmh float64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.inquiry.drive.speed(at, kmh)
}

// Hurry asks what tells the coupling as often as may be for a while, as if the
// vehicle slowed: to see what can be reached.
func (a *Asker) Hurry(d Micros) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.inquiry.drive.watched = a.now() + d
}

// Load tells how hard the engine works, in % of pedal or torque: the same where
// that does not make the vehicle faster.
func (a *Asker) Load(percent float64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.inquiry.drive.load = percent
}

// AskCodes asks every controller once for its stored and pending codes; they
// come through AskOptions.Codes.
func (a *Asker) AskCodes() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.inquiry.askCodes(a.now())
}

// State says what has been asked, how often it was answered, and why nothing is
// asked where that is so.
func (a *Asker) State() AskState {
	a.mu.Lock()
	defer a.mu.Unlock()
	s := a.inquiry.look(a.now())
	s.Silent, s.Pause = a.silent()
	return s
}

// Close ends a Read that waits.
func (a *Asker) Close() error { return a.link.close() }
