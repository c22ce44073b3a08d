package bus

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"

	"joltwatch/cmd/develop/lot"
)

// ecu answers requests as ISO 15765-2 and the service's standard say.
type ecu struct {
	from   uint32
	values map[string]string // request payload to answer payload
	queue  []Frame           // consecutive frames that wait for flow control
	// answer, where set, comes before values; an empty string is no answer.
	answer func(payload string) (string, bool)
	// takes is how long an answer takes, in the lab; functional: it answers
	// everybody's requests too.
	takes      func() Micros
	functional bool
}

func (c *ecu) frames(a string) []Frame {
	frame := func(b ...byte) Frame {
		x := Frame{ID: c.from, Len: 8}
		if c.from > idMask11 {
			x.Flags = Extended
		}
		copy(x.Data[:8], b)
		return x
	}
	if len(a) < 8 {
		return []Frame{frame(append([]byte{byte(len(a))}, a...)...)}
	}
	out := []Frame{frame(append([]byte{0x10 | byte(len(a)>>8), byte(len(a))}, a[:6]...)...)}
	for i, n := 6, 1; i < len(a); i, n = i+7, n+1 {
		out = append(out, frame(append([]byte{0x20 | byte(n&15)}, a[i:min(i+7, len(a))]...)...))
	}
	return out
}

func (c *ecu) take(f *Frame) (answers []Frame) {
	switch f.Data[0] >> 4 {
	case tpFlow:
		answers, c.queue = c.queue, nil
	case tpSingle:
		payload := string(f.Data[1 : 1+f.Data[0]])
		a, ok := "", false
		if c.answer != nil {
			a, ok = c.answer(payload)
		}
		if !ok {
			a, ok = c.values[payload]
		}
		if !ok || a == "" {
			return nil
		}
		all := c.frames(a)
		answers, c.queue = all[:1], all[1:]
	}
	return answers
}

// lab is a bus with controllers, in simulated time.
type lab struct {
	q       *inquiry
	ecus    map[uint32]*ecu // by the identifier that reaches each
	now     Micros
	coming  []Frame
	sent    []Frame
	answers []Frame
	deaf    bool // the bus shows no echo
}

func newLab(t testing.TB, opt AskOptions) *lab {
	t.Helper()
	q, err := newInquiry(opt)
	if err != nil {
		t.Fatal(err)
	}
	return &lab{q: q, ecus: map[uint32]*ecu{}, now: Second}
}

// put lets the bus carry a frame now.
func (l *lab) put(f Frame) {
	f.At = l.now
	flow := l.q.hear(&f)
	l.answers = append(l.answers, l.q.out...)
	l.q.out = l.q.out[:0]
	if flow != nil {
		l.transmit(*flow)
	}
}

func (l *lab) transmit(f Frame) {
	f.At = l.now
	l.sent = append(l.sent, f)
	if !l.deaf {
		l.put(f)
	}
	for to, c := range l.ecus {
		if to != f.ID && !(c.functional && isFunctional(f.ID) && (f.ID > idMask11) == (to > idMask11)) {
			continue
		}
		at := l.now
		if c.takes != nil && f.Data[0]>>4 == tpSingle {
			at += c.takes()
		}
		for _, a := range c.take(&f) {
			at += 300 // a frame at 500 kbit/s, and a pause
			a.At = at
			l.coming = append(l.coming, a)
		}
	}
	sort.SliceStable(l.coming, func(i, j int) bool { return l.coming[i].At < l.coming[j].At })
}

func (l *lab) run(d Micros) {
	for end := l.now + d; l.now < end; {
		if len(l.coming) > 0 && l.coming[0].At <= l.now {
			f := l.coming[0]
			l.coming = l.coming[1:]
			l.put(f)
			continue
		}
		f, wait := l.q.next(l.now)
		if f != nil {
			l.transmit(*f)
			continue
		}
		wait = max(wait, 200)
		if len(l.coming) > 0 {
			wait = min(wait, max(l.coming[0].At-l.now, 1))
		}
		l.now += wait
	}
}

// most is the highest number of requests in any span of that length.
func (l *lab) most(span Micros) (most int) {
	var at []Micros
	for _, f := range l.sent {
		if f.Data[0]>>4 == tpSingle {
			at = append(at, f.At)
		}
	}
	for i, j := 0, 0; j < len(at); j++ {
		for at[j]-at[i] >= span {
			i++
		}
		most = max(most, j-i+1)
	}
	return most
}

// count says how often each request was answered since a time.
func (l *lab) count(since Micros) []int {
	n := make([]int, len(l.q.opt.Requests))
	for _, a := range l.answers {
		if a.At >= since {
			n[a.ID]++
		}
	}
	return n
}

// engineECU answers service 01 in groups, with two speeds, pedal and more, and
// says which it supports.
func engineECU() *ecu {
	sizes := map[byte]string{0x04: "\x80", 0x05: "\x7B", 0x0C: "\x1A\xF8", 0x0D: "\x32", 0x42: "\x36\xB0", 0x49: "\x40", 0x62: "\x9B", 0x63: "\x01\x90"}
	bits := map[byte][4]byte{}
	for p := range sizes {
		b := bits[(p-1)/32*32]
		b[(p-1)%32/8] |= 0x80 >> ((p - 1) % 8)
		bits[(p-1)/32*32] = b
	}
	for _, p := range []byte{0x00, 0x20, 0x40} {
		b := bits[p]
		if p < 0x60 {
			b[3] |= 1
		}
		bits[p] = b
	}
	return &ecu{from: 0x7E8, functional: true, answer: func(payload string) (string, bool) {
		if payload[0] != 1 {
			return "", true
		}
		a := "\x41"
		for _, p := range []byte(payload[1:]) {
			if b, ok := bits[p]; ok && p%32 == 0 {
				a += string([]byte{p}) + string(b[:])
			} else if v, ok := sizes[p]; ok {
				a += string([]byte{p}) + v
			}
		}
		if len(a) == 1 {
			return "", true // not supported: no answer to everybody's request
		}
		return a, true
	}}
}

