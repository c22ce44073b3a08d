package bus

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"joltwatch/cmd/develop/lot"
)

// speaker is an adapter with an AT-command interpreter, as common practice has
// them: the other end of a serial line. It is as slow as one, its prompts are
// torn, and its buffer overflows.
type speaker struct {
	ecus map[uint32]*ecu
	// lacks are commands that it does not know, by their beginning; protocol is
	// the vehicle's; dead makes the bus unusable.
	lacks    []string
	protocol int
	dead     bool
	csm      string // what it says to ATCSM1, "OK" where empty; or unanswered
	buffer   int    // frames that fit while it monitors
	left     string // what it had still to say when the line was opened
	slow     string // the command that it answers after its time
	hung     bool   // it says nothing, not even a prompt, until it is reset
	fails    string // the command after whose answer, or a second of it, it once loses its power
	bare     bool   // it gives no reason when it stops listening
	later    string // csm once it has lost its power
	silenced bool   // it confirmed ATCSM1 since it was started
	unasked  int    // times that it listened without
	charTime time.Duration

	in  chan byte
	out func(b []byte)
	rng *rand.Rand

	mu        sync.Mutex
	commands  []string
	requests  []time.Time
	garbage   string // said once, before the next answer
	replace   string // said once in place of the next answer to a request
	echo      bool
	spaces    bool
	headers   bool
	searched  bool
	header    uint32
	monitored chan Frame
}

// unanswered is no answer at all, not even the prompt.
const unanswered = "unanswered"

func newSpeaker() *speaker {
	s := &speaker{ecus: map[uint32]*ecu{}, protocol: 6, buffer: 64, rng: rand.New(rand.NewPCG(5, 6)),
		charTime: 90 * time.Microsecond}
	s.reset()
	return s
}

func (s *speaker) reset() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.echo, s.spaces, s.headers, s.searched, s.header = true, true, false, false, 0
	s.silenced = false
}

// say writes text in pieces, as slowly as the line is.
func (s *speaker) say(text string) {
	for len(text) > 0 {
		n := min(1+s.rng.IntN(12), len(text))
		time.Sleep(time.Duration(n) * s.charTime)
		s.write([]byte(text[:n]))
		text = text[n:]
	}
}

func (s *speaker) write(b []byte) {
	s.mu.Lock()
	out := s.out
	s.mu.Unlock()
	out(b)
}

func (s *speaker) serve(stop <-chan struct{}) {
	var line []byte
	for {
		select {
		case <-stop:
			return
		case c := <-s.in:
			if s.echo {
				s.write([]byte{c})
			}
			if c != '\r' {
				line = append(line, c)
				continue
			}
			text := strings.ToUpper(strings.ReplaceAll(string(line), " ", ""))
			line = line[:0]
			s.mu.Lock()
			s.commands = append(s.commands, text)
			garbage := s.garbage
			s.garbage = ""
			s.mu.Unlock()
			if s.hung = s.hung && text != "ATZ"; s.hung || text == "ATCSM1" && s.csm == unanswered {
				continue
			}
			if text == s.slow {
				time.Sleep(interpreterCommand + interpreterQuiet/2)
			}
			s.say(garbage)
			if text == "ATMA" && !s.unknown(text) {
				if !s.silenced {
					s.unasked++
				}
				s.monitor(stop)
			} else {
				s.say(s.answer(text))
			}
			if text != "ATMA" || s.fails != text {
				s.say("\r>")
			}
			if text == s.fails {
				s.powerCut()
			}
		}
	}
}

// powerCut is a loss of power, once, with the line standing.
func (s *speaker) powerCut() {
	s.fails, s.csm = "", s.later
	s.reset()
	time.Sleep(50 * time.Millisecond)
	s.say("\r\rADAPTER V9\r\r>")
}

func (s *speaker) unknown(text string) bool {
	return slices.ContainsFunc(s.lacks, func(l string) bool { return strings.HasPrefix(text, l) })
}

func (s *speaker) told() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return strings.Join(s.commands, " ")
}

func (s *speaker) once(garbage, replace string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.garbage, s.replace = garbage, replace
}

func (s *speaker) answer(text string) string {
	switch {
	case text == "":
		return ""
	case s.unknown(text):
		return "?\r"
	case text == "ATZ":
		time.Sleep(700 * time.Millisecond)
		s.reset()
		return "\r\rADAPTER V9\r"
	case text == "ATE0":
		s.echo = false
	case text == "ATS0":
		s.spaces = false
	case text == "ATH1":
		s.headers = true
	case text == "ATRV":
		return "13.8V\r"
	case text == "ATDPN":
		return fmt.Sprintf("A%d\r", s.protocol)
	case text == "ATCSM1" && s.csm != "":
		return s.csm
	case text == "ATCSM1":
		s.silenced = true
	case strings.HasPrefix(text, "ATSH"):
		fmt.Sscanf(text[4:], "%x", &s.header)
		if s.protocol == 7 {
			s.header |= 0x18000000
		}
	case strings.HasPrefix(text, "AT"):
	default:
		return s.request(text)
	}
	return "OK\r"
}

