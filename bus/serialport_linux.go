package bus

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"github.com/tarm/serial"
)

// SerialOptions say how a serial device is read.
type SerialOptions struct {
	// Bus becomes Frame.Bus.
	Bus uint8
	// Baud is the serial line's rate in bit/s; 0 means 115200. USB devices
	// mostly ignore it.
	Baud int
	// Wait accepts that the device is missing for now.
	Wait bool
}

// serialQuiet is how long a read waits for a byte (the library's unit is 0.1 s).
const serialQuiet = 200 * time.Millisecond

// port is a serial device that may be unplugged and come back.
type port struct {
	path string
	baud int

	mu     sync.Mutex
	open   *serial.Port // nil while the device is away
	closed bool
}

// connect opens the device.
func (p *port) connect() error {
	baud := p.baud
	if baud == 0 {
		baud = 115200
	}
	o, err := serial.OpenPort(&serial.Config{Name: p.path, Baud: baud, ReadTimeout: serialQuiet})
	switch {
	case err == nil:
	case errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("%s: %w; plug its adapter in, and see \"ls /dev/serial/by-id\" for its name", p.path, ErrMissing)
	case errors.Is(err, os.ErrPermission):
		return fmt.Errorf("%s: %w for this user; serial devices mostly belong to the group dialout", p.path, ErrPermission)
	default:
		return fmt.Errorf("%s cannot be used as a serial device (%d bit/s): %w", p.path, baud, err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		o.Close()
		return io.EOF
	}
	p.open = o
	return nil
}

// errGone is what read returns once when the device has gone.
var errGone = errors.New("the device has gone")

// read returns what has come, 0 bytes where nothing did for a while.
func (p *port) read(b []byte) (int, error) {
	p.mu.Lock()
	o, closed := p.open, p.closed
	p.mu.Unlock()
	if closed {
		return 0, io.EOF
	}
	if o == nil {
		return 0, errGone
	}
	start := time.Now()
	n, err := o.Read(b)
	if n > 0 || err == nil {
		return n, nil
	}
	// No byte within the time is the end of file to the library. So is a
	// device that was unplugged, but at once.
	if err == io.EOF && time.Since(start) > serialQuiet/4 {
		return 0, nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return 0, io.EOF
	}
	if p.open == o {
		p.open.Close()
		p.open = nil
	}
	return 0, errGone
}

func (p *port) write(b string) error {
	p.mu.Lock()
	o := p.open
	p.mu.Unlock()
	if o == nil {
		return errGone
	}
	_, err := o.Write([]byte(b))
	return err
}

// drop closes the device; it may be connected again.
func (p *port) drop() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.open != nil {
		p.open.Close()
		p.open = nil
	}
}

func (p *port) close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil
	}
	p.closed = true
	if p.open == nil {
		return nil
	}
	return p.open.Close()
}
