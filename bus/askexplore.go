package bus

import (
	"fmt"
	"slices"
	"strings"
)

// supports is what a controller says that it can be asked for: the bitmaps of
// parameters 0x00, 0x20 … 0xE0 of SAE J1979 / ISO 15031-5, each of which says in
// its last bit whether the next one is there. ISO 27145 has the same under the
// identifiers 0xF400 + parameter of service 0x22.
type supports struct {
	service uint8 // 0 while nothing is known
	bits    [32]byte
}

func (s *supports) has(parameter uint16) bool {
	p := parameter & 0xFF
	return s.service != 0 && p > 0 && s.bits[(p-1)/8]>>(7-(p-1)%8)&1 != 0
}

// explorer finds the controllers that answer everybody's request, and what they
// support.
type explorer struct {
	wanted  bool
	done    bool
	at      int    // of ways
	next    Micros // when the next way is tried
	until   Micros // answers to everybody's request are waited for until then
	sentAt  Micros
	backoff Micros
}

// ways are how everybody can be asked, in the order of ISO 15765-4's own
// initialisation; then ISO 27145's.
var ways = [...]struct {
	to      uint32
	service uint8
}{
	{functional11, serviceCurrent}, {functional29, serviceCurrent},
	{functional11, serviceRead}, {functional29, serviceRead},
}

// exploreWait is how long controllers may take to answer everybody: P2 of 50
// ms, and as much again for each of a few that answer one after the other.
const exploreWait = 300_000

// exploreTime is enough for all bitmaps of a few controllers.
const exploreTime = 10 * Second

// read22 is where ISO 27145 has the parameters of SAE J1979.
const read22 = 0xF400

func parameterOf(service uint8, pid uint16) uint16 {
	if service == serviceRead {
		return read22 | pid
	}
	return pid
}

// step sends everybody's request, or closes what it led to.
func (e *explorer) step(q *inquiry, now Micros) *Frame {
	if !e.wanted || e.done || now < e.until || now < e.next {
		return nil
	}
	if e.sentAt > 0 {
		if slices.ContainsFunc(q.controllers, func(c *controller) bool { return c.service != 0 }) {
			e.settle(q, now)
			return nil
		}
		if e.at++; e.at == len(ways) {
			e.at, e.sentAt = 0, 0
			e.backoff = min(max(2*e.backoff, 2*Second), longestBackoff)
			e.next = now + e.backoff
			q.state.Found = "nobody answers the standard's requests: is the ignition on?"
			return nil
		}
	}
	way := ways[e.at]
	payload, err := encodeRequest(way.service, parameterOf(way.service, 0))
	if err != nil {
		return nil
	}
	f := tpRequest(way.to, payload)
	q.echo = append(q.echo, f)
	q.pace.spend(now)
	q.state.Sent++
	e.sentAt, e.until = now, now+exploreWait
	return &f
}

// underWay reports whether some ways have been tried and others not yet: a probe
// tries all, or a vehicle that knows only the last would wait for four.
func (e *explorer) underWay() bool { return e.wanted && !e.done && e.sentAt > 0 }

// hears reports whether a frame answers everybody's request.
func (e *explorer) hears(f *Frame) bool {
	if e.until == 0 || f.At >= e.until+exploreWait || e.done || !answersSomething(f) {
		return false
	}
	if _, ok := requestTo(f.ID); !ok || f.Data[0]>>4 != tpSingle {
		return false
	}
	way := ways[e.at]
	b := f.Data[1 : 1+f.Data[0]]
	x := question{service: way.service, parameter: parameterOf(way.service, 0)}
	return answers(b, []*question{&x}) && len(b) >= 1+x.width()+4
}

// found takes a controller that answered everybody's request.
func (q *inquiry) found(f *Frame) *Frame {
	way := ways[q.explore.at]
	c := q.controller(f.ID)
	c.service = way.service
	if !c.open {
		c.sentAt = q.explore.sentAt
	}
	q.awake(f.At)
	c.timeout.add(f.At - q.explore.sentAt)
	q.state.Answered++
	x := &question{service: way.service, parameter: parameterOf(way.service, 0), from: c.from}
	x.to, _ = requestTo(c.from)
	q.explore.bitmap(c, x, f.Data[1+1+x.width():][:4])
	q.explore.follow(q, c, x, f.At)
	return nil
}

// awake notes that the vehicle answers: the ignition is on, and there is time to ask
// what there is, engine or not.
func (q *inquiry) awake(at Micros) { q.engineAt = max(q.engineAt, at-q.opt.EngineOff+exploreTime) }

// bitmap keeps one bitmap of a controller.
func (e *explorer) bitmap(c *controller, x *question, b []byte) {
	if len(b) >= 4 {
		copy(c.bits[(x.parameter&0xFF)/8:], b[:4])
	}
}

// follow asks for the next bitmap where there is one.
func (e *explorer) follow(q *inquiry, c *controller, x *question, now Micros) {
	next := x.parameter&0xFF + 0x20
	if next > 0xE0 || !c.has(next) {
		return
	}
	to, _ := requestTo(c.from)
	q.questions = append(q.questions, &question{request: bitmapRequest, service: c.service,
		parameter: parameterOf(c.service, next), to: to, from: c.from, due: now, once: true, solo: true})
}

// settle gives each standard request to the controller that supports it, once
// all bitmaps are known: the gear to one that is not the engine's where there is
// one, everything else to the lowest address, which is the engine's (ISO
// 15765-4), so that the speeds come in one answer.
func (e *explorer) settle(q *inquiry, now Micros) {
	for _, x := range q.questions {
		if x.request == bitmapRequest {
			return // still under way
		}
	}
	var able []*controller
	for _, c := range q.controllers {
		if c.service != 0 {
			able = append(able, c)
		}
	}
	slices.SortFunc(able, func(a, b *controller) int { return int(int64(a.from) - int64(b.from)) })
	taken := 0
	groups := map[string]string{}
	for _, x := range q.questions {
		if !x.waiting {
			continue
		}
		r := &q.opt.Requests[x.request]
		if name := groups[r.Instead]; name != "" {
			x.says = "not needed beside " + name
			continue
		}
		c := supporter(able, x.parameter)
		if c == nil {
			x.says = "this vehicle does not support it"
			continue
		}
		if r.Instead != "" {
			groups[r.Instead] = r.Name
		}
		x.waiting, x.says, x.due = false, "", now
		x.service, x.parameter, x.from = c.service, parameterOf(c.service, x.parameter&0xFF), c.from
		x.to, _ = requestTo(c.from)
		taken++
	}
	var names []string
	for _, c := range able {
		names = append(names, fmt.Sprintf("0x%X", c.from))
	}
	q.state.Found = fmt.Sprintf("%d of the standard's values are taken, from %s", taken, strings.Join(names, ", "))
	e.done = taken > 0
	if !e.done {
		q.state.Found = strings.Join(names, ", ") + " answers, and supports none of the values that serve"
		e.at, e.sentAt, e.next = 0, 0, now+longestBackoff
	}
}

// actualGear is the parameter that is best had from the transmission.
const actualGear = 0xA4

// supporter is the controller to ask for a parameter, nil where none has it.
func supporter(able []*controller, parameter uint16) *controller {
	var found *controller
	for _, c := range able {
		if c.has(parameter) && (found == nil || parameter&0xFF == actualGear) {
			found = c
		}
	}
	return found
}