// request sends a request to the vehicle and shows the answers.
func (s *speaker) request(text string) string {
	s.mu.Lock()
	replace := s.replace
	s.replace = ""
	s.requests = append(s.requests, time.Now())
	s.mu.Unlock()
	if replace != "" {
		return replace
	}
	most := 99
	if len(text)%2 == 1 {
		most = int(text[len(text)-1] - '0')
		text = text[:len(text)-1]
	}
	var payload []byte
	fmt.Sscanf(text, "%x", &payload)
	shown := ""
	if !s.searched {
		shown = "SEARCHING..."
		time.Sleep(2 * time.Second)
		if s.dead {
			return shown + "\rUNABLE TO CONNECT\r"
		}
		s.searched = true
	}
	if s.dead {
		return "CAN ERROR\r"
	}
	to := s.header
	if to == 0 {
		if to = functional11; s.protocol == 7 {
			to = functional29
		}
	}
	f := tpRequest(to, payload)
	n := 0
	for id, e := range s.ecus {
		if id != to && !isFunctional(to) {
			continue
		}
		if e.takes != nil {
			time.Sleep(e.takes().Duration())
		}
		answers := e.take(&f)
		flow := tpContinue(id)
		for _, a := range append(answers, e.take(&flow)...) {
			shown += s.show(&a) + "\r"
			n++
		}
	}
	if n == 0 {
		time.Sleep(200 * time.Millisecond)
		return shown + "NO DATA\r"
	}
	if n < most {
		time.Sleep(40 * time.Millisecond) // another might answer
	}
	return shown
}

func (s *speaker) show(f *Frame) string {
	b := f.Data[:f.Len]
	head := ""
	switch {
	case !s.headers && f.Data[0]>>4 == tpFirst:
		return fmt.Sprintf("%03X\r0:% X", int(b[0]&15)<<8|int(b[1]), b[2:])
	case !s.headers && f.Data[0]>>4 == tpConsecutive:
		return fmt.Sprintf("%X:% X", b[0]&15, b[1:])
	case !s.headers:
		b = b[1 : 1+b[0]]
	case f.Flags&Extended != 0:
		head = fmt.Sprintf("%08X ", f.ID)
	default:
		head = fmt.Sprintf("%03X ", f.ID)
	}
	text := head + fmt.Sprintf("% X", b)
	if !s.spaces {
		text = strings.ReplaceAll(text, " ", "")
	}
	return text
}

// monitor shows what comes until a character does; what does not fit its buffer
// ends it.
func (s *speaker) monitor(stop <-chan struct{}) {
	var fails <-chan time.Time
	if s.fails == "ATMA" {
		fails = time.After(time.Second)
	} else if s.bare {
		s.bare, s.csm = false, s.later
		fails = time.After(time.Second)
	}
	for {
		select {
		case <-stop:
			return
		case <-fails:
			return
		case <-s.in:
			s.say("STOPPED\r")
			return
		case f := <-s.monitored:
			if len(s.monitored) > s.buffer {
				for len(s.monitored) > 0 {
					<-s.monitored
				}
				s.say("BUFFER FULL\r")
				return
			}
			s.say(s.show(&f) + "\r")
		}
	}
}

// cable is a serial line in memory.
type cable struct {
	s      *speaker
	rate   int
	wants  int // the serial rate that works
	mu     sync.Mutex
	chunks chan []byte
	gone   bool // unplugged
	isOpen bool
}

func newCable(s *speaker) *cable {
	// Made here, so that they belong to the test's held clock.
	s.in, s.monitored = make(chan byte, 4096), make(chan Frame, 4096)
	c := &cable{s: s, wants: 115200, chunks: make(chan []byte, 65536)}
	s.out = func(b []byte) {
		c.mu.Lock()
		heard := c.isOpen && c.rate == c.wants
		c.mu.Unlock()
		if heard {
			c.chunks <- bytes.Clone(b)
		}
	}
	return c
}

func (c *cable) state() (isOpen, fits bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.isOpen && !c.gone, c.rate == c.wants
}

func (c *cable) set(gone bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.gone = gone
}

func (c *cable) connect() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.gone {
		return fmt.Errorf("cable: %w", ErrMissing)
	}
	c.isOpen = true
	if c.s.left != "" && c.rate == c.wants {
		c.chunks <- []byte(c.s.left)
		c.s.left = ""
	}
	return nil
}

func (c *cable) read(b []byte) (int, error) {
	if isOpen, _ := c.state(); !isOpen {
		return 0, errGone
	}
	select {
	case x := <-c.chunks:
		return copy(b, x), nil
	case <-time.After(serialQuiet):
		return 0, nil
	}
}

