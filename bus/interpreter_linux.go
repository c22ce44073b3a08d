package bus

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// InterpreterOptions say how an adapter with an AT-command interpreter is used.
type InterpreterOptions struct {
	SerialOptions
	// Bitrate of the CAN bus in bit/s, 500000 or 250000; needed to listen, as
	// finding it takes sending. Extended says that it is 29-bit identifiers
	// that are listened for.
	Bitrate  uint32
	Extended bool
	// Filters are the identifiers wanted of a bus that is listened to; empty
	// for all.
	Filters []Filter
	// MayAcknowledge lets a bus be listened to by an adapter that does not
	// confirm that it acknowledges nothing.
	MayAcknowledge bool
}

// serialLine is what an interpreter is reached by.
type serialLine interface {
	connect() error
	read(b []byte) (int, error)
	write(s string) error
	drop()
	close() error
}

// interpreter is the device itself: its commands and its lines.
type interpreter struct {
	path  string
	opt   InterpreterOptions
	line  serialLine
	rates []int     // serial rates to try
	rate  func(int) // sets one
	now   func() Micros

	chunks chan []byte
	ended  chan struct{} // closed when chunks gets no more
	stop   chan struct{} // closed when nobody takes them any more
	closed chan struct{}
	once   sync.Once

	text   []byte
	skip   bool // the rest of a line that is too long
	shape  shape
	echoed bool // the last command came back
	lines  int  // of its answer
	echoes bool // all do: the adapter cannot leave that
	bad    int  // lines in a row that could not be read
	up     bool
	retry  Micros
	tried  int    // serial rates
	why    string // it is not up
}

func newInterpreter(path string, opt InterpreterOptions) *interpreter {
	p := &port{path: path, baud: opt.Baud}
	d := &interpreter{path: path, opt: opt, line: p, now: BootNow, closed: make(chan struct{}),
		rates: []int{38400, 115200, 9600, 230400, 500000}, rate: func(b int) { p.baud = b }}
	if opt.Baud != 0 {
		d.rates = []int{opt.Baud}
	}
	return d
}

// Times of interpreters (common practice, no source).
const (
	interpreterReset   = 3 * time.Second
	interpreterCommand = time.Second
	interpreterQuiet   = 300 * time.Millisecond
	interpreterSearch  = 20 * Second
	interpreterRequest = 3 * Second
	interpreterRetry   = 5 * Second
)

// open connects and starts reading in a goroutine of its own, so that waiting
// for the adapter and for the time of the next request is one.
func (d *interpreter) open(rate int) error {
	d.rate(rate)
	if err := d.line.connect(); err != nil {
		return err
	}
	d.chunks, d.ended, d.stop = make(chan []byte, 64), make(chan struct{}), make(chan struct{})
	d.text, d.skip = d.text[:0], false
	go func(chunks chan<- []byte, ended chan<- struct{}, stop <-chan struct{}) {
		defer close(ended)
		for {
			b := make([]byte, 256)
			n, err := d.line.read(b)
			if err != nil {
				return
			}
			select {
			case <-stop:
				return
			default:
			}
			if n == 0 {
				continue
			}
			select {
			case chunks <- b[:n]:
			case <-stop:
				return
			case <-d.closed:
				return
			}
		}
	}(d.chunks, d.ended, d.stop)
	return nil
}

// wait returns what has come, nothing after a time without.
func (d *interpreter) wait(t time.Duration) ([]byte, error) {
	timer := time.NewTimer(t)
	defer timer.Stop()
	select {
	case b := <-d.chunks:
		return b, nil
	case <-timer.C:
		return nil, nil
	case <-d.ended:
		select {
		case b := <-d.chunks:
			return b, nil
		default:
			return nil, errGone
		}
	case <-d.closed:
		return nil, io.EOF
	}
}