var standardRequests = []Request{
	{Name: "engine_speed", Service: 1, Parameter: 0x0C, Size: 2, Wakes: true, Standard: true},
	{Name: "vehicle_speed", Service: 1, Parameter: 0x0D, Size: 1, Standard: true},
	{Name: "accelerator", Service: 1, Parameter: 0x49, Size: 1, Urgency: Driving, Standard: true},
	{Name: "torque", Service: 1, Parameter: 0x62, Size: 1, Urgency: Driving, Standard: true},
	{Name: "supply", Service: 1, Parameter: 0x42, Size: 2, Urgency: Slow, Wakes: true, Standard: true},
	{Name: "gear", Service: 1, Parameter: 0xA4, Size: 4, Urgency: Driving, Standard: true},
}

// Explored, then asked: both speeds in each answer, at 15 Hz and more while the
// vehicle slows, with controllers that take 10 to 40 ms, within mean and burst.
func TestAskTwoSpeedsWhileStopping(t *testing.T) {
	for _, deaf := range []bool{false, true} {
		rng := lot.Draw(t, 7, 8)
		l := newLab(t, AskOptions{Requests: standardRequests})
		l.deaf = deaf
		e := engineECU()
		e.takes = func() Micros { return 10_000 + Micros(rng.IntN(30_000)) }
		l.ecus[0x7E0] = e
		l.run(3 * Second)
		if s := l.q.look(l.now); s.Found == "" || s.Values[5].Says != "this vehicle does not support it" {
			t.Fatalf("%+v", s)
		}
		cruise := l.now
		l.run(30 * Second)
		n := l.count(cruise)
		if n[0] < 120 || n[1] != n[0] || n[2] < 50 || n[3] < 50 || n[4] < 5 || n[5] != 0 {
			t.Errorf("answers in 30 s of cruise: %v", n)
		}
		cruised := len(l.sent)
		slows := l.now
		for kmh := 50.0; kmh >= 0; kmh-- {
			l.q.drive.speed(l.now, kmh)
			l.q.engine(l.now, 700)
			l.run(Second / 5)
		}
		secs := (l.now - slows).Seconds()
		n = l.count(slows)
		for i := range 2 {
			if hz := float64(n[i]) / secs; hz < 15 {
				t.Errorf("deaf %v: value %d at %.1f Hz while stopping", deaf, i, hz)
			}
		}
		if n[2] < 5 {
			t.Errorf("the pedal was answered %d times in %.0f s: it would go stale", n[2], secs)
		}
		// Both in one answer: of one instant.
		var at [2][]Micros
		for _, a := range l.answers {
			if a.ID < 2 && a.At >= slows {
				at[a.ID] = append(at[a.ID], a.At)
				if a.Early < 10_000 || a.Early > 45_000 {
					t.Fatalf("uncertain by %d µs", a.Early)
				}
			}
		}
		if !slices.Equal(at[0], at[1]) {
			t.Error("the speeds are not of the same instants")
		}
		if m := l.most(Second); m > 20 {
			t.Errorf("%d requests in one second; the burst is 20", m)
		}
		t.Logf("deaf %v: %.1f and %.1f Hz while stopping for %.1f s, %d requests in 30 s of cruise", deaf, float64(n[0])/secs, float64(n[1])/secs, secs, cruised)
	}
}

// Mean and burst hold whatever the periods ask for and however the vehicle is
// driven.
func TestAskPace(t *testing.T) {
	var requests []Request
	values := map[string]string{}
	for i := range 20 {
		requests = append(requests, Request{Name: fmt.Sprint(i), Service: 1, Parameter: uint16(i), Period: 1})
		values[string([]byte{1, byte(i)})] = string([]byte{0x41, byte(i), 0})
	}
	for _, opt := range []AskOptions{{Mean: 7}, {Mean: 7, Burst: 7}, {Mean: 10, Burst: 30}} {
		opt.Requests = requests
		l := newLab(t, opt)
		l.ecus[0x7E0] = &ecu{from: 0x7E8, values: values}
		burst := l.q.opt.Burst
		for kmh := 50.0; l.now < 120*Second; kmh = 50 - kmh {
			l.q.drive.speed(l.now, kmh)
			l.q.engine(l.now, 700)
			l.run(3 * Second)
		}
		if n := l.most(Second); n > burst {
			t.Errorf("%d in one second; the burst is %d", n, burst)
		}
		if n, want := l.most(60*Second), opt.Mean*(60+savedSeconds); n > want || n < 30*opt.Mean {
			t.Errorf("%d in a minute; the mean allows %d", n, want)
		}
		if n := len(l.sent); Micros(n)*Second > Micros(opt.Mean)*(l.now+5*Second) {
			t.Errorf("%d in two minutes of %d a second", n, opt.Mean)
		}
	}
}