func (c *cable) write(text string) error {
	isOpen, fits := c.state()
	if !isOpen {
		return errGone
	}
	if fits {
		for _, x := range []byte(text) {
			c.s.in <- x
		}
	}
	return nil
}

func (c *cable) drop() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.isOpen = false
}

func (c *cable) close() error { c.drop(); return nil }

// bench is an asker on a speaker, in simulated time.
type bench struct {
	t       *testing.T
	s       *speaker
	c       *cable
	a       *Asker
	answers []Frame
	notices []NoticeCode
	pauses  []PauseReason // 0 where asking goes on
	bad     int64
}

// onBench runs f with an asker on a speaker; times are of a held clock.
func onBench(t *testing.T, s *speaker, opt AskOptions, f func(b *bench)) {
	synctest.Test(t, func(t *testing.T) {
		stop := make(chan struct{})
		began := time.Now()
		b := &bench{t: t, s: s, c: newCable(s)}
		go s.serve(stop)
		d := newInterpreter("cable", InterpreterOptions{SerialOptions: SerialOptions{Wait: true}})
		d.line = b.c
		d.rate = func(r int) { b.c.mu.Lock(); b.c.rate = r; b.c.mu.Unlock() }
		d.now = func() Micros { return Second + Micros(time.Since(began).Microseconds()) }
		a, err := newInterpreterAsker(d, opt)
		if err != nil {
			t.Fatal(err)
		}
		b.a = a
		defer time.Sleep(time.Second) // everybody ends
		defer close(stop)
		defer a.Close()
		f(b)
	})
}

func (b *bench) run(d time.Duration) {
	batch := make([]Frame, 64)
	for end := time.Now().Add(d); time.Now().Before(end); {
		n, err := b.a.Read(batch)
		if err != nil {
			b.t.Fatal(err)
		}
		for _, f := range batch[:n] {
			switch {
			case f.Kind == Answer:
				b.answers = append(b.answers, f)
			case f.Kind == Notice && NoticeCode(f.ID) == NoticeBadInput:
				b.bad += f.Count()
			case f.Kind == Notice:
				b.notices = append(b.notices, NoticeCode(f.ID))
				if code := NoticeCode(f.ID); code == NoticeNotAsking || code == NoticeAsking {
					b.pauses = append(b.pauses, PauseReason(f.Count()))
				}
			}
		}
	}
}

func (b *bench) count(id uint32, since Micros) (n int) {
	for _, f := range b.answers {
		if f.ID == id && f.At >= since {
			n++
		}
	}
	return n
}

func slowEngine(rng *rand.Rand) *ecu {
	e := engineECU()
	e.takes = func() Micros { return 10_000 + Micros(rng.IntN(30_000)) }
	return e
}

// From a cold start at an unknown serial rate to both speeds at 15 Hz and more
// while the vehicle slows.
func TestInterpreterAsks(t *testing.T) {
	rng := lot.Draw(t, 1, 2)
	s := newSpeaker()
	s.ecus[0x7E0] = slowEngine(rng)
	onBench(t, s, AskOptions{Requests: standardRequests}, func(b *bench) {
		b.run(30 * time.Second)
		if n := b.count(0, 0); n < 40 {
			t.Fatalf("%d answers in 30 s; %+v; told %s", n, b.a.State(), s.told())
		}
		began := b.a.now()
		for kmh := 50.0; kmh >= 0; kmh-- {
			b.a.Speed(b.a.now(), kmh)
			b.a.Engine(b.a.now(), 700)
			b.run(200 * time.Millisecond)
		}
		secs := (b.a.now() - began).Seconds()
		hz := float64(b.count(0, began)) / secs
		if b.count(1, began) != b.count(0, began) || hz < 15 {
			t.Errorf("the speeds at %.1f Hz while stopping", hz)
		}
		t.Logf("%.1f Hz while stopping; %s", hz, strings.Join(strings.Fields(s.told())[:24], " "))
		for _, f := range b.answers {
			if f.Early < 10_000 || f.Early > 100_000 {
				t.Fatalf("%+v", f)
			}
		}
		if st := b.a.State(); st.Silent != "" || b.a.inquiry.voltage != 13.8 || b.bad > 0 {
			t.Errorf("%+v, %v V, %d bad lines", st, b.a.inquiry.voltage, b.bad)
		}
		for _, c := range strings.Fields(s.told()) {
			if !strings.HasPrefix(c, "AT") && !strings.HasPrefix(c, "01") {
				t.Errorf("the vehicle was asked %q", c)
			}
		}
	})
}