// feed cuts what has come into lines; each is called for every one, and told
// where the prompt stands.
func (d *interpreter) feed(b []byte, each func(line []byte, tooLong, prompt bool)) {
	for _, c := range b {
		switch {
		case c == '\r' || c == '\n' || c == interpreterPrompt:
			if len(d.text) > 0 || d.skip || c == interpreterPrompt {
				each(d.text, d.skip, c == interpreterPrompt)
			}
			d.text, d.skip = d.text[:0], false
		case c == 0: // some adapters send zeros now and then
		case len(d.text) >= maxInterpreted:
			d.skip = true
		default:
			d.text = append(d.text, c)
		}
	}
}

// command gives a command and returns the meaning of its answer, with its text;
// saidNothing where no prompt came within the time.
func (d *interpreter) command(c string, patience time.Duration) (m said, text string, err error) {
	d.echoed, d.lines = false, 0
	if err := d.line.write(c + "\r"); err != nil {
		return saidNothing, "", err
	}
	prompted := false
	for end := d.now() + Micros(patience.Microseconds()); !prompted; {
		left := (end - d.now()).Duration()
		if left <= 0 {
			return saidNothing, "", nil
		}
		b, err := d.wait(left)
		if err != nil {
			return saidNothing, "", err
		}
		d.feed(b, func(line []byte, tooLong, prompt bool) {
			prompted = prompted || prompt
			kind, what := meaning(line)
			switch {
			case string(what) == c:
				d.echoed = true
			case !tooLong && kind != saidNothing:
				m, text = kind, string(what)
				d.lines++
			}
		})
	}
	if m == saidNothing {
		m = saidText // a prompt alone
	}
	return m, text, nil
}

// settle passes over what the adapter has still to say to others, or to a command
// that was given up, so that the next answer is the next command's. It returns
// what the last of that meant that was no answer of one word.
func (d *interpreter) settle() (passed said, err error) {
	for end := d.now() + 3*Second; d.now() < end; {
		b, err := d.wait(interpreterQuiet)
		if err != nil {
			return saidNothing, err
		}
		if len(b) == 0 {
			break
		}
		d.feed(b, func(line []byte, _, _ bool) {
			if m, _ := meaning(line); m == saidText || m == saidRestarted {
				passed = m
			}
		})
	}
	d.text, d.skip = d.text[:0], false
	return passed, nil
}

// errSilent is that of an adapter that answers nothing at any serial rate.
var errSilent = errors.New("no interpreter answers")

// start connects, finds the serial rate, and gives the commands that make the
// adapter's lines readable. Adapters that lack one of them are read as they are.
func (d *interpreter) start() error {
	rate := d.rates[d.tried%len(d.rates)]
	if err := d.open(rate); err != nil {
		return err
	}
	// Whatever half a command it holds is ended by one that changes nothing.
	d.command("AT", 300*time.Millisecond) //nolint:errcheck // the next one tells
	if _, err := d.settle(); err != nil {
		return err
	}
	m, _, err := d.command("ATZ", interpreterReset)
	if err != nil {
		return err
	}
	if m == saidNothing {
		d.tried++
		return fmt.Errorf("%s: %w (%d bit/s tried; it goes on with others): is it plugged in, and powered?", d.path, errSilent, rate)
	}
	d.shape = shape{}
	for _, c := range []string{"ATE0", "ATL0", "ATS0", "ATH1", "ATAT1", "ATST32"} {
		if m, _, err = d.command(c, interpreterCommand); err != nil {
			return err
		}
		if m == saidNothing {
			return fmt.Errorf("%s: the adapter went silent while it was set up", d.path)
		}
	}
	d.echoes, d.bad = d.echoed, 0
	return nil
}

// fall ends a connection that does not work; it is tried again after a while.
func (d *interpreter) fall(err error, after Micros) {
	d.up, d.why, d.retry = false, err.Error(), d.now()+after
	if d.stop != nil {
		close(d.stop)
		d.stop = nil
	}
	d.line.drop()
}

func (d *interpreter) close() error {
	d.once.Do(func() { close(d.closed) })
	return d.line.close()
}

