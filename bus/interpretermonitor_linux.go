package bus

import (
	"errors"
	"fmt"
	"io"
	"time"
)

// InterpreterMonitor listens through an adapter with an AT-command interpreter.
type InterpreterMonitor struct {
	*interpreter
	outbox
	heard  Micros
	poked  bool
	lastIn Micros
	ending said // of the latest line since listening began
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
	m := &InterpreterMonitor{interpreter: d, outbox: outbox{bus: d.opt.Bus}}
	err := m.begin()
	switch {
	case err == nil:
		return m, nil
	case d.opt.Wait && (errors.Is(err, ErrMissing) || errors.Is(err, errSilent) || errors.Is(err, errGone) || errors.Is(err, errRestarted)):
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
	for i, c := range commands {
		said, text, err := m.command(c, interpreterCommand)
		if err != nil {
			return err
		}
		if i == 0 && said != saidOK && !m.opt.MayAcknowledge {
			return m.refusal(c, "for the bus's protocol, without which it might send to find it", said, text)
		}
	}
	if err := m.confirm("ATCSM1"); err != nil {
		return err
	}
	m.up, m.why, m.poked, m.heard = true, "", false, m.now()
	return m.listen()
}

// errRestarted is that of an adapter that lost its power while it was set up.
var errRestarted = errors.New("the adapter has restarted while it was set up")

// confirm has the adapter say that it acknowledges nothing. One OK and nothing
// beside it counts, once what was late has been passed over, and twice: the
// first might be another command's, or of before a loss of power.
func (m *InterpreterMonitor) confirm(c string) error {
	passed, err := m.settle()
	if err != nil {
		return err
	}
	if passed == saidText || passed == saidRestarted {
		return fmt.Errorf("%s: %w", m.path, errRestarted)
	}
	for range 2 {
		said, text, err := m.command(c, interpreterCommand)
		if err != nil {
			return err
		}
		if (said != saidOK || m.lines > 1) && !m.opt.MayAcknowledge {
			return m.refusal(c, "for listening without acknowledging", said, text)
		}
	}
	return nil
}

// refusal says that the adapter did not take a command without which it is not
// listened through.
func (m *InterpreterMonitor) refusal(c, what string, s said, text string) error {
	answered := fmt.Sprintf("answered %q to", text)
	switch {
	case m.lines > 1:
		answered = "answered more than one line to"
	case text == "":
		answered = "answered nothing to"
	case s == saidUnknown:
		answered = "does not know"
	}
	return fmt.Errorf("%s: %w: the adapter %s the command %s (%s); take an adapter that has it, or say may_acknowledge = true for the bus",
		m.path, ErrNotListenOnly, answered, what, c)
}

// listen starts the adapter's monitoring.
func (m *InterpreterMonitor) listen() error {
	m.ending = saidNothing
	return m.line.write(monitorAll + "\r")
}

const monitorAll = "ATMA"

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
	return m.hand(batch, m.receive)
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
		if !m.down {
			m.lose(err)
		}
		m.fall(err, interpreterRetry)
	case m.down:
		m.down = false
		m.note(NoticeUp, 0)
	}
	return nil
}

func (m *InterpreterMonitor) lose(err error) {
	m.fall(err, Second)
	m.down = true
	m.note(NoticeDown, 0)
}

func (m *InterpreterMonitor) note(code NoticeCode, count int64) {
	m.outbox.note(m.now(), code, count)
}

func (m *InterpreterMonitor) take(line []byte, tooLong, prompt bool) {
	if !m.up {
		return
	}
	said, digits := meaning(line)
	switch {
	case string(digits) == monitorAll:
		said = m.ending // its echo
	case tooLong:
		said = saidText
		m.note(NoticeBadInput, 1)
	case said == saidDamaged || said == saidText:
		m.note(NoticeBadInput, 1)
	case said == saidOverrun:
		m.note(NoticeDropped, 1)
	case said == saidRestarted:
		m.lose(fmt.Errorf("%s: the adapter has restarted and is set up anew", m.path))
		return
	case said == saidHex:
		m.frame(digits)
	}
	if said != saidNothing {
		m.ending = said
	}
	if prompt {
		m.ended()
	}
}

// frame takes a line that is a frame.
func (m *InterpreterMonitor) frame(digits []byte) {
	var f Frame
	if !m.shape.frame(digits, &f) {
		m.note(NoticeBadInput, 1)
		return
	}
	now := m.now()
	m.last = max(m.last, now)
	f.At, f.Bus, f.Early = m.last, m.opt.Bus, uint32(min(max(now-m.lastIn, 0), maxEarly))
	m.out = append(m.out, f)
}

// ended goes on listening where the adapter said why it stopped. Where it did
// not, it may have lost its power, and with it that it acknowledges nothing: it
// is set up anew, and has to confirm that again.
func (m *InterpreterMonitor) ended() {
	switch m.ending {
	case saidStopped, saidOverrun, saidBusError, saidDamaged:
		if m.listen() != nil {
			m.lose(errGone)
		}
	case saidNothing:
		m.fall(fmt.Errorf("%s: the adapter stopped listening and is set up anew", m.path), 0)
	case saidUnknown:
		m.lose(fmt.Errorf("%s: the adapter does not know the command for listening (%s); take an adapter that has it", m.path, monitorAll))
	default:
		m.lose(fmt.Errorf("%s: the adapter has restarted and is set up anew", m.path))
	}
}

// Close ends a Read that waits.
func (m *InterpreterMonitor) Close() error { return m.close() }