// Clones lack commands; it is asked through them all the same.
func TestInterpreterClones(t *testing.T) {
	for _, lacks := range [][]string{nil, {"ATE0"}, {"ATS0"}, {"ATH1"}, {"ATAT", "ATST", "ATDPN", "ATRV"}, {"ATSH"}, {"ATE0", "ATL0", "ATS0", "ATH1", "ATAT", "ATST", "ATDPN", "ATSH", "ATRV", "ATCRA"}} {
		s := newSpeaker()
		s.lacks = lacks
		s.ecus[0x7E0] = slowEngine(rand.New(rand.NewPCG(1, 2)))
		requests := append(slices.Clone(standardRequests), Request{Name: "long", Service: 0x01, Parameter: 0x1A})
		long := "\x41\x1A" + strings.Repeat("long", 5)
		old := s.ecus[0x7E0].answer
		s.ecus[0x7E0].answer = func(p string) (string, bool) {
			if p == "\x01\x1A" {
				return long, true
			}
			return old(p)
		}
		onBench(t, s, AskOptions{Requests: requests}, func(b *bench) {
			b.run(40 * time.Second)
			n := [3]int{b.count(0, 20*Second), b.count(1, 20*Second), b.count(6, 20*Second)}
			if n[0] < 80 || n[1] < 80 || n[2] < 20 || b.bad > 0 {
				t.Errorf("without %v: answers in 20 s: %v, %d bad lines; %+v", lacks, n, b.bad, b.a.State())
			}
			for _, f := range b.answers {
				if f.ID == 6 && string(f.Data[:f.Len]) != long[2:] {
					t.Fatalf("without %v: %q", lacks, f.Data[:f.Len])
				}
			}
		})
	}
}

// Whatever an adapter says in place of an answer, asking goes on soon.
func TestInterpreterRecovers(t *testing.T) {
	for _, says := range []string{
		"?\r", "NO DATA\r", "STOPPED\r", "BUFFER FULL\r", "CAN ERROR\r", "BUS ERROR\r", "BUS BUSY\r", "UNABLE TO CONNECT\r", "FB ERROR\r", "BUS INIT: ...ERROR\r",
		"<DATA ERROR\r", "7E8 06 41 0C <RX ERROR\r", "DATA ERROR\r", "ERR94\r", "LV RESET\r", "LP ALERT\r", "ACT ALERT\r", "\x00\xff\xfe\x80", "7E8\r", "7E80641\r", "7E806410\r",
		"7E8064100\r7E8101462F190\r", "garbage that no adapter says\r", strings.Repeat("7", 500) + "\r", "7E8037F0112\r", "7E8037F0178\r", "OK\r", "010C\r",
	} {
		s := newSpeaker()
		s.ecus[0x7E0] = slowEngine(rand.New(rand.NewPCG(1, 2)))
		onBench(t, s, AskOptions{Requests: standardRequests, EngineOff: 3600 * Second}, func(b *bench) {
			b.run(20 * time.Second)
			for range 3 {
				if strings.HasPrefix(says, "LV") || strings.HasPrefix(says, "ERR") {
					s.reset()
				}
				s.once("", says)
				since := b.a.now()
				b.run(25 * time.Second)
				if n := b.count(0, since+15*Second); n < 40 {
					t.Errorf("after %q: %d answers in the last 10 s; %+v", says, n, b.a.State())
					return
				}
			}
		})
	}
}

// Power lost with the line standing, garbage on the line, a cable unplugged, and
// a bus that is dead for a while.
func TestInterpreterThroughTrouble(t *testing.T) {
	trouble := map[string]func(b *bench){
		"power": func(b *bench) { b.s.reset() },
		"garbage": func(b *bench) {
			for range 20 {
				b.s.once("\xff\x00x\r\x80y", "")
				b.run(time.Second)
			}
		},
		"unplugged": func(b *bench) { b.c.set(true); b.run(5 * time.Second); b.c.set(false) },
		"dead bus": func(b *bench) {
			b.s.dead = true
			b.run(20 * time.Second)
			if st := b.a.State(); st.Silent == "" {
				b.t.Errorf("a dead bus is not told: %+v", st)
			}
			b.s.dead = false
		},
	}
	for name, f := range trouble {
		s := newSpeaker()
		s.ecus[0x7E0] = slowEngine(rand.New(rand.NewPCG(1, 2)))
		onBench(t, s, AskOptions{Requests: standardRequests, EngineOff: 3600 * Second}, func(b *bench) {
			b.run(20 * time.Second)
			f(b)
			b.run(40 * time.Second)
			since := b.a.now()
			b.run(10 * time.Second)
			if n := b.count(0, since); n < 40 {
				t.Errorf("%s: %d answers in the last 10 s; %+v; told …%s", name, n, b.a.State(), s.told()[max(0, len(s.told())-300):])
			}
			if name == "unplugged" && (!slices.Contains(b.notices, NoticeDown) || !slices.Contains(b.notices, NoticeUp)) {
				t.Errorf("%s: notices %v", name, b.notices)
			}
		})
	}
}

