package bus

import (
	"encoding/binary"
	"fmt"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// Asker asks controllers for values and is a Source of their Answers. It is the
// only type of this package that sends, and is made only where the vehicle file
// turns requests on.
type Asker struct {
	iface string
	rx    *SocketCAN
	tx    int // a socket that is only written to, -1 while the interface is away

	mu      sync.Mutex // guards the inquiry
	inquiry *inquiry
	stats   Stats
	batch   []Frame
	out     []Frame
	next    int
	retry   Micros
}

// OpenAsker asks on a CAN interface. The interface must be set up with
// CANSetup.Ask.
func OpenAsker(iface string, opt AskOptions) (*Asker, error) {
	q, err := newInquiry(opt)
	if err != nil {
		return nil, err
	}
	rx, err := OpenSocketCAN(iface, SocketOptions{Bus: opt.Bus, Filters: q.filters(), ReceiveBuffer: 256 << 10, Wait: true})
	if err != nil {
		return nil, err
	}
	return &Asker{iface: iface, rx: rx, tx: -1, inquiry: q, batch: make([]Frame, 64)}, nil
}

// Read returns the answers that have come, waiting up to 0.1 s. Asking goes on
// only while it is called.
func (a *Asker) Read(batch []Frame) (int, error) {
	if a.next == len(a.out) {
		a.out, a.next = a.out[:0], 0
		wait := a.ask()
		a.rx.wait = min(max(wait.Duration(), time.Millisecond), quietTime)
		n, err := a.rx.Read(a.batch)
		if err != nil {
			a.closeTx()
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
	if err := a.send(f); err != nil {
		a.retry = now + Second
	}
	return 1000
}

func (a *Asker) hear(frames []Frame) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for i := range frames {
		flow, answer, ok := a.inquiry.hear(&frames[i])
		if flow != nil {
			if a.send(flow) != nil {
				a.retry = BootNow() + Second
			}
		}
		if ok {
			a.out = append(a.out, answer)
			a.stats.Frames++
		}
	}
}

// send writes one frame: a request of a reading service, or the flow control of
// its answer. inquiry makes no others.
func (a *Asker) send(f *Frame) error {
	if a.tx < 0 {
		if err := a.openTx(); err != nil {
			return err
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
	if _, err := unix.Write(a.tx, b[:]); err != nil {
		a.closeTx()
		return fmt.Errorf("%s: %w", a.iface, err)
	}
	return nil
}

func (a *Asker) openTx() error {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if err != nil {
		return err
	}
	// It receives nothing.
	if err := unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, canRawFilter, nil); err != nil {
		unix.Close(fd)
		return err
	}
	index, err := ifIndex(fd, a.iface)
	if err == nil {
		err = unix.Bind(fd, &unix.SockaddrCAN{Ifindex: index})
	}
	if err != nil {
		unix.Close(fd)
		return err
	}
	a.tx = fd
	return nil
}

func (a *Asker) closeTx() {
	if a.tx >= 0 {
		unix.Close(a.tx)
		a.tx = -1
	}
}

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
func (a *Asker) Close() error { return a.rx.Close() }