func TestAskedValues(t *testing.T) {
	long := strings.Repeat("x", 17) + "end"
	l := newLab(t, AskOptions{Bus: 4, Requests: []Request{
		{Name: "rpm", Service: 0x01, Parameter: 0x0C, Period: Second / 2},
		{Name: "block", Service: 0x22, Parameter: 0xF190, Period: Second},
		{Name: "wide", Service: 0x22, Parameter: 0x1234, RequestID: 0x18DA10F1, Period: Second},
		{Name: "everybody", Service: 0x22, Parameter: 0xF191, RequestID: 0x7DF, AnswerID: 0x7EA, Period: Second},
	}})
	l.ecus[0x7E0] = &ecu{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8", "\x22\xF1\x90": "\x62\xF1\x90" + long}}
	l.ecus[0x7E2] = &ecu{from: 0x7EA, functional: true, values: map[string]string{"\x22\xF1\x91": "\x62\xF1\x91" + long}}
	l.ecus[0x18DA10F1] = &ecu{from: 0x18DAF110, values: map[string]string{"\x22\x12\x34": "\x62\x12\x34\x01"}}
	l.run(5 * Second)
	want := []string{"\x1A\xF8", long, "\x01", long}
	for _, a := range l.answers {
		if got := string(a.Data[:a.Len]); got != want[a.ID] || a.Kind != Answer || a.Bus != 4 || a.Early == 0 || a.Early > 2000 {
			t.Fatalf("%+v is not %q", a, want[a.ID])
		}
	}
	if n := l.count(0); n[0] < 8 || n[0] > 11 || n[1] < 4 || n[1] > 6 || n[2] < 4 || n[2] > 6 || n[3] < 4 || n[3] > 6 {
		t.Errorf("answers in 5 s: %v", n)
	}
	if s := l.q.state; s.Refused+s.Unanswered+s.Foreign != 0 || s.Silent != "" {
		t.Errorf("%+v", s)
	}
	for _, f := range l.sent {
		if f.Data[0]>>4 == tpFlow && isFunctional(f.ID) {
			t.Errorf("a flow control to everybody: %+v", f)
		}
	}
}

// Identifiers of service 22 are asked alone until their sizes are known, then
// together; where a controller refuses that, alone.
func TestAskSeveralIdentifiers(t *testing.T) {
	sizes := map[string]string{"\x19\x40": "\x01\x02", "\x19\x41": "\x03", "\x19\x42": "\x04\x05\x06\x07"}
	for _, way := range []string{"together", "refused", "silent", "first only"} {
		var requests []Request
		for _, id := range []uint16{0x1940, 0x1941, 0x1942} {
			requests = append(requests, Request{Name: fmt.Sprint(id), Service: 0x22, Parameter: id})
		}
		l := newLab(t, AskOptions{Requests: requests})
		together := 0
		l.ecus[0x7E0] = &ecu{from: 0x7E8, takes: func() Micros { return 15_000 }, answer: func(p string) (string, bool) {
			ids := len(p) / 2
			if ids > 1 {
				together++
				switch way {
				case "refused":
					return "\x7F\x22\x13", true
				case "silent":
					return "", true
				case "first only":
					ids = 1
				}
			}
			a := "\x62"
			for i := range ids {
				id := p[1+2*i : 3+2*i]
				a += id + sizes[id]
			}
			return a, true
		}}
		l.run(20 * Second)
		for _, a := range l.answers {
			id := string([]byte{0x19, 0x40 + byte(a.ID)})
			if string(a.Data[:a.Len]) != sizes[id] {
				t.Fatalf("%s: %+v", way, a)
			}
		}
		n := l.count(10 * Second)
		for i := range n {
			if n[i] < 15 {
				t.Errorf("%s: answers in 10 s: %v", way, n)
			}
		}
		if way == "together" && together < 80 || way != "together" && together > 8 {
			t.Errorf("%s: asked %d times together", way, together)
		}
	}
}

func TestAskBacksOff(t *testing.T) {
	tests := []struct {
		name, answer string
		least, most  int // requests in five minutes
	}{
		{"not supported", "\x7F\x01\x12", 2, 8},
		{"out of range", "\x7F\x01\x31", 2, 8},
		{"silent", "", 20, 40},
		{"other parameter", "\x41\x0D\x00", 20, 40},
		{"busy", "\x7F\x01\x21", 500, 3100},
	}
	for _, tt := range tests {
		l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C, Period: 100_000}}, EngineOff: 3600 * Second})
		values := map[string]string{}
		if tt.answer != "" {
			values["\x01\x0C"] = tt.answer
		}
		l.ecus[0x7E0] = &ecu{from: 0x7E8, values: values}
		l.run(300 * Second)
		if n := len(l.sent); n < tt.least || n > tt.most {
			t.Errorf("%s: asked %d times in 5 minutes", tt.name, n)
		}
		if len(l.answers) > 0 {
			t.Errorf("%s: answers %v", tt.name, l.answers)
		}
		if s := l.q.look(l.now); s.Values[0].Says == "" {
			t.Errorf("%s: nothing says why there is no answer", tt.name)
		}
	}
}

// Busy once in a while costs a tenth of a second, not more and more.
func TestAskBusyNowAndThen(t *testing.T) {
	l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C}}})
	i := 0
	l.ecus[0x7E0] = &ecu{from: 0x7E8, answer: func(string) (string, bool) {
		if i++; i%4 == 0 {
			return "\x7F\x01\x21", true
		}
		return "\x41\x0C\x1A\xF8", true
	}}
	l.run(30 * Second)
	gap := Micros(0)
	for i := 1; i < len(l.answers); i++ {
		gap = max(gap, l.answers[i].At-l.answers[i-1].At)
	}
	if gap > 400_000 || len(l.answers) < 100 {
		t.Errorf("%d answers, the longest gap %d µs", len(l.answers), gap)
	}
}