// interpreterLink asks through an interpreter.
type interpreterLink struct {
	*interpreter
	answersTo map[uint32]uint32 // request identifiers whose answers are not the standard's

	header  uint32 // that was set, 0 for everybody
	accepts uint32 // that was set, 0 for the standard's
	plain   bool   // it takes no headers
	counts  bool   // it takes the number of frames to wait for
	single  map[string]bool

	busy    bool
	search  bool
	asked   string
	askedAt Micros
	frames  int
	length  int // of an answer that comes without identifiers
	out     []Frame
	volts   Micros // when the supply was last asked for
	poked   bool
}

// OpenInterpreter asks through an adapter with an AT-command interpreter.
func OpenInterpreter(path string, opt InterpreterOptions, ask AskOptions) (*Asker, error) {
	return newInterpreterAsker(newInterpreter(path, opt), ask)
}

func newInterpreterAsker(d *interpreter, ask AskOptions) (*Asker, error) {
	return newAsker(ask, d.now, func([]Filter) (askLink, error) {
		l := &interpreterLink{interpreter: d, answersTo: map[uint32]uint32{}}
		for _, r := range ask.Requests {
			to, from := addresses(r)
			if _, standard := requestTo(from); !r.Standard && !standard {
				l.answersTo[to] = from
			}
		}
		err := l.begin()
		if err != nil && d.opt.Wait && (errors.Is(err, ErrMissing) || errors.Is(err, errSilent) || errors.Is(err, errGone)) {
			d.fall(err, Second)
			l.note(NoticeDown, 0)
			return l, nil
		}
		if err != nil {
			d.line.drop()
			return nil, err
		}
		return l, nil
	})
}

// begin brings the adapter up, without a protocol: that is found by the first
// request.
func (l *interpreterLink) begin() error {
	if err := l.start(); err != nil {
		return err
	}
	if _, _, err := l.command("ATSP0", interpreterCommand); err != nil {
		return err
	}
	l.header, l.accepts, l.plain, l.counts = 0, 0, false, true
	l.single = map[string]bool{}
	l.busy, l.search, l.poked, l.length = false, false, false, 0
	l.up, l.why = true, ""
	return nil
}

func (l *interpreterLink) note(code NoticeCode, count int64) {
	l.out = append(l.out, NewNotice(l.now(), l.opt.Bus, code, count))
}

func (l *interpreterLink) ready() bool { return l.up && !l.busy && len(l.out) == 0 }

// trouble says why nothing can be asked, for people.
func (l *interpreterLink) trouble() string {
	if !l.up {
		return l.why
	}
	if l.shape.protocol == 0 && l.why != "" {
		return l.why
	}
	return ""
}

// send gives the payload of a request to the adapter, which does the rest.
func (l *interpreterLink) send(f *Frame) (echoes bool, err error) {
	if f.Data[0]>>4 != tpSingle {
		return false, nil // flow controls are the adapter's own
	}
	payload := fmt.Sprintf("%X", f.Data[1:1+f.Data[0]])
	if l.shape.protocol == 0 {
		// Whatever was to be asked: this is the question that every vehicle
		// answers, by which the adapter finds the protocol.
		l.search = true
		return false, l.put("0100")
	}
	if !l.shape.serial() {
		if (f.ID > idMask11) != l.shape.extended() {
			return false, nil // this bus has no such identifiers: nobody answers
		}
		if err := l.address(f.ID); err != nil {
			return false, err
		}
	}
	text := payload
	if l.counts && l.single[payload] && !isFunctional(f.ID) {
		text += "1"
	}
	return false, l.put(text)
}

func (l *interpreterLink) put(text string) error {
	l.busy, l.asked, l.askedAt, l.frames, l.poked = true, text, l.now(), 0, false
	return l.line.write(text + "\r")
}

