package bus

import (
	"cmp"
	"fmt"
	"slices"
)

// AskOptions say what is asked and when to be silent.
type AskOptions struct {
	// Bus becomes Frame.Bus; Requests' places become the ID of the Answers.
	Bus      uint8
	Requests []Request
	// Mean is the most requests in a second over a long time on this bus, 0
	// for 10. Burst is the most in any one second, 0 for twice the mean: what
	// was saved up before, at most 20 s of the mean, may be spent on it.
	Mean, Burst int
	// TesterSilence is how long nothing is asked after another tester was
	// seen, 0 for 10 minutes.
	TesterSilence Micros
	// EngineOff is how long the engine may be off, or unheard of, before only
	// its speed is asked for, seldom; 0 for 1 minute.
	EngineOff Micros
	// MinVoltage is the supply voltage below which only the voltage is asked
	// for, seldom; 0 for no such limit. Where no voltage is told it does not
	// count.
	MinVoltage float64
	// Heard, where set, counts frames heard on the bus. When they start again
	// after a second of silence the engine may be started: asking is tried
	// again.
	Heard func() uint64
	// Codes, where set, is called with the trouble codes that AskCodes asked
	// for, from the goroutine that reads.
	Codes func(Codes)
}

const (
	// Negative response codes (ISO 14229-1).
	busyRepeat      = 0x21
	responsePending = 0x78

	// firstTimeout stands for a controller's answer time before it is known:
	// P2 of ISO 15765-4 is 50 ms, to which the bus adds its own delay.
	firstTimeout   = 200_000
	leastTimeout   = 60_000
	longestTimeout = Second
	pendingTimeout = 5 * Second // P2* of ISO 14229-2
	// lateAnswer is how long an answer may come after its request was given
	// up; later it is another tester's.
	lateAnswer = 5 * Second

	busyPause      = 100_000
	firstBackoff   = 500_000
	longestBackoff = 15 * Second
	refusedBackoff = 30 * Second
	longestRefused = 10 * 60 * Second
)

// PauseReason is why nothing is asked.
type PauseReason int64

const (
	// PauseTester: another tester is on the bus. PauseSupply: the supply is low.
	// PauseEngineOff: the engine was said to stand.
	PauseTester PauseReason = iota + 1
	PauseSupply
	PauseEngineOff
	// PauseUnheard: the engine has not been heard of, as where no controller
	// answers. PauseTrouble: nothing can be sent.
	PauseUnheard
	PauseTrouble
)

// Own reports whether asking paused by a choice of its own, so that nothing is
// wrong with what falls silent by it.
func (r PauseReason) Own() bool { return r >= PauseTester && r <= PauseEngineOff }

// question is one value on its schedule.
type question struct {
	request   int // index of the request, -1 for trouble codes, -2 for bitmaps
	service   uint8
	parameter uint16
	to, from  uint32
	urgency   Urgency
	wakes     bool
	once      bool // gone after it was asked
	waiting   bool // standard, and no controller has been found for it
	period    Micros
	due       Micros
	backoff   Micros
	size      int    // of the answer's data, 0 while it is not known
	fixed     bool   // by the standard
	solo      bool   // never asked beside others
	alone     Micros // nor until then
	without   int    // answers to several that lacked it
	missed    int    // requests in a row without an answer
	value     tally
	says      string
}

// tally counts the answers of one value in windows of two seconds.
type tally struct {
	answers uint64
	began   Micros
	count   int
	rate    float64
	best    float64
}

const tallyWindow = 2 * Second

func (t *tally) add(at Micros) {
	t.roll(at)
	t.answers++
	t.count++
}

func (t *tally) roll(at Micros) {
	if at-t.began < tallyWindow {
		return
	}
	t.rate = float64(t.count) / tallyWindow.Seconds()
	if at-t.began >= 2*tallyWindow {
		t.rate = 0
	}
	t.best = max(t.best, t.rate)
	t.began, t.count = at, 0
}