// A controller that needs longer says so, and is not asked again meanwhile; the
// others are.
func TestAskWaitsWhilePending(t *testing.T) {
	l := newLab(t, AskOptions{Requests: []Request{
		{Name: "rpm", Service: 1, Parameter: 0x0C, Period: 100_000},
		{Name: "gearbox", Service: 0x22, Parameter: 0x1940, RequestID: 0x7E1},
	}})
	l.ecus[0x7E0] = &ecu{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x7F\x01\x78"}}
	l.ecus[0x7E1] = &ecu{from: 0x7E9, values: map[string]string{"\x22\x19\x40": "\x62\x19\x40\x00\x01"}}
	l.run(2 * Second)
	n := map[uint32]int{}
	for _, f := range l.sent {
		n[f.ID]++
	}
	if n[0x7E0] != 1 || n[0x7E1] < 8 || l.count(0)[1] < 8 {
		t.Fatalf("requests while one is pending: %v, answers %v", n, l.count(0))
	}
	l.put(data(0, 0x7E8, 0, 4, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0))
	if last := l.answers[len(l.answers)-1]; last.ID != 0 || last.Early < uint32(Second) {
		t.Errorf("%+v", last)
	}
}

// Each controller's answer time is learned; an answer that comes after the next
// request is out still counts, as old as it is.
func TestAskLateAnswers(t *testing.T) {
	l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C, Period: 100_000}, {Name: "kmh", Service: 1, Parameter: 0x0D, Period: 100_000}}})
	rng := lot.Draw(t, 3, 4)
	l.ecus[0x7E0] = &ecu{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8", "\x01\x0D": "\x41\x0D\x32"},
		takes: func() Micros { return 220_000 + Micros(rng.IntN(80_000)) }}
	l.run(20 * Second)
	if n := l.count(0); n[0]+n[1] < 50 || n[0] < 20 || n[1] < 20 {
		t.Errorf("answers in 20 s from a slow controller: %v; %+v", n, l.q.state)
	}
	for _, a := range l.answers {
		if a.Early < 220_000 || a.Early > 302_000 {
			t.Fatalf("an answer after 220 to 300 ms is uncertain by %d µs", a.Early)
		}
	}
	if s := l.q.state; s.Late == 0 || s.Unanswered > 6 {
		t.Errorf("%+v", s)
	}
}

// An answer to several that comes late, when one of them is asked for alone, is
// not taken for that one's.
func TestAskLateAnswerToSeveral(t *testing.T) {
	l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C, Size: 2}, {Name: "kmh", Service: 1, Parameter: 0x0D, Size: 1}}})
	n := 0
	e := engineECU()
	e.takes = func() Micros {
		if n++; n%20 == 1 {
			return 85_000
		}
		return 30_000
	}
	l.ecus[0x7E0] = e
	l.run(30 * Second)
	for _, a := range l.answers {
		if a.Len != 2-uint8(a.ID) {
			t.Fatalf("%+v", a)
		}
	}
	if c := l.count(20 * Second); c[0] < 45 || c[1] < 45 || l.q.state.Late == 0 {
		t.Errorf("answers in the last 10 s: %v; %+v", c, l.q.state)
	}
}

// A controller that was slow for a while is asked for both speeds at once again.
func TestAskTogetherAfterSlowness(t *testing.T) {
	l := newLab(t, AskOptions{Requests: standardRequests})
	e := engineECU()
	slow := Micros(0)
	e.takes = func() Micros { return 20_000 + slow }
	l.ecus[0x7E0] = e
	l.run(10 * Second)
	for i := range 40 {
		slow = Micros(i%2) * 700_000
		l.run(Second / 2)
	}
	slow = 0
	l.run(5 * Second)
	since := l.now
	l.run(10 * Second)
	at := map[Micros]int{}
	for _, a := range l.answers {
		if a.ID < 2 && a.At >= since {
			at[a.At]++
		}
	}
	together := 0
	for _, n := range at {
		together += n / 2
	}
	if together < 45 || together < len(at) {
		t.Errorf("%d of %d answers hold both speeds; %+v", together, len(at), l.q.state)
	}
}

func TestAskIsSilentForOthers(t *testing.T) {
	foreign := map[string]Frame{
		"functional":     data(0, 0x7DF, 0, 2, 1, 0, 0, 0, 0, 0, 0),
		"to the gearbox": data(0, 0x7E1, 0, 2, 1, 0x0D, 0, 0, 0, 0, 0),
		"our own id":     data(0, 0x7E0, 0, 2, 0x10, 0x03, 0, 0, 0, 0, 0),
		"29 bits":        data(0, 0x18DB33F1, Extended, 2, 1, 0, 0, 0, 0, 0, 0),
		"29 bits, one":   data(0, 0x18DA10F1, Extended, 2, 1, 0, 0, 0, 0, 0, 0),
	}
	for name, f := range foreign {
		l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C}}, TesterSilence: 20 * Second, EngineOff: 3600 * Second})
		l.ecus[0x7E0] = &ecu{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8"}}
		l.run(2 * Second)
		before := len(l.sent)
		l.put(f)
		l.run(19 * Second)
		says := l.q.state.Silent
		if before == 0 || len(l.sent) != before || l.q.state.Foreign != 1 ||
			l.q.state.Pause != PauseTester || !strings.Contains(says, "another tester is on the bus") || !strings.Contains(says, fmt.Sprintf("0x%03X: %02X", f.ID, f.Data[0])) {
			t.Errorf("%s: %d requests before, %d after; %+v", name, before, len(l.sent)-before, l.q.state)
		}
		l.run(3 * Second)
		if len(l.sent) == before {
			t.Errorf("%s: silent for ever", name)
		}
	}
	// An answer to nobody's question is another tester's too.
	l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C}}})
	l.put(data(0, 0x7E8, 0, 3, 0x41, 0x0D, 0, 0, 0, 0, 0))
	l.run(Second)
	if len(l.sent) != 0 {
		t.Error("asked although another tester's answer was heard")
	}
}