// 29-bit identifiers, and the older serial buses.
func TestInterpreterProtocols(t *testing.T) {
	wide := slowEngine(rand.New(rand.NewPCG(1, 2)))
	wide.from = 0x18DAF110
	s := newSpeaker()
	s.protocol = 7
	s.ecus[0x18DA10F1] = wide
	onBench(t, s, AskOptions{Requests: standardRequests}, func(b *bench) {
		b.run(40 * time.Second)
		if n := b.count(0, 20*Second); n < 80 {
			t.Errorf("29 bits: %d answers in 20 s; %+v", n, b.a.State())
		}
	})
	var f Frame
	k := shape{protocol: 3}
	if !k.frame([]byte("486B10410C1AF8CC"), &f) || f.ID != 0x7E8 || string(f.Data[:f.Len]) != "\x04\x41\x0C\x1A\xF8" {
		t.Errorf("%+v", f)
	}
	if !k.frame([]byte("486B18410D32CC"), &f) || f.ID == 0x7E8 {
		t.Errorf("%+v", f)
	}
}

// A vehicle with 29-bit identifiers whose ignition comes on late is found at the next
// probe; a probe of a vehicle that does not answer is one search of the adapter's.
func TestInterpreterFindsLateIgnition(t *testing.T) {
	for _, protocol := range []int{6, 7} {
		s := newSpeaker()
		s.protocol, s.dead = protocol, true
		s.ecus[0x7E0] = engineECU()
		if protocol == 7 {
			delete(s.ecus, 0x7E0)
			s.ecus[0x18DA10F1] = engineECU()
			s.ecus[0x18DA10F1].from = 0x18DAF110
		}
		onBench(t, s, AskOptions{Requests: standardRequests}, func(b *bench) {
			b.run(800 * time.Second)
			before := strings.Count(s.told(), "0100")
			b.run(300 * time.Second)
			if n := strings.Count(s.told(), "0100") - before; n < 3 || n > 7 {
				t.Errorf("protocol %d: %d searches in 5 minutes", protocol, n)
			}
			s.mu.Lock()
			s.dead = false
			s.mu.Unlock()
			since := b.a.now()
			b.run(70 * time.Second)
			if n := b.count(0, since); n < 10 {
				t.Errorf("protocol %d: %d answers in 70 s; %+v; told …%s", protocol, n, b.a.State(), s.told()[max(0, len(s.told())-300):])
			}
		})
	}
}

// onMonitor runs f with a monitor on a speaker.
func onMonitor(t *testing.T, s *speaker, opt InterpreterOptions, f func(m *InterpreterMonitor, err error)) {
	synctest.Test(t, func(t *testing.T) {
		stop := make(chan struct{})
		began := time.Now()
		c := newCable(s)
		go s.serve(stop)
		opt.Bitrate = 500000
		d := newInterpreter("cable", opt)
		d.line = c
		d.rate = func(int) { c.mu.Lock(); c.rate = c.wants; c.mu.Unlock() }
		d.now = func() Micros { return Second + Micros(time.Since(began).Microseconds()) }
		m, err := openMonitor(d)
		defer time.Sleep(time.Second) // everybody ends
		defer close(stop)
		defer d.close()
		f(m, err)
	})
}

func TestInterpreterMonitors(t *testing.T) {
	s := newSpeaker()
	filters := []Filter{{ID: 0x100, Mask: 0x7FF}, {ID: 0x101, Mask: 0x7FF}}
	onMonitor(t, s, InterpreterOptions{Filters: filters}, func(m *InterpreterMonitor, err error) {
		if err != nil {
			t.Fatal(err)
		}
		read := func(d time.Duration) (frames []Frame, dropped int64) {
			batch := make([]Frame, 64)
			for end := time.Now().Add(d); time.Now().Before(end); {
				n, err := m.Read(batch)
				if err != nil {
					t.Fatal(err)
				}
				for _, f := range batch[:n] {
					switch {
					case f.Kind == Data:
						frames = append(frames, f)
					case NoticeCode(f.ID) == NoticeDropped:
						dropped += f.Count()
					}
				}
			}
			return frames, dropped
		}
		for i := range 50 {
			s.monitored <- data(0, 0x100+uint32(i%2), 0, byte(i), 2, 3)
		}
		frames, dropped := read(2 * time.Second)
		if got := s.told(); !strings.Contains(got, "ATSP6 ATCAF0 ATCF100 ATCM7FE ATCSM1 ATCSM1 ATMA") {
			t.Errorf("told %q", got)
		}
		if len(frames) != 50 || dropped != 0 || frames[49].Data[0] != 49 || frames[49].Len != 3 {
			t.Errorf("%d frames, %d dropped", len(frames), dropped)
		}
		// Too many for it: that is told, and it listens on.
		for i := range 500 {
			s.monitored <- data(0, 0x100, 0, byte(i), 2, 3)
		}
		if _, dropped = read(2 * time.Second); dropped == 0 {
			t.Error("an overrun is not told")
		}
		read(30 * time.Second) // a silent bus
		s.monitored <- data(0, 0x101, 0, 9)
		if frames, _ = read(time.Second); len(frames) != 1 {
			t.Errorf("%d frames after a silence", len(frames))
		}
		for _, c := range strings.Fields(s.told()) {
			if !strings.HasPrefix(c, "AT") {
				t.Errorf("a bus that is listened to was sent %q", c)
			}
		}
	})
}