// AskState is what an Asker is doing.
type AskState struct {
	// Silent says why nothing is asked at present; empty where it is. Pause is
	// of which sort that is, 0 where it is asked.
	Silent string
	Pause  PauseReason
	// Found says what was learned of the vehicle; empty before that.
	Found string
	// Sent counts requests, Answered positive answers, Refused negative ones,
	// Unanswered the rest, Late those that came after they were given up.
	Sent, Answered, Refused, Unanswered, Late uint64
	// Foreign counts frames of other testers.
	Foreign uint64
	// Values are the requests in their order.
	Values []ValueState
}

// ValueState is how one value is asked for.
type ValueState struct {
	Name string
	// From is the identifier that answers, 0 where none is known.
	From    uint32
	Answers uint64
	// Rate is how often it was answered in the last two seconds, Best the
	// most in any two, in Hz.
	Rate, Best float64
	// Says is why it is not answered, empty where it is.
	Says string
}

// inquiry is the protocol of asking, without a bus and a clock of its own.
type inquiry struct {
	opt         AskOptions
	questions   []*question
	controllers []*controller
	explore     explorer
	state       AskState
	echo        []Frame // sent, and not seen on the bus yet
	out         []Frame // answers that have not been taken
	last        Micros  // the latest instant given out

	pace  pace
	drive drive

	quietUntil Micros // another tester
	tester     string
	engineAt   Micros // when the engine was last known to run, or may have been
	stoodAt    Micros // when it was last said to stand
	probed     Micros
	began      bool
	voltage    float64
	low        bool
	heard      uint64
	heardAt    Micros
}

func newInquiry(opt AskOptions) (*inquiry, error) {
	opt.Mean = cmp.Or(opt.Mean, 10)
	opt.Burst = max(cmp.Or(opt.Burst, 2*opt.Mean), 1)
	opt.TesterSilence = cmp.Or(opt.TesterSilence, 600*Second)
	opt.EngineOff = cmp.Or(opt.EngineOff, 60*Second)
	q := &inquiry{opt: opt, pace: pace{mean: Micros(opt.Mean), gap: (Second + Micros(opt.Burst) - 1) / Micros(opt.Burst)}}
	for i, r := range opt.Requests {
		if r.Service != serviceCurrent && r.Service != serviceRead {
			return nil, fmt.Errorf("request %s: service 0x%02X cannot be asked for; expected 0x01 or 0x22, which only read", r.Name, r.Service)
		}
		if _, err := encodeRequest(r.Service, r.Parameter); err != nil {
			return nil, fmt.Errorf("request %s: %w", r.Name, err)
		}
		x := &question{request: i, service: r.Service, parameter: r.Parameter, urgency: r.Urgency, wakes: r.Wakes,
			period: cmp.Or(r.Period, r.Urgency.period()), size: r.Size, fixed: r.Size > 0, waiting: r.Standard}
		if r.Standard {
			q.explore.wanted = true
		} else {
			x.to, x.from = addresses(r)
			q.controller(x.from)
		}
		q.questions = append(q.questions, x)
	}
	return q, nil
}

// isTester says whether an identifier is one that testers send with (ISO
// 15765-4: 0x7DF and 0x7E0 to 0x7E7; 29 bits: 0x18DB33F1 and 0x18DAxxF1), or one
// of our own.
func (q *inquiry) isTester(f *Frame) bool {
	if f.Flags&Extended == 0 {
		if f.ID == functional11 || f.ID >= 0x7E0 && f.ID <= 0x7E7 {
			return true
		}
	} else if f.ID&^0xFF00 == 0x18DA00F1 || f.ID == functional29 {
		return true
	}
	for _, x := range q.questions {
		if !x.waiting && x.to == f.ID && (f.ID > idMask11) == (f.Flags&Extended != 0) {
			return true
		}
	}
	return false
}