// What a vehicle's own units put on testers' identifiers is no tester: answers,
// and what is no message of the transport layer.
func TestAskOwnUnitsAreNoTester(t *testing.T) {
	own := map[string]Frame{
		"an answer on 7DF":   data(0, 0x7DF, 0, 3, 0x41, 0x0C, 0, 0, 0, 0, 0),
		"a refusal on 7E1":   data(0, 0x7E1, 0, 3, 0x7F, 0x01, 0x11, 0, 0, 0, 0),
		"a counter":          data(0, 0x7DF, 0, 0xF1, 2, 3, 4, 5, 6, 7, 8),
		"nothing":            data(0, 0x7DF, 0),
		"too long":           data(0, 0x7E3, 0, 9, 1, 0, 0, 0, 0, 0, 0),
		"a counter from 7EA": data(0, 0x7EA, 0, 0xF1, 2, 3, 4, 5, 6, 7, 8),
	}
	for name, f := range own {
		l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C}}})
		l.ecus[0x7E0] = &ecu{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8"}}
		for range 50 {
			l.put(f)
			l.run(Second / 10)
		}
		if n := l.count(0)[0]; n < 20 || l.q.state.Foreign != 0 {
			t.Errorf("%s: %d answers in 5 s; %+v", name, n, l.q.state)
		}
	}
}

// A supply that was low, or an engine that was off, wakes it again although
// both are known by asking only; meanwhile it asks seldom, and for those only.
func TestAskWakes(t *testing.T) {
	l := newLab(t, AskOptions{Requests: []Request{
		{Name: "rpm", Service: 1, Parameter: 0x0C, Size: 2, Wakes: true},
		{Name: "volts", Service: 1, Parameter: 0x42, Size: 2, Wakes: true, Urgency: Slow},
		{Name: "kmh", Service: 1, Parameter: 0x0D, Size: 1},
	}, MinVoltage: 12, EngineOff: 30 * Second})
	rpm, volts := 0, 12.5
	e := &ecu{from: 0x7E8, answer: func(p string) (string, bool) {
		a := "\x41"
		for _, c := range []byte(p[1:]) {
			switch c {
			case 0x0C:
				a += string([]byte{c, byte(rpm * 4 >> 8), byte(rpm * 4)})
			case 0x42:
				a += string([]byte{c, byte(int(volts*1000) >> 8), byte(int(volts * 1000))})
			case 0x0D:
				a += string([]byte{c, 0})
			}
		}
		return a, true
	}}
	l.ecus[0x7E0] = e
	// The line tells what the answers say.
	run := func(d Micros) (sent int) {
		before := len(l.sent)
		for end := l.now + d; l.now < end; {
			n := len(l.answers)
			l.run(Second / 10)
			for _, a := range l.answers[n:] {
				v := int(a.Data[0])<<8 | int(a.Data[1])
				switch a.ID {
				case 0:
					l.q.engine(a.At, float64(v)/4)
				case 1:
					l.q.supply(float64(v) / 1000)
				}
			}
		}
		for _, f := range l.sent[before:] {
			if f.Data[0]>>4 == tpSingle {
				sent++
			}
		}
		return sent
	}
	run(40 * Second)
	if n := run(300 * Second); n < 15 || n > 25 || !strings.Contains(l.q.state.Silent, "the engine has been off; ") || l.q.state.Pause != PauseEngineOff {
		t.Errorf("%d requests in 5 minutes with the engine off; %q", n, l.q.state.Silent)
	}
	rpm = 700
	if n := run(30 * Second); n < 60 || l.q.state.Silent != "" || l.q.state.Pause != 0 {
		t.Errorf("%d requests after the engine was started; %q", n, l.q.state.Silent)
	}
	volts = 11.5
	run(20 * Second)
	before := len(l.sent)
	if n := run(300 * Second); n < 4 || n > 8 || !strings.Contains(l.q.state.Silent, "the supply is at 11.5 V") || l.q.state.Pause != PauseSupply {
		t.Errorf("%d requests in 5 minutes at 11.5 V; %q", n, l.q.state.Silent)
	}
	for _, f := range l.sent[before:] {
		if f.Data[1] == 1 && slices.Contains(f.Data[2:1+f.Data[0]], 0x0D) {
			t.Errorf("asked for the road speed at 11.5 V: %+v", f)
		}
	}
	volts = 12.2 // on the way up: not yet
	run(70 * Second)
	if l.q.state.Silent == "" {
		t.Error("asked at 12.2 V on the way up")
	}
	volts = 13.9
	if n := run(90 * Second); n < 60 || l.q.state.Silent != "" {
		t.Errorf("%d requests after the supply came back; %q", n, l.q.state.Silent)
	}
}

// Bus traffic that starts again is a start of the engine, perhaps.
func TestAskWakesWithTheBus(t *testing.T) {
	var heard uint64
	l := newLab(t, AskOptions{Requests: []Request{{Name: "x", Service: 1, Parameter: 0x0D}}, EngineOff: 30 * Second, Heard: func() uint64 { return heard }})
	l.run(60 * Second)
	before := len(l.sent)
	l.run(60 * Second)
	if len(l.sent) != before {
		t.Error("asked with the engine off, and nothing to wake it by")
	}
	heard++
	l.run(2 * Second)
	if len(l.sent) == before {
		t.Error("nothing asked after the bus woke")
	}
}

// newECU is the engine's controller as ISO 27145 has it.
func newECU() *ecu {
	older := engineECU()
	return &ecu{from: 0x18DAF110, functional: true, answer: func(p string) (string, bool) {
		if p[0] != serviceRead {
			return "", true
		}
		a := "\x62"
		for i := 1; i+1 < len(p); i += 2 {
			if x, _ := older.answer("\x01" + p[i+1:i+2]); x != "" {
				a += p[i:i+1] + x[1:]
			}
		}
		if len(a) == 1 {
			return "", true
		}
		return a, true
	}}
}