// Whatever an adapter answers to the command for listening without
// acknowledging, but OK, it is not listened through unless it may.
func TestInterpreterListensOnlyOrNotAtAll(t *testing.T) {
	for csm, refused := range map[string]bool{"OK\r": false, "\r\nok\r\n": false, "O K\r": false, "OK\rCAN ERROR\r": true, "?\rOK\r": true, "OK\rOK\r": true, "ATCSM1\rOK\r": false,
		"STOPPED\r": true, "UNABLE TO CONNECT\r": true, "LV RESET\r": true, "BUFFER FULL\r": true, strings.Repeat("O", 500) + "\r": true, "\xff\x00K\r": true, "?\r": true, "NO\r": true, "\r": true, "ERROR\r": true, "CAN ERROR\r": true, "OKAY\r": true, "4100\r": true, "ADAPTER V9\r": true} {
		for _, may := range []bool{false, true} {
			s := newSpeaker()
			s.csm = csm
			onMonitor(t, s, InterpreterOptions{MayAcknowledge: may, SerialOptions: SerialOptions{Wait: true}}, func(m *InterpreterMonitor, err error) {
				if (err != nil) != (refused && !may) {
					t.Errorf("%q, may acknowledge %v: %v", csm, may, err)
				}
				if err != nil && (!errors.Is(err, ErrNotListenOnly) || !strings.Contains(err.Error(), "ATCSM1") || strings.Contains(s.told(), "ATMA")) {
					t.Errorf("%v; told %s", err, s.told())
				}
			})
		}
	}
	// Neither is silence a confirmation, without so much as a prompt.
	for _, may := range []bool{false, true} {
		s := newSpeaker()
		s.csm = unanswered
		onMonitor(t, s, InterpreterOptions{MayAcknowledge: may, SerialOptions: SerialOptions{Wait: true}}, func(m *InterpreterMonitor, err error) {
			if may != (err == nil) || err != nil && (!errors.Is(err, ErrNotListenOnly) || !strings.Contains(err.Error(), "answered nothing")) {
				t.Errorf("silence, may acknowledge %v: %v", may, err)
			}
			if told := s.told(); !strings.Contains(told, "ATCSM1") || strings.Contains(told, "ATMA") && !may {
				t.Errorf("silence, may acknowledge %v: told %s", may, told)
			}
		})
	}
	d := newInterpreter("cable", InterpreterOptions{})
	if _, err := openMonitor(d); err == nil || !strings.Contains(err.Error(), "bitrate = 500000 or 250000") {
		t.Error(err)
	}
}

// What an adapter loses is told: its overrun, and an answer cut off.
func TestInterpreterTellsWhatIsLost(t *testing.T) {
	for says, want := range map[string]struct{ dropped, bad bool }{
		"BUFFER FULL\r": {true, false}, "7E806410C1A\r": {false, true}, "7E8100A410C\r": {false, true}, "<DATA ERROR\r": {false, true}, "NO DATA\r": {},
	} {
		s := newSpeaker()
		s.ecus[0x7E0] = engineECU()
		onBench(t, s, AskOptions{Requests: standardRequests, EngineOff: 3600 * Second}, func(b *bench) {
			b.run(20 * time.Second)
			s.once("", says)
			b.run(5 * time.Second)
			if got := slices.Contains(b.notices, NoticeDropped); got != want.dropped || (b.bad > 0) != want.bad {
				t.Errorf("%q: dropped told %v, %d bad lines", says, got, b.bad)
			}
		})
	}
}

// An adapter that hangs, and one that lost its power, is set up anew within
// seconds; both are told.
func TestInterpreterIsStartedAnew(t *testing.T) {
	for name, tt := range map[string]struct {
		fail   func(s *speaker)
		within Micros
	}{"hung": {func(s *speaker) { s.hung = true }, 15 * Second}, "power": {func(s *speaker) { s.reset() }, 8 * Second}} {
		s := newSpeaker()
		s.ecus[0x7E0] = engineECU()
		onBench(t, s, AskOptions{Requests: standardRequests, EngineOff: 3600 * Second}, func(b *bench) {
			b.run(20 * time.Second)
			tt.fail(s)
			since := b.a.now()
			b.run(40 * time.Second)
			longest, last := Micros(0), since
			for _, a := range b.answers {
				if a.At > since {
					longest, last = max(longest, a.At-last), a.At
				}
			}
			longest = max(longest, b.a.now()-last)
			if longest > tt.within || !slices.Contains(b.notices, NoticeDown) {
				t.Errorf("%s: %.1f s without an answer; notices %v", name, longest.Seconds(), b.notices)
			}
		})
	}
}

