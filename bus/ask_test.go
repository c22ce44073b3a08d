package bus

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// controller answers requests as ISO 15765-2 and the service's standard say.
// Frames under way take 1 ms each.
type controller struct {
	from   uint32
	values map[string]string // request payload to answer payload
	queue  []Frame           // consecutive frames that wait for flow control
}

func (c *controller) take(f *Frame) (answers []Frame) {
	frame := func(b ...byte) Frame {
		x := Frame{ID: c.from, Len: 8}
		if c.from > idMask11 {
			x.Flags = Extended
		}
		copy(x.Data[:8], b)
		return x
	}
	switch f.Data[0] >> 4 {
	case tpFlow:
		answers, c.queue = c.queue, nil
	case tpSingle:
		a, ok := c.values[string(f.Data[1:1+f.Data[0]])]
		if !ok {
			return nil
		}
		if len(a) < 8 {
			return []Frame{frame(append([]byte{byte(len(a))}, a...)...)}
		}
		answers = []Frame{frame(append([]byte{0x10 | byte(len(a)>>8), byte(len(a))}, a[:6]...)...)}
		for i, n := 6, 1; i < len(a); i, n = i+7, n+1 {
			c.queue = append(c.queue, frame(append([]byte{0x20 | byte(n&15)}, a[i:min(i+7, len(a))]...)...))
		}
	}
	return answers
}

// lab is a bus with controllers, in simulated time.
type lab struct {
	q           *inquiry
	controllers map[uint32]*controller
	now         Micros
	sent        []Frame
	answers     []Frame
	deaf        bool // the bus shows no echo
}

func newLab(t *testing.T, opt AskOptions) *lab {
	t.Helper()
	q, err := newInquiry(opt)
	if err != nil {
		t.Fatal(err)
	}
	return &lab{q: q, controllers: map[uint32]*controller{}}
}

func (l *lab) put(f Frame) {
	f.At = l.now
	flow, answer, ok := l.q.hear(&f)
	if ok {
		l.answers = append(l.answers, answer)
	}
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
	if c := l.controllers[f.ID]; c != nil {
		for _, a := range c.take(&f) {
			l.now += 1000
			l.put(a)
		}
	}
}

func (l *lab) run(d Micros) {
	for end := l.now + d; l.now < end; {
		f, wait := l.q.next(l.now)
		if f != nil {
			l.transmit(*f)
		}
		l.now += max(wait, 500)
	}
}

func TestAskedValues(t *testing.T) {
	long := strings.Repeat("x", 17) + "end"
	for _, deaf := range []bool{false, true} {
		l := newLab(t, AskOptions{Bus: 4, Requests: []Request{
			{Name: "rpm", Service: 0x01, Parameter: 0x0C, Period: Second / 2},
			{Name: "block", Service: 0x22, Parameter: 0xF190, Period: Second},
			{Name: "wide", Service: 0x22, Parameter: 0x1234, RequestID: 0x18DA10F1, Period: Second},
		}})
		l.deaf = deaf
		l.controllers[0x7E0] = &controller{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8", "\x22\xF1\x90": "\x62\xF1\x90" + long}}
		l.controllers[0x18DA10F1] = &controller{from: 0x18DAF110, values: map[string]string{"\x22\x12\x34": "\x62\x12\x34\x01"}}
		l.run(5 * Second)
		var n [3]int
		want := []string{"\x1A\xF8", long, "\x01"}
		for _, a := range l.answers {
			n[a.ID]++
			if got := string(a.Data[:a.Len]); got != want[a.ID] || a.Kind != Answer || a.Bus != 4 {
				t.Fatalf("%+v is not %q", a, want[a.ID])
			}
			if a.Early < 1000 || a.Early > 6000 {
				t.Errorf("uncertain by %d µs", a.Early)
			}
		}
		if n[0] < 8 || n[0] > 10 || n[1] < 4 || n[1] > 5 || n[2] < 4 || n[2] > 5 {
			t.Errorf("answers in 5 s: %v", n)
		}
		if s := l.q.state; s.Refused+s.Unanswered+s.Foreign != 0 || s.Silent != "" {
			t.Errorf("%+v", s)
		}
	}
}

// The budget holds whatever the periods ask for.
func TestAskBudget(t *testing.T) {
	var requests []Request
	values := map[string]string{}
	for i := range 20 {
		requests = append(requests, Request{Name: fmt.Sprint(i), Service: 1, Parameter: uint16(i), Period: 1})
		values[string([]byte{1, byte(i)})] = string([]byte{0x41, byte(i), 0})
	}
	l := newLab(t, AskOptions{Requests: requests, Budget: 7})
	l.controllers[0x7E0] = &controller{from: 0x7E8, values: values}
	l.run(20 * Second)
	if n := len(l.sent); n < 135 || n > 141 {
		t.Errorf("%d requests in 20 s; the budget is 140", n)
	}
	var n [20]int
	for _, a := range l.answers {
		n[a.ID]++
	}
	for i := range n {
		if n[i] < 6 || n[i] > 8 {
			t.Errorf("request %d got %d turns: %v", i, n[i], n)
		}
	}
}

func TestAskBacksOff(t *testing.T) {
	tests := []struct {
		name, answer string
		atMost       int
		first        Micros // not asked again before
	}{
		{"busy", "\x7F\x01\x21", 12, 500_000},
		{"not supported", "\x7F\x01\x12", 5, 30 * Second},
		{"out of range", "\x7F\x01\x31", 5, 30 * Second},
		{"silent", "", 12, 500_000},
		{"other parameter", "\x41\x0D\x00", 12, 500_000},
	}
	for _, tt := range tests {
		l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C, Period: 100_000}}, EngineOff: 3600 * Second})
		values := map[string]string{}
		if tt.answer != "" {
			values["\x01\x0C"] = tt.answer
		}
		l.controllers[0x7E0] = &controller{from: 0x7E8, values: values}
		l.run(300 * Second)
		if n := len(l.sent); n < 2 || n > tt.atMost {
			t.Errorf("%s: asked %d times in 5 minutes", tt.name, n)
		}
		if len(l.sent) > 1 {
			if gap := l.sent[1].At - l.sent[0].At; gap < tt.first {
				t.Errorf("%s: asked again after %d µs", tt.name, gap)
			}
		}
		if len(l.answers) > 0 {
			t.Errorf("%s: answers %v", tt.name, l.answers)
		}
	}
}