// What is supported is asked for of the standard's ways, in 11 and 29 bits and
// by ISO 27145, of several controllers.
func TestAskExplores(t *testing.T) {
	engine, gearbox := engineECU(), engineECU()
	gearbox.from = 0x7E9
	gearbox.answer = func(p string) (string, bool) {
		return map[string]string{"\x01\x00": "\x41\x00\x00\x08\x00\x01", "\x01\x20": "\x41\x20\x00\x00\x00\x01", "\x01\x40": "\x41\x40\x00\x00\x00\x01",
			"\x01\x60": "\x41\x60\x00\x00\x00\x01", "\x01\x80": "\x41\x80\x00\x00\x00\x01", "\x01\xA0": "\x41\xA0\x10\x00\x00\x00",
			"\x01\xA4": "\x41\xA4\x03\x30\x07\x80", "\x01\x0D": "\x41\x0D\x31"}[p], true
	}
	wide := engineECU()
	wide.from = 0x18DAF110
	newer := newECU()
	for name, ecus := range map[string]map[uint32]*ecu{
		"one": {0x7E0: engine}, "two": {0x7E0: engine, 0x7E1: gearbox}, "29 bits": {0x18DA10F1: wide}, "ISO 27145": {0x18DA10F1: newer},
	} {
		l := newLab(t, AskOptions{Requests: standardRequests})
		l.ecus = ecus
		l.run(10 * Second)
		n := l.count(5 * Second)
		s := l.q.look(l.now)
		if n[0] < 20 || n[1] < 20 || n[2] < 8 {
			t.Errorf("%s: answers in 5 s: %v; %+v", name, n, s)
		}
		if name == "two" && (n[5] < 8 || s.Values[5].From != 0x7E9 || s.Values[1].From != 0x7E8) {
			t.Errorf("%s: %+v", name, s)
		}
		if name != "two" && n[5] != 0 {
			t.Errorf("%s: a gear from nowhere", name)
		}
	}
	// Nobody there: it says so, and tries seldom.
	l := newLab(t, AskOptions{Requests: standardRequests, EngineOff: 3600 * Second})
	l.run(120 * Second)
	if n := len(l.sent); n < 20 || n > 80 || !strings.Contains(l.q.state.Found, "ignition") {
		t.Errorf("%d requests to nobody; %q", n, l.q.state.Found)
	}
	l.ecus[0x7E0] = engine
	l.run(25 * Second)
	if l.count(0)[0] == 0 {
		t.Error("not found once it was there")
	}
}

// A vehicle whose ignition comes on long after is found at the next probe, whatever
// the way it is asked in; until then the probes stay few.
func TestAskExploresAtEachProbe(t *testing.T) {
	for i, way := range ways {
		l := newLab(t, AskOptions{Requests: standardRequests})
		l.run(1000 * Second)
		before := len(l.sent)
		l.run(600 * Second)
		if n := len(l.sent) - before; n > 4*11 || n == 0 {
			t.Errorf("%d requests in 10 minutes of a vehicle that does not answer", n)
		}
		to, e := uint32(0x7E0), engineECU()
		if way.service == serviceRead {
			e = newECU()
		}
		if e.from = 0x7E8; way.to == functional29 {
			to, e.from = 0x18DA10F1, 0x18DAF110
		}
		l.ecus[to] = e
		began := l.now
		for range 65 {
			// Parameter groups of SAE J1939 beside it, a request and its
			// acknowledgement among them, are no tester's and no answers.
			l.put(data(0, 0x0CF00400, Extended, 0x62, 0x41, 0, 0, 0x18, 0, 0, 1))
			l.put(data(0, 0x18EAFF03, Extended, 0xEC, 0xFE, 0))
			l.put(data(0, 0x18E8FF00, Extended, 1, 0xFF, 0xFF, 0xFF, 3, 0xEC, 0xFE, 0))
			l.run(Second)
		}
		if n := l.count(began); n[0] == 0 || n[1] == 0 || l.q.state.Foreign > 0 {
			t.Errorf("way %d: answers in 65 s: %v; %+v", i, n, l.q.state)
		}
	}
}

// Nothing goes stale by the schedule's own doing: a value's longest pause, while
// what tells the coupling has the budget, is at most three of its usual
// intervals. Readers take a value that misses three in a row as stale.
func TestAskWaitsAreNoStaleness(t *testing.T) {
	rng := lot.Draw(t, 5, 9)
	l := newLab(t, AskOptions{Requests: standardRequests})
	e := engineECU()
	e.takes = func() Micros { return 10_000 + Micros(rng.IntN(30_000)) }
	l.ecus[0x7E0] = e
	kmh := func(from, to float64, d Micros) {
		for began := l.now; l.now < began+d; {
			l.q.drive.speed(l.now, from+(to-from)*float64(l.now-began)/float64(d))
			l.q.engine(l.now, 700)
			l.run(Second / 5)
		}
	}
	kmh(50, 50, 60*Second)
	cruised, counts := l.now, l.count(20*Second)
	for range 3 {
		kmh(50, 0, 15*Second)
		kmh(0, 0, 20*Second)
		kmh(0, 50, 10*Second)
		kmh(50, 50, 30*Second)
	}
	last, longest := make([]Micros, len(counts)), make([]Micros, len(counts))
	for _, a := range l.answers {
		if last[a.ID] >= cruised-10*Second {
			longest[a.ID] = max(longest[a.ID], a.At-last[a.ID])
		}
		last[a.ID] = a.At
	}
	for i, n := range counts[:5] {
		usual := (cruised - 20*Second) / Micros(max(n, 1))
		t.Logf("%s: usually every %.2f s, the longest pause %.2f s", standardRequests[i].Name, usual.Seconds(), longest[i].Seconds())
		if n == 0 || longest[i] > 3*usual {
			t.Errorf("%s: usually every %.2f s, and not for %.2f s", standardRequests[i].Name, usual.Seconds(), longest[i].Seconds())
		}
	}
}

// The rest waits while the vehicle slows, temperature and voltage too.
func TestAskRestWaits(t *testing.T) {
	l := newLab(t, AskOptions{Requests: standardRequests})
	e := engineECU()
	e.takes = func() Micros { return 20_000 }
	l.ecus[0x7E0] = e
	l.run(30 * Second)
	slows := l.now
	for kmh := 100.0; kmh >= 0; kmh -= 2 {
		l.q.drive.speed(l.now, kmh)
		l.q.engine(l.now, 700)
		l.run(Second / 5)
	}
	if n := l.count(slows); n[2] > 12 || n[3] > 12 || n[4] > 2 {
		t.Errorf("answers in 10 s of slowing: %v", n)
	}
}