// A controller that answers on an identifier of its own is heard through the
// adapter: it is told which.
func TestInterpreterHearsOwnIdentifiers(t *testing.T) {
	s := newSpeaker()
	s.ecus[0x7E0] = &ecu{from: 0x700, values: map[string]string{"\x22\x19\x40": "\x62\x19\x40\x00\x01"}}
	s.ecus[0x7E2] = engineECU()
	s.ecus[0x7E2].from = 0x7EA
	turbine := Request{Name: "turbine", Service: 0x22, Parameter: 0x1940, RequestID: 0x7E0, AnswerID: 0x700}
	onBench(t, s, AskOptions{Requests: append(slices.Clone(standardRequests), turbine)}, func(b *bench) {
		b.run(30 * time.Second)
		if told := s.told(); b.count(6, 0) < 50 || b.count(0, 0) < 50 || !strings.Contains(told, "ATCRA700") || !strings.Contains(told, "ATAR") {
			t.Errorf("%d and %d answers; %+v; told %s", b.count(6, 0), b.count(0, 0), b.a.State(), told)
		}
	})
}

// Falling silent and going on are told, in order with the answers, with the
// reason: an adapter that is gone is another than an engine that stands.
func TestInterpreterTellsItsPauses(t *testing.T) {
	s := newSpeaker()
	s.ecus[0x7E0] = engineECU()
	onBench(t, s, AskOptions{Requests: standardRequests, EngineOff: 20 * Second}, func(b *bench) {
		b.run(60 * time.Second) // nobody says that the engine runs
		b.a.Engine(b.a.now(), 700)
		b.run(5 * time.Second)
		b.a.Engine(b.a.now(), 0)
		b.run(30 * time.Second)
		b.c.set(true)
		b.run(3 * time.Second)
		b.c.set(false)
		b.run(15 * time.Second)
		b.a.Engine(b.a.now(), 700)
		b.run(3 * time.Second)
		if want := []PauseReason{PauseTrouble, 0, PauseUnheard, 0, PauseEngineOff, PauseTrouble, PauseEngineOff, 0}; !slices.Equal(b.pauses, want) {
			t.Errorf("pauses %v, expected %v", b.pauses, want)
		}
		off := slices.Index(b.notices, NoticeNotAsking)
		if on := slices.Index(b.notices, NoticeAsking); off < 0 || on < off {
			t.Errorf("notices %v", b.notices)
		}
	})
}

// What an adapter had still to say when the line was opened, of whoever used it
// before, is not taken for an answer to a command: least of all to the one for
// listening without acknowledging.
func TestInterpreterLeftovers(t *testing.T) {
	for _, left := range []string{"", "7E806410C1A900D3200\r\r>", ">", "OK\r\r>", "STOPPED\r\r>\r>", "7E80"} {
		s := newSpeaker()
		s.left, s.csm = left, "?\r"
		onMonitor(t, s, InterpreterOptions{SerialOptions: SerialOptions{Wait: true}}, func(_ *InterpreterMonitor, err error) {
			if !errors.Is(err, ErrNotListenOnly) || strings.Contains(s.told(), "ATMA") {
				t.Errorf("after %q: %v; told %s", left, err, s.told())
			}
		})
		s = newSpeaker()
		s.left = left
		s.ecus[0x7E0] = engineECU()
		onBench(t, s, AskOptions{Requests: standardRequests}, func(b *bench) {
			b.run(30 * time.Second)
			if b.bad > 0 || b.count(0, 0) < 50 || b.a.inquiry.voltage != 13.8 {
				t.Errorf("after %q: %d answers, %d bad lines, %v V", left, b.count(0, 0), b.bad, b.a.inquiry.voltage)
			}
		})
	}
}

// An answer that comes after its command was given up is not the next one's.
func TestInterpreterLateConfirmation(t *testing.T) {
	s := newSpeaker()
	s.csm, s.slow = "?\r", "ATCAF0"
	onMonitor(t, s, InterpreterOptions{SerialOptions: SerialOptions{Wait: true}}, func(_ *InterpreterMonitor, err error) {
		if !errors.Is(err, ErrNotListenOnly) || strings.Contains(s.told(), "ATMA") {
			t.Errorf("%v; told %s", err, s.told())
		}
	})
}

