package bus

import (
	"cmp"
	"slices"
)

// pace bounds requests: gap apart, so that no second has more than the burst,
// and in the long run no more than the mean.
type pace struct {
	mean   Micros // a second
	gap    Micros
	credit Micros // in millionths of a request
	filled Micros
	latest Micros
	sent   bool
}

// savedSeconds is how many seconds of the mean may be saved up for a burst.
const savedSeconds = 20

func (p *pace) begin(now Micros) {
	p.filled, p.credit = now, 5*p.mean*Second
}

// wait is how long until the next request may go, 0 for now.
func (p *pace) wait(now Micros) Micros {
	p.credit = min(p.credit+(now-p.filled)*p.mean, savedSeconds*p.mean*Second)
	p.filled = now
	var wait Micros
	if p.sent {
		wait = max(0, p.latest+p.gap-now)
	}
	if p.credit < Second {
		wait = max(wait, (Second-p.credit)/p.mean+1)
	}
	return wait
}

func (p *pace) spend(now Micros) {
	p.credit -= Second
	p.latest, p.sent = now, true
}

// drive follows the driving, so far as it says what matters: the vehicle slows,
// or climbs.
type drive struct {
	speeds  [16]struct{ at, kmh Micros } // km/h times 1000
	n       int
	watched Micros // until when what tells the coupling is all that matters
	load    float64
}

const (
	// Slowing is a fall of slowingKmh within slowingTime: twice the step of a
	// speed in whole km/h, so that a step to and fro is none.
	slowingKmh  = 2000
	slowingTime = 2 * Second
	// watchOn is how long it is watched on after the last sign: the clutch
	// lets go up to seconds after the vehicle stands.
	watchOn   = 4 * Second
	climbLoad = 50 // % of pedal, load or torque
	climbKmh  = 15_000
)

func (d *drive) speed(at Micros, kmh float64) {
	v := Micros(kmh * 1000)
	low, high := v, v
	for _, x := range d.speeds {
		if x.at > 0 && at-x.at <= slowingTime {
			low, high = min(low, x.kmh), max(high, x.kmh)
		}
	}
	// One point each 0.15 s at most, so that the ring spans the time.
	if last := &d.speeds[(d.n+len(d.speeds)-1)%len(d.speeds)]; at-last.at >= 150_000 {
		d.speeds[d.n].at, d.speeds[d.n].kmh = at, v
		d.n = (d.n + 1) % len(d.speeds)
	}
	switch {
	case high-v >= slowingKmh:
		d.watched = max(d.watched, at+watchOn)
	case d.load >= climbLoad && v >= climbKmh && v-low < slowingKmh:
		d.watched = max(d.watched, at+watchOn)
	}
}

// due is when a question is next asked. While it is watched, what tells the
// coupling is asked as fast as may be, and the rest waits twice as long: no longer,
// so that its value does not go stale. That is at most 2.7 of its usual intervals,
// which soon can make a quarter shorter than the period.
func (q *inquiry) due(x *question, now Micros) Micros {
	if now >= q.drive.watched || x.once {
		return x.due
	}
	if x.urgency == Coupling {
		return min(x.due, x.due-x.period+x.backoff+q.pace.gap)
	}
	return x.due + x.period
}

// next returns the request to send now, if any, and how long to wait for the
// next thing to do.
func (q *inquiry) next(now Micros) (send *Frame, wait Micros) {
	const look = 100_000
	if !q.began {
		q.began, q.engineAt, q.heardAt = true, now, now
		q.pace.begin(now)
	}
	wait = q.expire(now, look)
	for len(q.echo) > 16 {
		q.echo = q.echo[1:] // a bus without echo
	}
	q.state.Silent, q.state.Pause = q.silence(now)
	probe := false
	if q.state.Silent != "" {
		if now < q.quietUntil || now-q.probed < q.probePeriod(now) && !q.explore.underWay() {
			return nil, wait
		}
		probe = true
	}
	if w := q.pace.wait(now); w > 0 {
		return nil, min(wait, w)
	}
	if f := q.explore.step(q, now); f != nil {
		q.probed = now
		return f, 0
	}
	c, group, until := q.choose(now, probe)
	if c == nil {
		return nil, min(wait, max(until-now, 500))
	}
	q.probed = now
	return q.request(c, group, now), 0
}

