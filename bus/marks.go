package bus

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"
)

// Marks is the driver's button as a local socket: a Source of NoticeMark
// frames. Anyone on the machine may press it.
type Marks struct {
	path   string
	bus    uint8
	now    func() Micros
	ln     *net.UnixListener
	marks  chan Frame
	closed chan struct{}
	once   sync.Once
}

const (
	markWord  = "mark\n"
	markReply = "kept\n"
	markWait  = 2 * time.Second
)

// ListenMarks makes the socket at path. now is the clock of the stay's instants
// (BootNow where it is live).
func ListenMarks(path string, bus uint8, now func() Micros) (*Marks, error) {
	ln, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if errors.Is(err, syscall.EADDRINUSE) {
		// What a process that was killed leaves behind refuses connections.
		c, dialErr := net.DialTimeout("unix", path, markWait)
		if dialErr == nil {
			c.Close()
			return nil, fmt.Errorf("%s: another stay takes the marks there", path)
		}
		if errors.Is(dialErr, syscall.ECONNREFUSED) && os.Remove(path) == nil {
			ln, err = net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
		}
	}
	if err != nil {
		return nil, fmt.Errorf("marks: %w", err)
	}
	if err := os.Chmod(path, 0o666); err != nil {
		ln.Close()
		return nil, fmt.Errorf("marks: %w", err)
	}
	m := &Marks{path: path, bus: bus, now: now, ln: ln, marks: make(chan Frame, 16), closed: make(chan struct{})}
	go m.serve()
	return m, nil
}

// serve takes one caller at a time: a mark is short, and a caller that says
// nothing is let go after two seconds.
func (m *Marks) serve() {
	for {
		c, err := m.ln.Accept()
		if err != nil {
			select {
			case <-m.closed:
				return
			case <-time.After(100 * time.Millisecond): // out of descriptors
				continue
			}
		}
		m.one(c)
	}
}

func (m *Marks) one(c net.Conn) {
	defer c.Close()
	at := m.now()
	if c.SetDeadline(time.Now().Add(markWait)) != nil {
		return
	}
	word, err := bufio.NewReaderSize(io.LimitReader(c, 16), 16).ReadString('\n')
	if err != nil || word != markWord {
		io.WriteString(c, "expected the word mark\n")
		return
	}
	select {
	case m.marks <- NewNotice(at, m.bus, NoticeMark, 1):
		io.WriteString(c, markReply)
	case <-m.closed:
	default:
		io.WriteString(c, "too many marks wait already\n")
	}
}

// Read returns the marks, waiting for the first: who waits for a button is not to be
// woken by the clock.
func (m *Marks) Read(batch []Frame) (int, error) {
	if len(batch) == 0 {
		return 0, nil
	}
	select {
	case batch[0] = <-m.marks:
		return 1, nil
	case <-m.closed:
		return 0, io.EOF
	}
}

// Clock is unknown: a mark is on the clock that ListenMarks was given.
func (m *Marks) Clock() Clock { return Clock{} }

// Stats counts nothing: marks are notices.
func (m *Marks) Stats() Stats { return Stats{} }

// Close removes the socket and ends a Read that waits.
func (m *Marks) Close() error {
	var err error
	m.once.Do(func() {
		close(m.closed)
		err = m.ln.Close()
	})
	return err
}

// SendMark presses the button of the stay that listens at path and returns once
// it has the mark.
func SendMark(path string) error {
	c, err := net.DialTimeout("unix", path, markWait)
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("no stay is running that listens at %s; start it with joltwatch run", path)
	case err != nil:
		return fmt.Errorf("mark: %w", err)
	}
	defer c.Close()
	if err := c.SetDeadline(time.Now().Add(2 * markWait)); err != nil {
		return fmt.Errorf("mark: %w", err)
	}
	if _, err := io.WriteString(c, markWord); err != nil {
		return fmt.Errorf("mark: %w", err)
	}
	answer, err := io.ReadAll(io.LimitReader(c, 100))
	if err != nil {
		return fmt.Errorf("mark: the stay at %s does not answer: %w", path, err)
	}
	if string(answer) != markReply {
		return fmt.Errorf("mark: the stay at %s answers %q", path, strings.TrimSpace(string(answer)))
	}
	return nil
}
