package bus

import (
	"fmt"
	"slices"
)

// controller is one that answers: at most one request to it is open, and it
// keeps nobody else waiting.
type controller struct {
	from uint32

	to       uint32 // where the open request went
	open     bool
	echoed   bool
	group    []*question
	sentAt   Micros
	firstAt  Micros // of the answer's first frame, 0 before it
	deadline Micros
	tp       tpReceiver
	late     given // the request before, where it was given up

	timeout answerTime
	silent  int    // requests in a row without any answer
	retryAt Micros // nothing is asked of it before
	supports
}

// given is a request that was given up and may still be answered.
type given struct {
	group  []*question
	sentAt Micros
}

func (c *controller) forget() {
	c.open, c.late = false, given{}
}

func (q *inquiry) known(from uint32) *controller {
	for _, c := range q.controllers {
		if c.from == from {
			return c
		}
	}
	return nil
}

func (q *inquiry) controller(from uint32) *controller {
	if c := q.known(from); c != nil {
		return c
	}
	c := &controller{from: from}
	q.controllers = append(q.controllers, c)
	return c
}

// answerTime estimates how long a controller takes, as RFC 6298 does for a
// network: a smoothed mean and deviation, doubled after a time-out.
type answerTime struct {
	mean, spread Micros
	doubled      int
}

func (t *answerTime) add(took Micros) {
	t.doubled = 0
	if t.mean == 0 {
		t.mean, t.spread = took, took/2
		return
	}
	d := took - t.mean
	t.mean += d / 8
	t.spread += (max(d, -d) - t.spread) / 4
}

func (t *answerTime) limit() Micros {
	l := Micros(firstTimeout)
	if t.mean > 0 {
		l = t.mean + 4*t.spread + 20_000
	}
	return min(max(l, leastTimeout)<<min(t.doubled, 4), longestTimeout)
}

// receive takes a frame of a controller that owes an answer.
func (q *inquiry) receive(c *controller, f *Frame) (send *Frame) {
	if kind := f.Data[0] >> 4; kind == tpSingle || kind == tpFirst {
		c.firstAt = f.At
	}
	switch c.tp.frame(f.At, f.Data[:f.Len]) {
	case tpFlowDue:
		c.deadline = max(c.deadline, f.At+tpTimeout)
		// To the controller itself: a flow control to everybody is heeded by
		// none (ISO 15765-2).
		to := c.to
		if isFunctional(to) {
			own, ok := requestTo(c.from)
			if !ok {
				return nil
			}
			to = own
		}
		flow := tpContinue(to)
		q.echo = append(q.echo, flow)
		return &flow
	case tpMore:
		c.deadline = max(c.deadline, f.At+tpTimeout)
	case tpBroken:
		if c.open {
			q.fail(c, f.At)
		}
	case tpComplete:
		q.complete(c, f.At, c.tp.data)
	}
	return nil
}

// complete reads an answer's payload.
func (q *inquiry) complete(c *controller, at Micros, b []byte) {
	open := c.open && answers(b, c.group)
	late := c.late.group != nil && answers(b, c.late.group)
	if open && late && !fits(b, c.group) {
		open = !fits(b, c.late.group) // its length says which it is to
	}
	switch {
	case b[0] == negative:
		q.refused(c, at, b)
	case open:
		sent, group := c.sentAt, c.group
		c.timeout.add(c.firstAt - sent)
		q.close(c)
		q.take(c, sent, group, b)
	case late:
		// The next request is out already: this is the one before.
		q.state.Late++
		sent, group := c.late.sentAt, c.late.group
		c.timeout.add(c.firstAt - sent)
		c.late = given{}
		q.take(c, sent, group, b)
	}
}

// answers reports whether a positive answer is one to the group.
func answers(b []byte, group []*question) bool {
	x := group[0]
	if b[0] != x.service+positive {
		return false
	}
	if x.request == codesRequest {
		return true
	}
	for _, x := range group {
		if len(b) > x.width() && x.parameterOf(b[1:]) == x.parameter {
			return true
		}
	}
	return false
}

// fits reports whether an answer has the length that all values of the group
// make.
func fits(b []byte, group []*question) bool {
	n := 1
	for _, x := range group {
		n += x.width() + x.size
	}
	return n == len(b)
}

// width is the number of bytes that name the parameter.
func (x *question) width() int {
	if x.service == serviceRead {
		return 2
	}
	return 1
}

func (x *question) parameterOf(b []byte) uint16 {
	if x.service == serviceRead {
		return uint16(b[0])<<8 | uint16(b[1])
	}
	return uint16(b[0])
}