// expire gives up what has waited too long; it returns the time to the next
// that will have.
func (q *inquiry) expire(now, wait Micros) Micros {
	for _, c := range q.controllers {
		if !c.open {
			continue
		}
		if now >= c.deadline {
			q.fail(c, now)
			continue
		}
		wait = min(wait, c.deadline-now)
	}
	return wait
}

// choose picks the most urgent question that is due, and what can be asked with
// it; until is when the next will be due where none is.
func (q *inquiry) choose(now Micros, probe bool) (*controller, []*question, Micros) {
	var best *question
	until := now + Second
	for _, x := range q.questions {
		if x.waiting || probe && !x.wakes {
			continue
		}
		c := q.controller(x.from)
		due := max(q.due(x, now), c.retryAt)
		if probe {
			due = 0
		}
		switch {
		case c.open:
		case due > now:
			until = min(until, due)
		case best == nil || q.before(x, best, now):
			best = x
		}
	}
	if best == nil {
		return nil, nil, until
	}
	return q.controller(best.from), q.together(best, now, probe), 0
}

// before reports whether a goes before b, both being due: codes and bitmaps
// first; while it is watched then what tells the coupling, but for what has
// waited its time; then what has waited longest.
func (q *inquiry) before(a, b *question, now Micros) bool {
	if a.once != b.once {
		return a.once
	}
	if now < q.drive.watched && (a.urgency == Coupling) != (b.urgency == Coupling) {
		return b.urgency == Coupling // it is due only once it has waited long
	}
	return q.due(a, now) < q.due(b, now)
}

// together is what one request asks for: what tells the coupling always in one,
// so that its values are of one instant, and what is soon due along with it.
func (q *inquiry) together(first *question, now Micros, probe bool) []*question {
	group := []*question{first}
	if first.once && first.request == codesRequest || first.solo || now < first.alone || first.size == 0 || first.backoff > 0 || q.controller(first.from).silent > 0 {
		return group
	}
	most := mostCurrent
	if first.service == serviceRead {
		most = mostRead
	}
	var also []*question
	for _, x := range q.questions {
		if x == first || x.waiting || x.solo || now < x.alone || x.size == 0 || x.backoff > 0 || x.from != first.from || x.to != first.to ||
			x.service != first.service || x.once != first.once || probe && !x.wakes {
			continue
		}
		coupling := x.urgency == Coupling && first.urgency == Coupling
		soon := now >= q.drive.watched && x.due-x.period/4 <= now
		late := first.urgency != Coupling && q.due(x, now) <= now // as is the first
		if coupling || soon || late || x.once || probe {
			also = append(also, x)
		}
	}
	slices.SortStableFunc(also, func(a, b *question) int {
		return cmp.Or(cmp.Compare(a.urgency, b.urgency), cmp.Compare(a.due, b.due))
	})
	long := first.width() + first.size
	for _, x := range also {
		if long += x.width() + x.size; len(group) == most || long > longestTogether {
			break
		}
		group = append(group, x)
	}
	return group
}

// longestTogether is the most bytes of an answer to several: a long one is
// better had alone than lost with others.
const longestTogether = 40

// request opens a request to a controller.
func (q *inquiry) request(c *controller, group []*question, now Micros) *Frame {
	var parameters []uint16
	for _, x := range group {
		if x.request != codesRequest {
			parameters = append(parameters, x.parameter)
		}
		x.due = now + x.period
	}
	payload, err := encodeRequest(group[0].service, parameters...)
	if err != nil {
		return nil // what was accepted at the start does encode
	}
	c.to, c.open, c.echoed, c.group = group[0].to, true, false, group
	c.sentAt, c.firstAt, c.deadline = now, 0, now+c.timeout.limit()
	c.tp = tpReceiver{data: c.tp.data}
	f := tpRequest(c.to, payload)
	q.echo = append(q.echo, f)
	q.pace.spend(now)
	q.state.Sent++
	return &f
}
