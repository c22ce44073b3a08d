package bus

import (
	"fmt"
	"sort"
)

// Request is a value that a controller gives only when asked.
type Request struct {
	Name string
	// Service is 0x01 (SAE J1979, current data) or 0x22 (ISO 14229, read data
	// by identifier); no other can be asked for. Parameter is the PID or the
	// data identifier.
	Service   uint8
	Parameter uint16
	// RequestID and AnswerID are CAN identifiers; over 0x7FF they have 29
	// bits. 0 means 0x7E0 and the request's plus 8 (ISO 15765-4).
	RequestID, AnswerID uint32
	// Period is the time between two requests, 0 for 0.2 s.
	Period Micros
}

// AskOptions say what is asked and when to be silent.
type AskOptions struct {
	// Bus becomes Frame.Bus; Requests' places become the ID of the Answers.
	Bus      uint8
	Requests []Request
	// Budget is the most requests in a second on this bus, 0 for 10.
	Budget int
	// TesterSilence is how long nothing is asked after another tester was
	// seen, 0 for 10 minutes.
	TesterSilence Micros
	// EngineOff is how long the engine may be off, or unheard of, before
	// nothing is asked any more, 0 for 1 minute.
	EngineOff Micros
	// MinVoltage is the supply voltage below which nothing is asked; 0 for
	// no such limit. Where no voltage is told it does not count.
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
	serviceCurrent = 0x01 // SAE J1979
	serviceStored  = 0x03
	servicePending = 0x07
	serviceRead    = 0x22 // ISO 14229-1 ReadDataByIdentifier
	negative       = 0x7F
	positive       = 0x40 // added to the service in a positive answer

	// Negative response codes (ISO 14229-1).
	busyRepeat      = 0x21
	responsePending = 0x78

	// Times of ISO 15765-4 and 14229-2: P2 50 ms plus the bus's own delay,
	// P2* 5 s.
	answerTimeout  = 150_000
	pendingTimeout = 5 * Second

	defaultPeriod  = 200_000
	firstBackoff   = 500_000
	longestBackoff = 5 * 60 * Second
	lateAnswer     = 5 * Second // an answer after this is not to us
)

// encodeRequest gives the payload of a request. These four services read and
// change nothing; there is no way to encode another.
func encodeRequest(service uint8, parameter uint16) ([]byte, error) {
	switch service {
	case serviceCurrent:
		if parameter > 0xFF {
			return nil, fmt.Errorf("service 0x01 has parameters of one byte; 0x%X is not one", parameter)
		}
		return []byte{service, byte(parameter)}, nil
	case serviceRead:
		return []byte{service, byte(parameter >> 8), byte(parameter)}, nil
	case serviceStored, servicePending:
		return []byte{service}, nil
	}
	return nil, fmt.Errorf("service 0x%02X cannot be asked for; expected 0x01 or 0x22, which only read", service)
}

// question is one request on its schedule.
type question struct {
	payload  []byte
	to, from uint32
	period   Micros
	due      Micros
	backoff  Micros
	answer   int  // index of the request, -1 for trouble codes
	once     bool // gone after it was asked
}

// AskState is what an Asker is doing.
type AskState struct {
	// Silent says why nothing is asked at present; empty where it is.
	Silent string
	// Sent counts requests, Answered positive answers, Refused negative ones,
	// Unanswered the rest.
	Sent, Answered, Refused, Unanswered uint64
	// Foreign counts frames of other testers.
	Foreign uint64
}

// inquiry is the protocol of asking, without a bus and a clock of its own.
type inquiry struct {
	opt       AskOptions
	questions []question
	state     AskState

	asked    int // index of the question that is open, -1 for none
	sentAt   Micros
	deadline Micros
	lastSent Micros
	echo     []Frame // sent, and not seen on the bus yet
	tp       tpReceiver
	answered map[uint32]Micros // when a controller was last asked

	tokens     Micros // of the budget, in microseconds
	filled     Micros
	quietUntil Micros // another tester
	engineAt   Micros // when the engine was last known to run, or may have been
	began      bool
	voltage    float64
	low        bool
	heard      uint64
	heardAt    Micros
}

func newInquiry(opt AskOptions) (*inquiry, error) {
	q := &inquiry{opt: opt, asked: -1, answered: map[uint32]Micros{}}
	if q.opt.Budget == 0 {
		q.opt.Budget = 10
	}
	if q.opt.TesterSilence == 0 {
		q.opt.TesterSilence = 600 * Second
	}
	if q.opt.EngineOff == 0 {
		q.opt.EngineOff = 60 * Second
	}
	for i, r := range opt.Requests {
		if r.Service != serviceCurrent && r.Service != serviceRead {
			return nil, fmt.Errorf("request %s: service 0x%02X cannot be asked for; expected 0x01 or 0x22, which only read", r.Name, r.Service)
		}
		payload, err := encodeRequest(r.Service, r.Parameter)
		if err != nil {
			return nil, fmt.Errorf("request %s: %w", r.Name, err)
		}
		to, from := addresses(r)
		if r.Period == 0 {
			r.Period = defaultPeriod
		}
		q.questions = append(q.questions, question{payload: payload, to: to, from: from, period: r.Period, answer: i})
	}
	return q, nil
}