// An adapter that loses its power while it is set up or while it listens is
// listened through only once it has confirmed again that it acknowledges nothing.
func TestInterpreterConfirmsAnew(t *testing.T) {
	for _, tt := range []struct {
		at  string // the command whose answer is the last before
		csm string // what it says to ATCSM1 after
	}{{"ATSP6", ""}, {"ATCAF0", ""}, {"ATCSM1", ""}, {"ATMA", ""}, {"ATMA", "?\r"}, {"ATMA", unanswered}, {"bare", ""}, {"bare", "?\r"}, {"cannot", ""}} {
		s := newSpeaker()
		s.fails = tt.at
		s.bare = tt.at == "bare"
		if tt.at == "cannot" {
			s.lacks = []string{"ATMA"}
		}
		s.later = tt.csm
		onMonitor(t, s, InterpreterOptions{SerialOptions: SerialOptions{Wait: true}}, func(m *InterpreterMonitor, err error) {
			if err != nil {
				if !errors.Is(err, ErrNotListenOnly) || strings.Contains(s.told(), "ATMA") {
					t.Errorf("%+v: %v; told %s", tt, err, s.told())
				}
				return
			}
			frames, notices := 0, []NoticeCode(nil)
			batch := make([]Frame, 64)
			for end := time.Now().Add(15 * time.Second); time.Now().Before(end); {
				if len(s.monitored) == 0 {
					s.monitored <- data(0, 0x100, 0, 1)
				}
				n, err := m.Read(batch)
				if err != nil {
					t.Fatal(err)
				}
				for _, f := range batch[:n] {
					switch f.Kind {
					case Data:
						frames++
					case Notice:
						notices = append(notices, NoticeCode(f.ID))
					}
				}
			}
			if s.unasked > 0 {
				t.Errorf("%+v: listened %d times without its confirmation; told %s", tt, s.unasked, s.told())
			}
			if tt.csm != "" && !slices.Contains(notices, NoticeDown) {
				t.Errorf("%+v: not told as down; notices %v", tt, notices)
			}
			if tt.at == "cannot" {
				if !slices.Contains(notices, NoticeDown) || frames > 0 {
					t.Errorf("%d frames; notices %v", frames, notices)
				}
			} else if listens := tt.csm == ""; m.up != listens || listens && frames < 100 || m.up != (m.why == "") {
				t.Errorf("%+v: up %v (%s), %d frames; told %s", tt, m.up, m.why, frames, s.told())
			}
			if n := strings.Count(s.told(), "ATMA"); n > 20 {
				t.Errorf("%+v: told to listen %d times in 15 s", tt, n)
			}
		})
	}
}

func FuzzInterpreter(f *testing.F) {
	f.Add([]byte("SEARCHING...\r7E8064100BE3FA813\r\r>A6\r>OK\r>7E806410C1AF80D32\r>NO DATA\r>014\r0:4902013144\r1:47503030523535\r>\x00BUFFER FULL\r>12.6V\r>"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, k := range []shape{{protocol: 6}, {protocol: 7}, {protocol: 3}, {bare: true, protocol: 6}} {
			d := &interpreter{path: "x", line: deaf{}, now: func() Micros { return Second }, shape: k, up: true, closed: make(chan struct{})}
			l := &interpreterLink{interpreter: d, counts: true, single: map[string]bool{}, busy: true, asked: "010C", frames: 0}
			d.feed(b, func(line []byte, tooLong, prompt bool) {
				l.busy = true
				l.take(line, tooLong, prompt)
			})
			for _, x := range l.out {
				if x.Kind == Data && (x.Len > 8 || x.ID > idMask29) {
					t.Fatalf("%+v", x)
				}
			}
		}
	})
}

// deaf is a line on which nothing comes back.
type deaf struct{}

func (deaf) connect() error           { return nil }
func (deaf) read([]byte) (int, error) { return 0, io.EOF }
func (deaf) write(string) error       { return nil }
func (deaf) drop()                    {}
func (deaf) close() error             { return nil }

// The same over a real serial device, with the program's own reading of it; how
// long it takes does not matter.
func TestInterpreterOnATerminal(t *testing.T) {
	s := newSpeaker()
	s.charTime = 0
	s.ecus[0x7E0] = engineECU()
	a := &adapter{t: t, path: t.TempDir() + "/tty"}
	s.in = make(chan byte, 4096)
	stop := make(chan struct{})
	defer close(stop)
	plug := func() {
		a.plugWith(func(master, slave *os.File) {
			defer slave.Close()
			b := make([]byte, 1)
			for {
				if _, err := master.Read(b); err != nil {
					return
				}
				s.in <- b[0]
			}
		})
		master := a.master
		s.mu.Lock()
		s.out = func(b []byte) { master.Write(b) }
		s.mu.Unlock()
	}
	plug()
	go s.serve(stop)
	asker, err := OpenInterpreter(a.path, InterpreterOptions{SerialOptions: SerialOptions{Wait: true, Bus: 3}}, AskOptions{Bus: 3, Requests: standardRequests})
	if err != nil {
		t.Fatal(err)
	}
	defer asker.Close()
	speed := func(f *Frame) bool {
		return f.Kind == Answer && f.ID == 0 && f.Bus == 3 && string(f.Data[:f.Len]) == "\x1A\xF8"
	}
	until(t, asker, "answers", atLeast(5, speed))
	a.unplug()
	until(t, asker, "the gap", atLeast(1, isNotice(NoticeDown)))
	plug()
	until(t, asker, "answers again", atLeast(5, speed))
}