// asks reports whether a frame can be part of a tester's request: a single or
// first frame of a requesting service, or a flow control (ISO 15765-2, ISO
// 14229-1: answers have bit 6 of the service set). Some vehicles' own units
// send answers, or something else altogether, on testers' identifiers.
func asks(f *Frame) bool {
	if f.Len < 2 {
		return false
	}
	service := byte(0)
	switch f.Data[0] >> 4 {
	case tpSingle:
		n := f.Data[0] & 0xF
		if n == 0 || n > f.Len-1 {
			return false
		}
		service = f.Data[1]
	case tpFirst:
		if f.Len < 8 {
			return false
		}
		service = f.Data[2]
	case tpFlow:
		return f.Len >= 3 && f.Data[0]&0xF <= 2
	default:
		return false
	}
	return service != 0 && service&positive == 0
}

// answersSomething reports whether a frame can be the answer to a request.
func answersSomething(f *Frame) bool {
	switch n := f.Data[0] & 0xF; {
	case f.Len < 2:
		return false
	case f.Data[0]>>4 == tpSingle:
		return n > 0 && n <= f.Len-1 && f.Data[1]&positive != 0
	case f.Data[0]>>4 == tpFirst:
		return f.Len == 8 && f.Data[2]&positive != 0
	}
	return false
}

// hear takes a frame of a tester or a controller. send is a flow control to be
// sent at once. Answers that are complete are in q.out then.
func (q *inquiry) hear(f *Frame) (send *Frame) {
	if f.Kind != Data || f.Flags&FD != 0 {
		return nil
	}
	if q.isTester(f) {
		if !q.echoed(f) && asks(f) {
			q.foreign(f, "a request")
		}
		return nil
	}
	extended := f.Flags&Extended != 0
	if (f.ID > idMask11) != extended {
		return nil
	}
	if q.explore.hears(f) {
		return q.found(f)
	}
	c := q.known(f.ID)
	switch {
	case c == nil:
		return nil
	case c.open || c.late.group != nil && f.At-c.late.sentAt <= lateAnswer:
		return q.receive(c, f)
	case f.At-c.sentAt > lateAnswer && answersSomething(f) || c.sentAt == 0 && answersSomething(f):
		// An answer that nobody here asked for has another tester behind it.
		q.foreign(f, "an answer to another's request")
	}
	return nil
}

// echoed reports whether a frame is one that was sent from here, and notes when
// it was on the wire.
func (q *inquiry) echoed(f *Frame) bool {
	for i := range q.echo {
		if e := &q.echo[i]; e.ID == f.ID && e.Flags == f.Flags && e.Data == f.Data {
			for _, c := range q.controllers {
				if c.open && !c.echoed && c.to == f.ID && e.Data[0]>>4 == tpSingle {
					// Nothing that it tells is older than that.
					c.sentAt, c.echoed = max(c.sentAt, f.At), true
				}
			}
			q.echo = append(q.echo[:i], q.echo[i+1:]...)
			return true
		}
	}
	return false
}

func (q *inquiry) foreign(f *Frame, what string) {
	q.state.Foreign++
	q.quietUntil = f.At + q.opt.TesterSilence
	q.tester = fmt.Sprintf("%s, 0x%03X: % X", what, f.ID, f.Data[:min(f.Len, 8)])
	for _, c := range q.controllers {
		c.forget() // whatever is open is dropped
	}
	q.explore.until = 0
}

// engine tells the engine's speed, voltage the supply's.
func (q *inquiry) engine(at Micros, rpm float64) {
	if rpm > 0 {
		q.engineAt = max(q.engineAt, at)
	} else {
		q.stoodAt = max(q.stoodAt, at)
	}
}

func (q *inquiry) supply(volts float64) {
	q.voltage = volts
	// Between the limit and 0.3 V above it stays as it was.
	q.low = volts < q.opt.MinVoltage || q.low && volts < q.opt.MinVoltage+0.3
}

