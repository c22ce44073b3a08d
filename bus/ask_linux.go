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

	mu      sync.Mutex // guards the inquiry
	inquiry *inquiry
	stats   Stats
	batch   []Frame
	out     []Frame
	next    int
	retry   Micros
}

// askLink carries requests and answers.
type askLink interface {
	// receive returns frames of testers and controllers, waiting up to wait.
	receive(batch []Frame, wait time.Duration) (int, error)
	// send puts one frame on the bus: a request of a reading service, or the
	// flow control of its answer. inquiry makes no others. echoes says that
	// receive will return it once it is on the wire.
	send(f *Frame) (echoes bool, err error)
	close() error
}

// OpenAsker asks on a CAN interface. The interface must be set up with
// CANSetup.Ask.
func OpenAsker(iface string, opt AskOptions) (*Asker, error) {
	return newAsker(opt, func(filters []Filter) (askLink, error) {
		rx, err := OpenSocketCAN(iface, SocketOptions{Bus: opt.Bus, Filters: filters, ReceiveBuffer: 256 << 10, Wait: true})
		if err != nil {
			return nil, err
		}
		rx.asks = true
		return &socketLink{iface, rx, -1}, nil
	})
}

func newAsker(opt AskOptions, open func([]Filter) (askLink, error)) (*Asker, error) {
	q, err := newInquiry(opt)
	if err != nil {
		return nil, err
	}
	link, err := open(q.filters())
	if err != nil {
		return nil, err
	}
	return &Asker{link: link, inquiry: q, batch: make([]Frame, 64)}, nil
}

// Read returns the answers that have come, waiting up to 0.1 s. Asking goes on
// only while it is called.
func (a *Asker) Read(batch []Frame) (int, error) {
	if a.next == len(a.out) {
		a.out, a.next = a.out[:0], 0
		wait := a.ask()
		n, err := a.link.receive(a.batch, min(max(wait.Duration(), time.Millisecond), quietTime))
		if err != nil {
			return 0, err
		}
		a.hear(a.batch[:n])
	}
	n := copy(batch, a.out[a.next:])
	a.next += n
	return n, nil
}

func (a *Asker) ask() Micros {
	now := BootNow()
	if now < a.retry {
		return a.retry - now
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	f, wait := a.inquiry.next(now)
	if f == nil {
		return wait
	}
	a.send(f)
	return 1000
}

func (a *Asker) hear(frames []Frame) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for i := range frames {
		flow, answer, ok := a.inquiry.hear(&frames[i])
		if flow != nil {
			a.send(flow)
		}
		if ok {
			a.out = append(a.out, answer)
			a.stats.Frames++
		}
	}
}

// send waits a second with the next one where it fails.
func (a *Asker) send(f *Frame) {
	echoes, err := a.link.send(f)
	if err != nil {
		a.retry = BootNow() + Second
		return
	}
	if !echoes {
		echo := *f
		echo.At = BootNow()
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

// AskCodes asks every controller once for its stored and pending codes; they
// come through AskOptions.Codes.
func (a *Asker) AskCodes() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.inquiry.askCodes(BootNow())
}

// State says what has been asked and why nothing is, where that is so.
func (a *Asker) State() AskState {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.inquiry.state
}

// Clock relates boot time to wall time as the host knows it now.
func (a *Asker) Clock() Clock { return BootClock() }

// Stats counts answers as frames.
func (a *Asker) Stats() Stats {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.stats
}

// Close ends a Read that waits.
func (a *Asker) Close() error { return a.link.close() }
