package bus

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

// InterpreterMonitor listens through an adapter with an AT-command interpreter.
type InterpreterMonitor struct {
	*interpreter
	out    []Frame
	next   int
	down   bool
	heard  Micros
	poked  bool
	last   Micros
	lastIn Micros

	mu    sync.Mutex
	stats Stats
}

// OpenInterpreterMonitor opens an adapter that listens and asks nothing. It is
// refused where the adapter does not confirm that it acknowledges nothing.
func OpenInterpreterMonitor(path string, opt InterpreterOptions) (*InterpreterMonitor, error) {
	return openMonitor(newInterpreter(path, opt))
}

func openMonitor(d *interpreter) (*InterpreterMonitor, error) {
	if b := d.opt.Bitrate; b != 500000 && b != 250000 {
		return nil, fmt.Errorf("%s: to listen through an interpreter takes the bus's bitrate, as finding it takes sending: expected bitrate = 500000 or 250000", d.path)
	}
	m := &InterpreterMonitor{interpreter: d}
	err := m.begin()
	switch {
	case err == nil:
		return m, nil
	case d.opt.Wait && (errors.Is(err, ErrMissing) || errors.Is(err, errSilent) || errors.Is(err, errGone)):
		m.lose(err)
		return m, nil
	}
	d.line.drop()
	return nil, err
}

// begin sets the adapter up and starts listening.
func (m *InterpreterMonitor) begin() error {
	if err := m.start(); err != nil {
		return err
	}
	m.shape.protocol = 6
	if m.opt.Bitrate == 250000 {
		m.shape.protocol = 8
	}
	if m.opt.Extended {
		m.shape.protocol++
	}
	commands := []string{fmt.Sprintf("ATSP%d", m.shape.protocol), "ATCAF0"}
	if id, mask, ok := oneFilter(m.opt.Filters, m.opt.Extended); ok {
		width := 3
		if m.opt.Extended {
			width = 8
		}
		commands = append(commands, fmt.Sprintf("ATCF%0*X", width, id), fmt.Sprintf("ATCM%0*X", width, mask))
	}
	for _, c := range commands {
		if _, _, err := m.command(c, interpreterCommand); err != nil {
			return err
		}
	}
	// An OK that is late is another command's.
	if err := m.settle(); err != nil {
		return err
	}
	said, text, err := m.command("ATCSM1", interpreterCommand)
	if err != nil {
		return err
	}
	if said != saidOK && !m.opt.MayAcknowledge {
		answered := "answered nothing to"
		if text != "" {
			answered = fmt.Sprintf("answered %q to", text)
		} else if said == saidUnknown {
			answered = "does not know"
		}
		return fmt.Errorf("%s: %w: the adapter %s the command for listening without acknowledging (ATCSM1); take an adapter that has it, or say may_acknowledge = true for the bus",
			m.path, ErrNotListenOnly, answered)
	}
	m.up, m.why, m.poked, m.heard = true, "", false, m.now()
	return m.line.write("ATMA\r")
}

// oneFilter is the narrowest filter that lets all identifiers of one kind pass;
// ok is false where there are none.
func oneFilter(filters []Filter, extended bool) (id, mask uint32, ok bool) {
	mask = idMask11
	if extended {
		mask = idMask29
	}
	for _, f := range filters {
		if f.Extended != extended {
			continue
		}
		if !ok {
			id, ok = f.ID, true
		}
		mask &= f.Mask &^ (id ^ f.ID)
	}
	return id & mask, mask, ok
}

// Read returns the frames received since the last call, waiting up to 0.2 s.
func (m *InterpreterMonitor) Read(batch []Frame) (int, error) {
	if m.next == len(m.out) {
		m.out, m.next = m.out[:0], 0
		if err := m.receive(); err != nil {
			return 0, err
		}
		m.mu.Lock()
		for i := range m.out {
			addStats(&m.stats, &m.out[i])
		}
		m.mu.Unlock()
	}
	n := copy(batch, m.out[m.next:])
	m.next += n
	return n, nil
}

func (m *InterpreterMonitor) receive() error {
	if !m.up {
		return m.recover()
	}
	b, err := m.wait(quietTime)
	if err == io.EOF {
		return err
	}
	if err != nil {
		m.lose(fmt.Errorf("%s: %w", m.path, err))
		return nil
	}
	m.feed(b, m.take)
	now := m.now()
	switch {
	case len(b) > 0:
		m.heard, m.poked = now, false
	case !m.poked && now-m.heard > restAfter:
		// A silent bus, or an adapter that has stopped: it is woken.
		m.poked, m.heard = true, now
		if m.line.write("\r") != nil {
			m.lose(errGone)
		}
	case m.poked && now-m.heard > 2*Second:
		m.lose(fmt.Errorf("%s: the adapter does not answer any more; it is started anew", m.path))
	}
	m.lastIn = now
	return nil
}

func (m *InterpreterMonitor) recover() error {
	if left := m.retry - m.now(); left > 0 {
		select {
		case <-time.After(min(quietTime, left.Duration())):
			return nil
		case <-m.closed:
			return io.EOF
		}
	}
	switch err := m.begin(); {
	case err == io.EOF:
		return err
	case err != nil:
		m.fall(err, interpreterRetry)
	default:
		m.note(NoticeUp, 0)
	}
	return nil
}

func (m *InterpreterMonitor) lose(err error) {
	m.fall(err, Second)
	m.note(NoticeDown, 0)
}

func (m *InterpreterMonitor) note(code NoticeCode, count int64) {
	m.last = max(m.last, m.now())
	m.out = append(m.out, NewNotice(m.last, m.opt.Bus, code, count))
}

func (m *InterpreterMonitor) take(line []byte, tooLong, prompt bool) {
	said, digits := meaning(line)
	switch {
	case tooLong || said == saidDamaged || said == saidText && string(digits) != "ATMA":
		m.note(NoticeBadInput, 1)
	case said == saidOverrun:
		m.note(NoticeDropped, 1)
	case said == saidRestarted:
		m.lose(fmt.Errorf("%s: the adapter has restarted and is set up anew", m.path))
		return
	case said == saidHex:
		var f Frame
		if !m.shape.frame(digits, &f) {
			m.note(NoticeBadInput, 1)
			break
		}
		now := m.now()
		m.last = max(m.last, now)
		f.At, f.Bus, f.Early = m.last, m.opt.Bus, uint32(min(max(now-m.lastIn, 0), maxEarly))
		m.out = append(m.out, f)
	}
	if prompt && m.up {
		// Whatever ended it, it listens on.
		if m.line.write("ATMA\r") != nil {
			m.lose(errGone)
		}
	}
}

// Clock relates boot time to wall time as the host knows it now.
func (m *InterpreterMonitor) Clock() Clock { return BootClock() }

// Stats returns the counters so far.
func (m *InterpreterMonitor) Stats() Stats {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.stats
}

// Close ends a Read that waits.
func (m *InterpreterMonitor) Close() error { return m.close() }