// address sets the identifiers to send with and to receive.
func (l *interpreterLink) address(to uint32) error {
	if l.plain || to == l.header || l.header == 0 && isFunctional(to) {
		return nil
	}
	text := fmt.Sprintf("ATSH%03X", to)
	if to > idMask11 {
		// The first five bits are the priority, which is set apart.
		text = fmt.Sprintf("ATSH%06X", to&0xFFFFFF)
	}
	m, _, err := l.command(text, interpreterCommand)
	if err != nil {
		return err
	}
	if m != saidOK {
		l.plain = true // everybody is asked then, and all answer
		return nil
	}
	l.header = to
	from := l.answersTo[to]
	if from == l.accepts {
		return nil
	}
	text = "ATAR" // the standard's
	if from != 0 {
		text = fmt.Sprintf("ATCRA%03X", from)
	}
	l.accepts = from
	_, _, err = l.command(text, interpreterCommand)
	return err
}

// noticeEnded tells the inquiry that an adapter waits no longer: what is still
// open will not be answered.
const noticeEnded NoticeCode = 1 << 30

// noticeNobody is the same of its search: no protocol has an answer.
const noticeNobody = noticeEnded + 1

// noticeFound tells that the vehicle answered the search.
const noticeFound = noticeEnded + 2

// receive returns the frames that have come, and what happened to the adapter.
func (l *interpreterLink) receive(batch []Frame, wait time.Duration) (int, error) {
	if len(l.out) == 0 {
		if err := l.listen(wait); err != nil {
			return 0, err
		}
	}
	n := copy(batch, l.out)
	l.out = slices.Delete(l.out, 0, n)
	return n, nil
}

func (l *interpreterLink) listen(wait time.Duration) error {
	if !l.up {
		return l.recover(wait)
	}
	if !l.busy && l.now()-l.volts > voltsEvery {
		l.volts = l.now()
		if m, text, err := l.command("ATRV", interpreterCommand); err == nil && m == saidVoltage {
			if v, err := strconv.ParseFloat(text, 64); err == nil && v > 0 && v < 60 {
				l.out = append(l.out, NewReading(l.now(), l.opt.Bus, 0, v))
			}
		}
	}
	b, err := l.wait(wait)
	if err == io.EOF {
		return err
	}
	if err != nil {
		l.lose(fmt.Errorf("%s: %w", l.path, err))
		return nil
	}
	l.feed(b, l.take)
	l.overdue()
	return nil
}

// voltsEvery is how often the adapter is asked for the supply's voltage, which
// takes nothing of the bus.
const voltsEvery = 10 * Second

// lose ends a connection and tells of it.
func (l *interpreterLink) lose(err error) {
	l.fall(err, Second)
	l.note(NoticeDown, 0)
}

// recover brings the adapter up again once its time has come.
func (l *interpreterLink) recover(wait time.Duration) error {
	if left := l.retry - l.now(); left > 0 {
		timer := time.NewTimer(min(wait, left.Duration()))
		defer timer.Stop()
		select {
		case <-timer.C:
			return nil
		case <-l.closed:
			return io.EOF
		}
	}
	switch err := l.begin(); {
	case err == io.EOF:
		return err
	case err != nil:
		l.fall(err, interpreterRetry)
	default:
		l.note(NoticeUp, 0)
	}
	return nil
}

// overdue wakes an adapter that gives no prompt, and then starts it anew.
func (l *interpreterLink) overdue() {
	if !l.busy {
		return
	}
	patience := interpreterRequest
	if l.search {
		patience = interpreterSearch
	}
	late := l.now() - l.askedAt - patience
	switch {
	case late < 0:
	case !l.poked:
		l.poked = true
		if l.line.write("\r") != nil { // whatever it does, it ends with a prompt
			l.lose(errGone)
		}
	case late > Second:
		l.lose(fmt.Errorf("%s: the adapter does not answer any more; it is started anew", l.path))
	}
}