// Under load on a grade, the speed steady, what tells the coupling has the
// budget; under the same load on the flat, gaining speed, it has not.
func TestAskClimbs(t *testing.T) {
	for name, tt := range map[string]struct {
		load, gain float64
		fast       bool
	}{"grade": {70, 0, true}, "light": {20, 0, false}, "accelerates": {70, 6, false}} {
		l := newLab(t, AskOptions{Requests: standardRequests})
		e := engineECU()
		e.takes = func() Micros { return 25_000 }
		l.ecus[0x7E0] = e
		l.run(3 * Second)
		l.q.drive.load = tt.load
		began := l.now
		for v := 40.0; l.now < began+10*Second; v += tt.gain / 5 {
			l.q.drive.speed(l.now, v)
			l.q.engine(l.now, 1800)
			l.run(Second / 5)
		}
		if hz := float64(l.count(began)[0]) / 10; (hz >= 15) != tt.fast {
			t.Errorf("%s: %.1f Hz", name, hz)
		}
	}
}

// Parameters of service 01 are asked together, six at most; where a controller
// does not answer that, alone.
func TestAskSeveralParameters(t *testing.T) {
	for _, way := range []string{"together", "refused", "silent", "first only"} {
		var requests []Request
		for i := range 6 {
			requests = append(requests, Request{Name: fmt.Sprint(i), Service: 1, Parameter: uint16(0x10 + i), Size: 1})
		}
		l := newLab(t, AskOptions{Requests: requests})
		together, most := 0, 0
		l.ecus[0x7E0] = &ecu{from: 0x7E8, takes: func() Micros { return 15_000 }, answer: func(p string) (string, bool) {
			ids := []byte(p[1:])
			most = max(most, len(ids))
			if len(ids) > 1 {
				together++
				switch way {
				case "refused":
					return "\x7F\x01\x12", true
				case "silent":
					return "", true
				case "first only":
					ids = ids[:1]
				}
			}
			a := "\x41"
			for _, id := range ids {
				a += string([]byte{id, id})
			}
			return a, true
		}}
		l.run(20 * Second)
		for _, a := range l.answers {
			if a.Len != 1 || a.Data[0] != 0x10+uint8(a.ID) {
				t.Fatalf("%s: %+v", way, a)
			}
		}
		for i, n := range l.count(10 * Second) {
			if n < 12 {
				t.Errorf("%s: value %d answered %d times in 10 s", way, i, n)
			}
		}
		if most != 6 || way == "together" && together < 80 || way != "together" && together > 12 {
			t.Errorf("%s: asked %d times together, at most %d", way, together, most)
		}
	}
}

// The gear is asked of the transmission where the engine's controller has it too.
func TestAskGearOfTransmission(t *testing.T) {
	values := map[string]string{"\x01\x00": "\x41\x00\x00\x18\x00\x01", "\x01\x20": "\x41\x20\x00\x00\x00\x01", "\x01\x40": "\x41\x40\x00\x00\x00\x01",
		"\x01\x60": "\x41\x60\x00\x00\x00\x01", "\x01\x80": "\x41\x80\x00\x00\x00\x01", "\x01\xA0": "\x41\xA0\x10\x00\x00\x00",
		"\x01\xA4": "\x41\xA4\x03\x30\x07\x80", "\x01\x0C": "\x41\x0C\x1A\xF8", "\x01\x0D": "\x41\x0D\x31", "\x01\x0C\x0D": "\x41\x0C\x1A\xF8\x0D\x31"}
	l := newLab(t, AskOptions{Requests: standardRequests})
	l.ecus[0x7E0] = &ecu{from: 0x7E8, functional: true, values: values}
	l.ecus[0x7E1] = &ecu{from: 0x7E9, functional: true, values: values}
	l.run(10 * Second)
	if v := l.q.look(l.now).Values; v[0].From != 0x7E8 || v[1].From != 0x7E8 || v[5].From != 0x7E9 || v[5].Answers == 0 {
		t.Errorf("%+v", v)
	}
}

// Only services that read can be encoded.
func TestOnlyReadingServices(t *testing.T) {
	for service := range 256 {
		payload, err := encodeRequest(uint8(service), 0x0C)
		switch service {
		case 0x01, 0x03, 0x07, 0x22:
			if err != nil || payload[0] != byte(service) {
				t.Errorf("service 0x%02X: %x %v", service, payload, err)
			}
		default:
			if err == nil {
				t.Errorf("service 0x%02X can be encoded", service)
			}
		}
		if _, err := newInquiry(AskOptions{Requests: []Request{{Service: uint8(service)}}}); (err == nil) != (service == 1 || service == 0x22) {
			t.Errorf("service 0x%02X as a request: %v", service, err)
		}
	}
}

// SAE J2012: the first two bits are P, C, B or U, the next two the first digit.
// The second code is the worked example of SAE J1979, P0143 for 01 43 (from
// memory).
func TestTroubleCodes(t *testing.T) {
	var got []Codes
	l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C}}, Codes: func(c Codes) { got = append(got, c) }})
	l.ecus[0x7E0] = &ecu{from: 0x7E8, values: map[string]string{
		"\x01\x0C": "\x41\x0C\x1A\xF8",
		"\x03":     "\x43\x06\x07\x41\x01\x43\x41\x96\xC1\x00\x90\x12\x00\x00",
		"\x07":     "\x47\x00",
	}}
	l.q.askCodes(0)
	l.q.askCodes(0) // asked for again before the first was sent: one serves both
	l.run(3 * Second)
	if len(got) != 2 {
		t.Fatalf("%+v", got)
	}
	if s := strings.Join(got[0].Codes, " "); s != "P0741 P0143 C0196 U0100 B1012" || got[0].Pending || got[0].Source != "0x7E8" {
		t.Errorf("%+v", got[0])
	}
	if !got[1].Pending || len(got[1].Codes) != 0 {
		t.Errorf("%+v", got[1])
	}
	before := len(got)
	l.run(3 * Second)
	if len(got) != before || len(l.answers) == 0 {
		t.Errorf("codes are asked for %d times more; %d answers", len(got)-before, len(l.answers))
	}
}