// addresses fills in the standard's identifiers.
func addresses(r Request) (to, from uint32) {
	to, from = r.RequestID, r.AnswerID
	if to == 0 {
		to = 0x7E0
	}
	if from == 0 {
		from = AnswerTo(to)
	}
	return to, from
}

// AnswerTo is the identifier with which a controller answers one request
// identifier by ISO 15765-4: the request's plus 8, 0x7E8 (the engine) to
// everybody's 0x7DF, and 0x18DAF1xx to 0x18DAxxF1.
func AnswerTo(request uint32) uint32 {
	switch {
	case request == 0x7DF:
		return 0x7E8
	case request&^0xFF00 == 0x18DA00F1:
		return 0x18DAF100 | request>>8&0xFF
	case request == 0x18DB33F1:
		return 0x18DAF110
	}
	return request + 8
}

// isTester says whether an identifier is one that testers send with (ISO
// 15765-4: 0x7DF and 0x7E0 to 0x7E7; 29 bits: 0x18DB33F1 and 0x18DAxxF1), or one
// of our own.
func (q *inquiry) isTester(f *Frame) bool {
	if f.Flags&Extended == 0 {
		if f.ID == 0x7DF || f.ID >= 0x7E0 && f.ID <= 0x7E7 {
			return true
		}
	} else if f.ID&^0xFF00 == 0x18DA00F1 || f.ID == 0x18DB33F1 {
		return true
	}
	for i := range q.questions {
		if q.questions[i].to == f.ID && (f.ID > idMask11) == (f.Flags&Extended != 0) {
			return true
		}
	}
	return false
}

// hear takes a frame of a tester or a controller. send is a flow control to be
// sent at once; answer is complete where ok.
func (q *inquiry) hear(f *Frame) (send *Frame, answer Frame, ok bool) {
	if f.Kind != Data || f.Flags&FD != 0 {
		return nil, Frame{}, false
	}
	if q.isTester(f) {
		for i := range q.echo {
			if e := &q.echo[i]; e.ID == f.ID && e.Flags == f.Flags && e.Data == f.Data {
				if q.asked >= 0 && e.Data[0]>>4 == tpSingle {
					// Seen on the wire: nothing it tells is older than that.
					q.sentAt = max(q.sentAt, f.At)
				}
				q.echo = append(q.echo[:i], q.echo[i+1:]...)
				return nil, Frame{}, false
			}
		}
		q.foreign(f.At)
		return nil, Frame{}, false
	}
	if q.asked < 0 || q.questions[q.asked].from != f.ID || (f.ID > idMask11) != (f.Flags&Extended != 0) {
		// An answer that nobody here asked for has another tester behind it.
		for i := range q.questions {
			if t, was := q.answered[q.questions[i].from]; q.questions[i].from == f.ID && (!was || f.At-t > lateAnswer) {
				q.foreign(f.At)
				break
			}
		}
		return nil, Frame{}, false
	}
	question := &q.questions[q.asked]
	switch q.tp.frame(f.At, f.Data[:f.Len]) {
	case tpFlowDue:
		q.deadline = f.At + tpTimeout
		flow := tpContinue(question.to)
		q.echo = append(q.echo, flow)
		return &flow, Frame{}, false
	case tpMore:
		q.deadline = f.At + tpTimeout
	case tpBroken:
		q.fail(f.At, &q.state.Unanswered)
	case tpComplete:
		answer, ok = q.complete(f.At, question)
		return nil, answer, ok
	}
	return nil, Frame{}, false
}

func (q *inquiry) foreign(at Micros) {
	q.state.Foreign++
	q.quietUntil = at + q.opt.TesterSilence
	q.asked = -1 // whatever is open is dropped
}

// complete reads the answer's payload.
func (q *inquiry) complete(at Micros, question *question) (Frame, bool) {
	b, want := q.tp.data, question.payload
	if b[0] == negative {
		if len(b) < 3 || b[1] != want[0] {
			return Frame{}, false // to another service: not ours
		}
		if b[2] == responsePending {
			q.deadline = at + pendingTimeout
			return Frame{}, false
		}
		q.fail(at, &q.state.Refused)
		if b[2] != busyRepeat {
			// It will hardly answer the next time: ask seldom.
			question.backoff = max(question.backoff, 30*Second)
			question.due = at + question.backoff
		}
		return Frame{}, false
	}
	if b[0] != want[0]+positive || len(b) < len(want) {
		return Frame{}, false
	}
	for i := 1; i < len(want); i++ {
		if b[i] != want[i] {
			return Frame{}, false
		}
	}
	q.state.Answered++
	question.backoff = 0
	question.due = q.lastSent + question.period
	asked := *question
	q.close()
	if asked.answer < 0 {
		if q.opt.Codes != nil {
			q.opt.Codes(Codes{At: at, Bus: q.opt.Bus, Source: fmt.Sprintf("0x%X", asked.from),
				Pending: asked.payload[0] == servicePending, Codes: obdCodes(b[1:])})
		}
		return Frame{}, false
	}
	f := Frame{At: at, Kind: Answer, ID: uint32(asked.answer), Bus: q.opt.Bus, Early: uint32(max(0, at-q.sentAt))}
	f.Len = uint8(copy(f.Data[:], b[len(want):]))
	return f, true
}