// askCodes puts the questions for stored and pending codes first in line.
func (q *inquiry) askCodes(now Micros) {
	var to []*question
	for _, x := range q.questions {
		switch {
		case x.once && x.request == codesRequest:
			return // still under way
		case !x.waiting && !slices.ContainsFunc(to, func(t *question) bool { return t.from == x.from }):
			to = append(to, x)
		}
	}
	slices.SortFunc(to, func(a, b *question) int { return cmp.Compare(a.from, b.from) })
	for _, x := range to {
		for _, service := range []uint8{serviceStored, servicePending} {
			q.questions = append(q.questions, &question{request: codesRequest, service: service, to: x.to, from: x.from, due: now, once: true})
		}
	}
}

const (
	codesRequest  = -1
	bitmapRequest = -2
)

// silence says why nothing but a probe may be asked now; empty and 0 where
// anything may.
func (q *inquiry) silence(now Micros) (string, PauseReason) {
	if q.opt.Heard != nil {
		if n := q.opt.Heard(); n != q.heard {
			if now-q.heardAt > Second {
				q.engineAt = now
				q.refresh(now)
			}
			q.heard, q.heardAt = n, now
		}
	}
	switch {
	case now < q.quietUntil:
		return fmt.Sprintf("another tester is on the bus (%s); asking goes on in %.0f s", q.tester, (q.quietUntil - now).Seconds()), PauseTester
	case q.low:
		return fmt.Sprintf("the supply is at %.1f V, below %.1f V%s", q.voltage, q.opt.MinVoltage, q.probeText(now)), PauseSupply
	case now-q.engineAt > q.opt.EngineOff:
		if q.stoodAt >= q.engineAt {
			return "the engine has been off" + q.probeText(now), PauseEngineOff
		}
		return "the engine has not been heard of" + q.probeText(now), PauseUnheard
	}
	return "", 0
}

// refresh ends the pauses of controllers that did not answer.
func (q *inquiry) refresh(now Micros) {
	for _, c := range q.controllers {
		c.silent, c.retryAt = 0, min(c.retryAt, now)
	}
	q.explore.backoff = 0
	q.explore.next = min(q.explore.next, now)
}

// Probes while nothing else is asked: the values that would end the silence
// are often known by asking only. Seldom, so that a parked vehicle's network is
// not kept awake and its battery drained for it.
const (
	probeEvery  = 15 * Second
	probeSeldom = 60 * Second
	probeOften  = 10 * 60 * Second // for how long after the engine stopped
)

func (q *inquiry) probePeriod(now Micros) Micros {
	if now-q.engineAt > q.opt.EngineOff+probeOften || q.low {
		return probeSeldom
	}
	return probeEvery
}

func (q *inquiry) probeText(now Micros) string {
	return fmt.Sprintf("; whether it still is, is asked every %.0f s", q.probePeriod(now).Seconds())
}

// filters are the identifiers that asking has to hear.
func (q *inquiry) filters() []Filter {
	list := []Filter{
		{ID: functional11, Mask: idMask11}, {ID: 0x7E0, Mask: 0x7F0},
		{ID: 0x18DA00F1, Mask: 0x1FFF00FF, Extended: true}, {ID: 0x18DAF100, Mask: 0x1FFFFF00, Extended: true},
		{ID: functional29, Mask: idMask29, Extended: true},
	}
	for _, x := range q.questions {
		if x.waiting {
			continue
		}
		for _, id := range []uint32{x.to, x.from} {
			f := Filter{ID: id, Mask: idMask29, Extended: id > idMask11}
			if !slices.Contains(list, f) {
				list = append(list, f)
			}
		}
	}
	return list
}

// look is how it stands at an instant.
func (q *inquiry) look(now Micros) AskState {
	s := q.state
	s.Values = make([]ValueState, len(q.opt.Requests))
	for _, x := range q.questions {
		if x.request < 0 {
			continue
		}
		x.value.roll(now)
		v := ValueState{Name: q.opt.Requests[x.request].Name, From: x.from, Answers: x.value.answers, Rate: x.value.rate, Best: x.value.best}
		switch {
		case x.says != "":
			v.Says = x.says
		case x.waiting:
			v.Says = "no controller has been found for it yet"
		case v.Answers == 0 && s.Sent > 0:
			v.Says = "no answer yet"
		}
		s.Values[x.request] = v
	}
	return s
}