// A controller that needs longer says so, and is not asked again meanwhile.
func TestAskWaitsWhilePending(t *testing.T) {
	l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C, Period: 100_000}}})
	l.controllers[0x7E0] = &controller{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x7F\x01\x78"}}
	l.run(2 * Second)
	if len(l.sent) != 1 {
		t.Fatalf("%d requests while one is pending", len(l.sent))
	}
	l.put(data(0, 0x7E8, 0, 4, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0))
	if len(l.answers) != 1 || l.answers[0].Early < uint32(Second) {
		t.Errorf("%+v", l.answers)
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
		l.controllers[0x7E0] = &controller{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8"}}
		l.run(2 * Second)
		before := len(l.sent)
		l.put(f)
		l.run(19 * Second)
		if before == 0 || len(l.sent) != before || l.q.state.Silent != "another tester is on the bus" || l.q.state.Foreign != 1 {
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

func TestAskIsSilentWithoutPower(t *testing.T) {
	var heard uint64
	l := newLab(t, AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C}}, MinVoltage: 12, EngineOff: 30 * Second,
		Heard: func() uint64 { return heard }})
	l.controllers[0x7E0] = &controller{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x00\x00"}}
	asks := func(d Micros) int {
		before := len(l.sent)
		l.run(d)
		return len(l.sent) - before
	}
	if asks(2*Second) == 0 {
		t.Error("nothing asked at the start")
	}
	l.q.supply(11.9)
	if n := asks(2 * Second); n != 0 || !strings.Contains(l.q.state.Silent, "11.9 V") {
		t.Errorf("%d requests at 11.9 V; %+v", n, l.q.state)
	}
	l.q.supply(12.1) // not yet
	if asks(2*Second) != 0 {
		t.Error("asked at 12.1 V on the way up")
	}
	l.q.supply(12.4)
	if asks(2*Second) == 0 {
		t.Error("nothing asked at 12.4 V")
	}
	l.run(30 * Second) // the engine stands
	if n := asks(100 * Second); n != 0 || l.q.state.Silent != "the engine has been off" {
		t.Errorf("%d requests with the engine off; %+v", n, l.q.state)
	}
	heard++ // the bus wakes
	if asks(2*Second) == 0 {
		t.Error("nothing asked after the bus woke")
	}
	l.run(40 * Second)
	l.q.engine(l.now, 650)
	if asks(2*Second) == 0 {
		t.Error("nothing asked with the engine running")
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
	l.controllers[0x7E0] = &controller{from: 0x7E8, values: map[string]string{
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
	for _, c := range got[1:] {
		if c.Pending && len(c.Codes) != 0 {
			t.Errorf("%+v", c)
		}
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
	c := &controller{from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8", "\x22\xF1\x90": "\x62\xF1\x90" + strings.Repeat("x", 17)}}
	l.controllers[0x7E0] = c
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
	other := &controller{from: c.from, values: c.values}
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
	f.Add([]byte{0, 0x04, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0, 1, 0x10, 20, 0x62, 0xF1, 0x90, 1, 2, 3, 0, 0x21, 4, 5, 6, 7, 8, 9, 10})
	f.Fuzz(func(t *testing.T, b []byte) {
		q, err := newInquiry(AskOptions{Budget: 100, Codes: func(Codes) {}, Requests: []Request{{Service: 1, Parameter: 0x0C, Period: 1}, {Service: 0x22, Parameter: 0xF190, Period: 1}}})
		if err != nil {
			t.Fatal(err)
		}
		q.askCodes(0)
		now := Micros(0)
		for len(b) >= 9 {
			now += Micros(b[0]) * 10_000
			if s, _ := q.next(now); s != nil && (s.Data[0] > 3 || s.ID != 0x7E0) {
				t.Fatalf("sends %+v", s)
			}
			x := Frame{At: now, ID: 0x7E8, Len: 1 + b[8]&7}
			copy(x.Data[:8], b[1:9])
			flow, _, _ := q.hear(&x)
			if flow != nil && (flow.Data[0] != 0x30 || flow.ID != 0x7E0) {
				t.Fatalf("sends %+v", flow)
			}
			b = b[9:]
		}
	})
}