// fail ends the open question without an answer and asks it less often.
func (q *inquiry) fail(at Micros, counter *uint64) {
	*counter++
	question := &q.questions[q.asked]
	question.backoff = min(max(2*question.backoff, firstBackoff), longestBackoff)
	question.due = at + max(question.backoff, question.period)
	q.close()
}

// close forgets the open question, and drops it where it was asked for once.
func (q *inquiry) close() {
	i := q.asked
	q.asked = -1
	if q.questions[i].once {
		q.questions = append(q.questions[:i], q.questions[i+1:]...)
	}
}

// engine tells the engine's speed, voltage the supply's.
func (q *inquiry) engine(at Micros, rpm float64) {
	if rpm > 0 {
		q.engineAt = max(q.engineAt, at)
	}
}

func (q *inquiry) supply(volts float64) {
	q.voltage = volts
	// Between the limit and 0.3 V above it stays as it was.
	q.low = volts < q.opt.MinVoltage || q.low && volts < q.opt.MinVoltage+0.3
}

// askCodes puts the questions for stored and pending codes first in line.
func (q *inquiry) askCodes(now Micros) {
	var to []question
	for _, x := range q.questions {
		if x.once {
			return // still under way
		}
		known := false
		for _, t := range to {
			known = known || t.to == x.to
		}
		if !known {
			to = append(to, x)
		}
	}
	sort.Slice(to, func(i, j int) bool { return to[i].to < to[j].to })
	for _, x := range to {
		for _, service := range []uint8{serviceStored, servicePending} {
			if payload, err := encodeRequest(service, 0); err == nil {
				q.questions = append(q.questions, question{payload: payload, to: x.to, from: x.from, due: now, answer: -1, once: true})
			}
		}
	}
}

// next returns the request to send now, if any, and how long to wait for the
// next thing to do.
func (q *inquiry) next(now Micros) (send *Frame, wait Micros) {
	const look = 100_000
	if !q.began {
		q.began, q.engineAt, q.filled, q.heardAt = true, now, now, now
		q.tokens = Second / Micros(q.opt.Budget) // no burst at the start
	}
	if q.opt.Heard != nil {
		if n := q.opt.Heard(); n != q.heard {
			if now-q.heardAt > Second {
				q.engineAt = now
			}
			q.heard, q.heardAt = n, now
		}
	}
	if q.asked >= 0 {
		if now < q.deadline {
			return nil, min(q.deadline-now, look)
		}
		q.fail(now, &q.state.Unanswered)
	}
	for len(q.echo) > 8 {
		q.echo = q.echo[1:] // a bus without echo
	}
	switch {
	case now < q.quietUntil:
		q.state.Silent = "another tester is on the bus"
	case q.low:
		q.state.Silent = fmt.Sprintf("the supply is at %.1f V, below %.1f V", q.voltage, q.opt.MinVoltage)
	case now-q.engineAt > q.opt.EngineOff:
		q.state.Silent = "the engine has been off"
	default:
		q.state.Silent = ""
	}
	if q.state.Silent != "" {
		return nil, look
	}
	// The budget: time is worth requests, and no more than one second's are
	// saved up.
	cost := Second / Micros(q.opt.Budget)
	q.tokens = min(q.tokens+now-q.filled, Second)
	q.filled = now
	best := -1
	for i := range q.questions {
		// Codes first, then what has waited longest.
		if best < 0 || q.questions[i].once && !q.questions[best].once ||
			q.questions[i].once == q.questions[best].once && q.questions[i].due < q.questions[best].due {
			best = i
		}
	}
	if best < 0 {
		return nil, look
	}
	question := &q.questions[best]
	if question.due > now {
		return nil, min(question.due-now, look)
	}
	if q.tokens < cost {
		return nil, min(cost-q.tokens, look)
	}
	q.tokens -= cost
	q.asked, q.sentAt, q.lastSent, q.deadline = best, now, now, now+answerTimeout
	q.answered[question.from] = now
	q.tp = tpReceiver{data: q.tp.data}
	f := tpRequest(question.to, question.payload)
	q.echo = append(q.echo, f)
	q.state.Sent++
	return &f, 0
}

// filters are the identifiers that asking has to hear.
func (q *inquiry) filters() []Filter {
	list := []Filter{
		{ID: 0x7DF, Mask: idMask11}, {ID: 0x7E0, Mask: 0x7F8},
		{ID: 0x18DA00F1, Mask: 0x1FFF00FF, Extended: true}, {ID: 0x18DB33F1, Mask: idMask29, Extended: true},
	}
	for _, x := range q.questions {
		for _, id := range []uint32{x.to, x.from} {
			f := Filter{ID: id, Mask: idMask29, Extended: id > idMask11}
			known := false
			for _, o := range list {
				known = known || o == f
			}
			if !known {
				list = append(list, f)
			}
		}
	}
	return list
}