// A general protocol dissector from the distribution reads what we send and
// what we take for an answer.
func TestDissectorReadsRequests(t *testing.T) {
	tshark, err := exec.LookPath("tshark")
	if err != nil {
		t.Skip("needs tshark: apt-get install tshark")
	}
	l := newLab(t, AskOptions{Requests: []Request{
		{Name: "rpm", Service: 0x01, Parameter: 0x0C, Period: Second},
		{Name: "block", Service: 0x22, Parameter: 0xF190, Period: Second},
	}})
	c := &ecu{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8", "\x22\xF1\x90": "\x62\xF1\x90" + strings.Repeat("x", 17)}}
	l.ecus[0x7E0] = c
	l.run(Second / 2)
	// A capture of what was sent, with link type 227 (SocketCAN).
	var pcap bytes.Buffer
	binary.Write(&pcap, binary.LittleEndian, []uint32{0xA1B2C3D4, 4<<16 | 2, 0, 0, 65535, 227})
	add := func(f Frame) {
		binary.Write(&pcap, binary.LittleEndian, []uint32{0, uint32(f.At), 16, 16})
		binary.Write(&pcap, binary.BigEndian, f.ID)
		pcap.Write([]byte{f.Len, 0, 0, 0})
		pcap.Write(f.Data[:8])
	}
	other := &ecu{from: c.from, values: c.values}
	for _, f := range l.sent {
		add(f)
		for _, a := range other.take(&f) {
			a.At = f.At
			add(a)
		}
	}
	path := filepath.Join(t.TempDir(), "sent.pcap")
	if err := os.WriteFile(path, pcap.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	// The dissector takes one upper layer for a whole capture: run it with each.
	dissect := func(upper string, fields ...string) []string {
		args := []string{"-r", path, "-d", "can.subdissector,iso15765", "-d", "iso15765.subdissector," + upper, "-T", "fields", "-E", "separator=;"}
		for _, f := range append([]string{"can.id", "iso15765.message_type", "iso15765.flow_status", "_ws.malformed"}, fields...) {
			args = append(args, "-e", f)
		}
		var out, problems bytes.Buffer
		cmd := exec.Command(tshark, args...)
		cmd.Stdout, cmd.Stderr = &out, &problems
		if err := cmd.Run(); err != nil {
			t.Fatalf("%v: %s", err, problems.String())
		}
		return strings.Split(strings.TrimSpace(out.String()), "\n")
	}
	check := func(got []string, want ...string) {
		t.Helper()
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("the dissector sees\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	}
	// Ours come from 0x7E0 = 2016: a request, a request, a flow control (0x03)
	// that says go on (0x00).
	check(dissect("uds", "uds.sid", "uds.rdbi.data_identifier"),
		"2016;0x00;;;0x01;", "2024;0x00;;;0x01;",
		"2016;0x00;;;0x22;0xf190", "2024;0x01;;;;", "2016;0x03;0x00;;;", "2024;0x02;;;;", "2024;0x02;;;0x22;0xf190")
	// 0x1AF8 is 1726 rpm by the dissector's reckoning as by the standard's.
	if got := dissect("obd-ii", "obd-ii.mode01_engine_rpm"); got[1] != "2024;0x00;;;1726" {
		t.Errorf("the dissector sees %q", got[1])
	}
}

func FuzzAnswers(f *testing.F) {
	f.Add([]byte{0, 0x04, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0, 1, 0x10, 20, 0x62, 0xF1, 0x90, 1, 2, 3, 0, 0x21, 4, 5, 6, 7, 8, 9, 10,
		1, 0x06, 0x41, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0x87, 1, 0x06, 0x41, 0x20, 0xFF, 0xFF, 0xFF, 0xFF, 0x87})
	f.Fuzz(func(t *testing.T, b []byte) {
		requests := append([]Request{{Service: 1, Parameter: 0x0C, Period: 1}, {Service: 0x22, Parameter: 0xF190, Period: 1}, {Service: 0x22, Parameter: 0x1940, Period: 1}}, standardRequests...)
		q, err := newInquiry(AskOptions{Mean: 100, Codes: func(Codes) {}, Requests: requests})
		if err != nil {
			t.Fatal(err)
		}
		q.askCodes(0)
		now, last := Second, Micros(0)
		for len(b) >= 9 {
			now += Micros(b[0]&0x7F) * 10_000
			if s, _ := q.next(now); s != nil && (s.Data[0] > 7 || !slices.Contains([]byte{1, 3, 7, 0x22}, s.Data[1])) {
				t.Fatalf("sends %+v", s)
			}
			x := Frame{At: now, ID: 0x7E8 + uint32(b[0]>>7), Len: 1 + b[8]&7}
			copy(x.Data[:8], b[1:9])
			if flow := q.hear(&x); flow != nil && (flow.Data[0] != 0x30 || flow.ID&^1 != 0x7E0) {
				t.Fatalf("sends %+v", flow)
			}
			for _, a := range q.out {
				if a.At < last || a.ID >= uint32(len(requests)) || Micros(a.Early) > a.At {
					t.Fatalf("%+v after %d", a, last)
				}
				last = a.At
			}
			q.out = q.out[:0]
			b = b[9:]
		}
		q.look(now)
	})
}