// take hands out the values in a positive answer.
func (q *inquiry) take(c *controller, sent Micros, group []*question, b []byte) {
	q.state.Answered++
	c.silent = 0
	if group[0].request == codesRequest {
		if q.opt.Codes != nil {
			q.opt.Codes(Codes{At: c.firstAt, Bus: q.opt.Bus, Source: fmt.Sprintf("0x%X", c.from),
				Pending: group[0].service == servicePending, Codes: obdCodes(b[1:])})
		}
		return
	}
	left := b[1:]
	missing := append([]*question(nil), group...)
	for len(left) > group[0].width() {
		i := 0
		for i < len(missing) && missing[i].parameterOf(left) != missing[i].parameter {
			i++
		}
		if i == len(missing) {
			break // padding, or something nobody asked for
		}
		x := missing[i]
		missing = append(missing[:i], missing[i+1:]...)
		left = left[x.width():]
		n := len(left)
		if len(group) > 1 {
			if x.size > len(left) {
				break // cut off
			}
			n = x.size
		} else if x.size != n && !x.fixed {
			x.solo = x.solo || x.size != 0 // it varies
			x.size = n
		}
		q.value(c, sent, x, left[:n])
		left = left[n:]
	}
	for _, x := range missing {
		x.beside(c.firstAt)
		x.due = sent + busyPause
	}
	for _, x := range group[1:] {
		if !slices.Contains(missing, x) {
			x.without, x.alone = 0, 0 // also where it came late
		}
	}
}

// beside notes that a value was not answered beside another; twice, and it is
// asked for alone for a while.
func (x *question) beside(at Micros) {
	if x.without++; x.without >= 2 {
		x.without, x.alone = 1, at+aloneTime
	}
}

// aloneTime is how long a value that was not answered beside others is asked for
// alone before that is tried again.
const aloneTime = 5 * 60 * Second

// value hands out one value: it was true at some instant between the request
// and the first frame of the answer.
func (q *inquiry) value(c *controller, sent Micros, x *question, b []byte) {
	x.backoff, x.missed, x.says = 0, 0, ""
	if x.request == bitmapRequest {
		q.explore.bitmap(c, x, b)
		q.explore.follow(q, c, x, c.firstAt)
		return
	}
	x.value.add(c.firstAt)
	at := max(c.firstAt, q.last)
	q.last = at
	f := Frame{At: at, Kind: Answer, ID: uint32(x.request), Bus: q.opt.Bus, Early: uint32(max(0, at-sent))}
	f.Len = uint8(copy(f.Data[:], b))
	q.out = append(q.out, f)
}

// refused takes a negative answer.
func (q *inquiry) refused(c *controller, at Micros, b []byte) {
	if !c.open || len(b) < 3 || b[1] != c.group[0].service {
		return // to another service: not ours
	}
	c.silent = 0
	switch {
	case b[2] == responsePending:
		c.deadline = at + pendingTimeout
		return
	case b[2] == busyRepeat:
		// It said so itself, at once: soon again, and nothing is wrong.
		q.state.Refused++
		for _, x := range c.group {
			x.due = at + busyPause
		}
		c.retryAt = at + busyPause
		q.close(c)
		return
	}
	q.state.Refused++
	group := c.group
	q.close(c)
	if len(group) > 1 {
		for _, x := range group {
			x.due = at
		}
		for _, x := range group[1:] {
			x.beside(at)
		}
		return
	}
	x := group[0]
	if x.missed++; x.value.answers > 0 && x.missed < 3 {
		x.due = at + busyPause // it has answered before
		return
	}
	// It will hardly answer the next time: ask seldom.
	x.says = fmt.Sprintf("refused with code 0x%02X", b[2])
	x.backoff = min(max(2*x.backoff, refusedBackoff), longestRefused)
	x.due = at + x.backoff
}

// fail ends the open request without an answer.
func (q *inquiry) fail(c *controller, at Micros) {
	q.state.Unanswered++
	c.timeout.doubled++
	group := c.group
	if c.silent == 0 {
		for _, x := range group[1:] {
			x.beside(at)
		}
	}
	c.silent++
	c.late = given{c.group, c.sentAt}
	q.close(c)
	if c.silent >= 3 {
		// The controller is silent as a whole: it is asked less often.
		c.retryAt = at + min(firstBackoff<<min(c.silent-3, 10), longestBackoff)
	}
	for _, x := range group {
		if len(group) > 1 {
			x.due = at // the next one is for it alone
			continue
		}
		if x.request == bitmapRequest && x.missed < 2 {
			x.missed++
			x.due = at + busyPause
			q.questions = append(q.questions, x)
			continue
		}
		// A single loss is made up for; more, and it is asked less often.
		if x.missed++; x.missed > 1 {
			x.says = "not answered"
			x.backoff = min(max(2*x.backoff, firstBackoff), longestBackoff)
		}
		x.due = at + max(x.backoff, x.period)
	}
}

// ended fails what is open: nobody waits for its answer any more.
func (q *inquiry) ended(at Micros) {
	for _, c := range q.controllers {
		if c.open {
			q.fail(c, at)
		}
	}
	q.explore.until = min(q.explore.until, at)
}

// nobody ends what is open where every way has been tried by the adapter itself.
func (q *inquiry) nobody(at Micros) {
	q.ended(at)
	q.explore.at = len(ways) - 1
}

// again begins with the first way of finding controllers, where none was found.
func (q *inquiry) again(at Micros) {
	for _, c := range q.controllers {
		c.forget()
	}
	q.refresh(at)
	q.explore.at, q.explore.sentAt, q.explore.until = 0, 0, 0
}

// close forgets the open request, and drops what was asked for once.
func (q *inquiry) close(c *controller) {
	c.open = false
	for _, x := range c.group {
		if !x.once {
			continue
		}
		for i := range q.questions {
			if q.questions[i] == x {
				q.questions = append(q.questions[:i], q.questions[i+1:]...)
				break
			}
		}
	}
}