// take reads one line of an answer.
func (l *interpreterLink) take(line []byte, tooLong, prompt bool) {
	m, digits := meaning(line)
	if tooLong {
		m = saidDamaged
	}
	if m == saidHex && l.busy && string(digits) == l.asked && l.frames == 0 {
		if m = saidNothing; !l.echoes {
			m = saidRestarted // it echoes again: its settings are gone
		}
	}
	switch m {
	case saidHex:
		l.digits(digits)
	case saidUnknown:
		if strings.HasSuffix(l.asked, "1") && len(l.asked)%2 == 1 {
			l.counts = false // asked again without
		}
	case saidOverrun:
		l.note(NoticeDropped, 1)
	case saidDamaged:
		l.damaged()
	case saidText:
		if !l.search {
			l.damaged()
		}
	case saidBusError:
		l.why = fmt.Sprintf("%s: the adapter says %q: is the ignition on, and is it plugged in?", l.path, digits)
		if !l.search {
			// The protocol does not work any more, or the wire is off.
			l.shape.protocol = 0
			l.header, l.accepts = 0, 0
		}
	case saidRestarted:
		l.lose(fmt.Errorf("%s: the adapter has restarted and is set up anew", l.path))
	}
	if !l.up {
		return
	}
	if prompt && l.busy {
		l.prompted()
	}
}

// digits takes a line of an answer that is a frame.
func (l *interpreterLink) digits(digits []byte) {
	if l.search {
		l.frames++
		l.shape.protocol = 6 + uint8(1-len(digits)%2) // until it says itself
		if strings.HasPrefix(string(digits), "4100") {
			// Who answers is not to be seen, so whom to ask neither.
			l.shape.bare, l.plain, l.shape.protocol = true, true, 6
		}
		return
	}
	if l.shape.bare && len(digits) == 3 {
		n, err := strconv.ParseUint(string(digits), 16, 12)
		if err == nil {
			l.length = int(n)
		}
		return
	}
	var f Frame
	if !l.shape.frame(digits, &f) {
		l.damaged()
		return
	}
	if l.shape.bare && f.Data[0] == tpFirst<<4 {
		f.Data[0], f.Data[1] = tpFirst<<4|byte(l.length>>8), byte(l.length)
	}
	if cutOff(&f) {
		l.damaged()
		return
	}
	l.frames++
	l.bad = 0
	f.At, f.Bus = l.now(), l.opt.Bus
	l.out = append(l.out, f)
}

// damaged counts a line that could not be read; many in a row, and the adapter
// is not set up as it was.
func (l *interpreterLink) damaged() {
	l.note(NoticeBadInput, 1)
	if l.bad++; l.bad >= 8 {
		l.lose(fmt.Errorf("%s: the adapter says nothing that can be read; it is set up anew", l.path))
	}
}

// cutOff reports whether a frame is shorter than it says.
func cutOff(f *Frame) bool {
	return f.Len == 0 || f.Data[0]>>4 == tpSingle && f.Len < 1+f.Data[0]&0xF || f.Data[0]>>4 == tpFirst && f.Len < 8
}

// prompted ends a request.
func (l *interpreterLink) prompted() {
	l.busy = false
	if !l.search {
		switch {
		case l.frames == 1 && len(l.asked)%2 == 0:
			l.single[l.asked] = true
		case l.frames > 1:
			delete(l.single, l.asked)
		}
		l.note(noticeEnded, 0)
		return
	}
	l.search = false
	if l.frames == 0 {
		l.shape.protocol = 0
		l.note(noticeNobody, 0)
		return
	}
	l.found()
	l.why = ""
	l.note(noticeFound, 0)
	l.note(NoticeUp, 0)
}

// found asks which protocol it is; an adapter that cannot say is believed by the
// form of what it showed.
func (l *interpreterLink) found() {
	m, text, err := l.command("ATDPN", interpreterCommand)
	if err != nil || m != saidHex || l.shape.bare {
		return
	}
	if n := nibble[text[len(text)-1]]; n >= 1 && n <= 9 {
		l.shape.protocol = n
	}
}
