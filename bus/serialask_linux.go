package bus

import (
	"fmt"
	"io"
	"slices"
	"sync"
	"time"
)

// NewAsker asks through the adapter, which must have been opened with
// AdapterOptions.Ask. It is made before the adapter is read, and hears only
// while the adapter is read too.
func (s *SerialCAN) NewAsker(opt AskOptions) (*Asker, error) {
	if !s.opt.Ask {
		return nil, fmt.Errorf("%s: the adapter was opened to listen only", s.port.path)
	}
	return newAsker(opt, BootNow, func(filters []Filter) (askLink, error) {
		l := &serialLink{adapter: s, filters: filters, heard: make(chan Frame, 256), closed: make(chan struct{})}
		s.tap = l.take
		return l, nil
	})
}

// serialLink asks through a serial adapter that is read by somebody else.
type serialLink struct {
	adapter *SerialCAN
	filters []Filter
	heard   chan Frame
	closed  chan struct{}
	once    sync.Once
}

// take is handed every frame that the adapter receives. Where nobody reads the
// answers, they are as good as not given.
func (l *serialLink) take(f *Frame) {
	if slices.ContainsFunc(l.filters, func(x Filter) bool {
		return f.ID&x.Mask == x.ID&x.Mask && x.Extended == (f.Flags&Extended != 0)
	}) {
		select {
		case l.heard <- *f:
		default:
		}
	}
}

func (l *serialLink) receive(batch []Frame, wait time.Duration) (int, error) {
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case batch[0] = <-l.heard:
		return 1, nil
	case <-timer.C:
		return 0, nil
	case <-l.closed:
		return 0, io.EOF
	}
}

func (l *serialLink) ready() bool { return true }

// send writes one frame; the adapter does not give it back.
func (l *serialLink) send(f *Frame) (echoes bool, err error) {
	s := l.adapter
	s.mu.Lock()
	started := s.started
	s.mu.Unlock()
	if !started {
		return false, fmt.Errorf("%s: the adapter is away, or does not open the bus", s.port.path)
	}
	line := fmt.Sprintf("t%03X8%X\r", f.ID, f.Data[:8])
	if f.Flags&Extended != 0 {
		line = fmt.Sprintf("T%08X8%X\r", f.ID, f.Data[:8])
	}
	return false, s.port.write(line)
}

func (l *serialLink) close() error {
	l.once.Do(func() { close(l.closed) })
	return nil
}
