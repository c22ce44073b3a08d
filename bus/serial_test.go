package bus

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/creack/pty"

	"joltwatch/cmd/develop/wait"
)

// adapter is the other end of a pseudo-terminal: a serial adapter as the
// protocol's description has it, with a memory of what it was told.
type adapter struct {
	t      *testing.T
	master *os.File
	path   string
	refuse string // first letters of commands that it answers with a bell
	mute   bool
	// answers are what it says to commands in place of a line end.
	answers map[string]string
	// bus, where set, is what the adapter's bus says to a frame that it sent.
	bus func(line string) string

	mu       sync.Mutex
	commands []string
}

// newAdapter's device is a link, so that plugging in again can give it another
// terminal.
func newAdapter(t *testing.T) *adapter {
	a := &adapter{t: t, path: filepath.Join(t.TempDir(), "tty")}
	a.plug()
	t.Cleanup(func() { a.master.Close() })
	return a
}

func (a *adapter) plug() { a.plugWith(a.serve) }

// plugWith makes a terminal, whose other end serve speaks for.
func (a *adapter) plugWith(serve func(master, slave *os.File)) {
	master, slave, err := pty.Open()
	if err != nil {
		a.t.Skip("no pseudo-terminals here:", err)
	}
	// Raw before anything is written: a cooked terminal would echo.
	makeRaw(a.t, slave)
	os.Remove(a.path)
	if err := os.Symlink(slave.Name(), a.path); err != nil {
		a.t.Fatal(err)
	}
	a.master = pollable(a.t, master)
	go serve(a.master, slave)
}

func (a *adapter) unplug() {
	os.Remove(a.path)
	a.master.Close()
}

func (a *adapter) serve(master, slave *os.File) {
	defer slave.Close()
	var line []byte
	b := make([]byte, 1)
	for {
		if _, err := master.Read(b); err != nil {
			return
		}
		if b[0] != '\r' {
			line = append(line, b[0])
			continue
		}
		if len(line) > 0 {
			a.mu.Lock()
			a.commands = append(a.commands, string(line))
			a.mu.Unlock()
			answer := "\r"
			if strings.ContainsRune(a.refuse, rune(line[0])) {
				answer = "\a"
			}
			if x, ok := a.answers[string(line)]; ok {
				answer = x
			}
			if !a.mute {
				master.WriteString(answer)
			}
			if a.bus != nil && (line[0] == 't' || line[0] == 'T') {
				master.WriteString(a.bus(string(line)))
			}
		}
		line = line[:0]
	}
}

func (a *adapter) told() string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return strings.Join(a.commands, " ")
}

func (a *adapter) say(s string) {
	if _, err := a.master.WriteString(s); err != nil {
		a.t.Error(err)
	}
}

func openAdapter(t *testing.T, a *adapter, opt AdapterOptions) *SerialCAN {
	t.Helper()
	s, err := OpenSerialCAN(a.path, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func TestAdapterStartsListenOnly(t *testing.T) {
	a := newAdapter(t)
	s := openAdapter(t, a, AdapterOptions{Bitrate: 500000})
	if got := a.told(); got != "C S6 Z1 L" {
		t.Errorf("told %q", got)
	}
	if st := s.State(); st != (AdapterState{Answers: true, ListenOnly: true, Stamps: true}) {
		t.Errorf("%+v", st)
	}
}

// Asking through an adapter: the requests and flow controls of the standards'
// layouts (ISO 15765-2, SAE J1979, ISO 14229) are all that is ever sent.
func TestAdapterAsks(t *testing.T) {
	long := "\x62\x19\x41" + strings.Repeat("\x55", 9)
	controllers := map[uint32]*ecu{
		0x7E0:      {from: 0x7E8, values: map[string]string{"\x01\x0C": "\x41\x0C\x1A\xF8"}},
		0x18DA10F1: {from: 0x18DAF110, values: map[string]string{"\x22\x19\x41": long}},
	}
	a := newAdapter(t)
	a.bus = func(line string) (said string) {
		var f Frame
		if event, _ := parseAdapterLine([]byte(line), &f); event != lineFrame {
			t.Errorf("the adapter was told %q", line)
			return ""
		}
		c := controllers[f.ID]
		if c == nil {
			return ""
		}
		for _, x := range c.take(&f) {
			if x.Flags&Extended != 0 {
				said += fmt.Sprintf("T%08X%d%X\r", x.ID, x.Len, x.Data[:x.Len])
			} else {
				said += fmt.Sprintf("t%03X%d%X\r", x.ID, x.Len, x.Data[:x.Len])
			}
		}
		return said
	}
	s := openAdapter(t, a, AdapterOptions{Bitrate: 500000, Ask: true, SerialOptions: SerialOptions{Wait: true}})
	if got := a.told(); got != "C S6 Z1 O" {
		t.Errorf("told %q", got)
	}
	asker, err := s.NewAsker(AskOptions{Mean: 100, Requests: []Request{
		{Name: "engine", Service: 1, Parameter: 0x0C, Period: 20_000},
		{Name: "turbine", Service: 0x22, Parameter: 0x1941, RequestID: 0x18DA10F1, Period: 20_000},
	}})
	if err != nil {
		t.Fatal(err)
	}
	m := Merge([]Source{s, asker}, MergeOptions{Now: BootNow})
	defer m.Close()
	answer := func(id uint32, data string) func(*Frame) bool {
		return func(f *Frame) bool {
			return f.Kind == Answer && f.ID == id && string(f.Data[:f.Len]) == data && f.Early > 0
		}
	}
	engine, turbine := answer(0, "\x1A\xF8"), answer(1, strings.Repeat("\x55", 9))
	both := func(got []Frame) bool { return atLeast(3, engine)(got) && atLeast(3, turbine)(got) }
	until(t, m, "answers", both)

	// Unplugged and plugged in again, it goes on.
	a.unplug()
	until(t, m, "the gap", atLeast(1, isNotice(NoticeDown)))
	a.plug()
	until(t, m, "answers again", both)

	// Another tester: silence.
	a.say("t7DF8020D000000000000\r")
	for asker.State().Silent == "" {
		m.Read(make([]Frame, 64))
	}
	for _, c := range strings.Fields(a.told()) {
		switch c {
		case "C", "S6", "Z1", "O",
			"t7E0802010CCCCCCCCCCC", "T18DA10F1803221941CCCCCCCC":
		default:
			if !strings.HasPrefix(c, "T18DA10F1830") { // flow control
				t.Errorf("told %q", c)
			}
		}
	}
}

// Opened to listen, an adapter gives no way to ask, and is told nothing more.
func TestAdapterThatListensSendsNothing(t *testing.T) {
	a := newAdapter(t)
	s := openAdapter(t, a, AdapterOptions{Bitrate: 500000})
	if _, err := s.NewAsker(AskOptions{Requests: []Request{{Service: 1, Parameter: 0x0C}}}); err == nil {
		t.Error("an asker on an adapter that listens")
	}
	a.say("t7E8804410C1AF8000000\rt7DF8020C000000000000\r")
	until(t, s, "two frames", atLeast(2, isFrame))
	if got := a.told(); got != "C S6 Z1 L" {
		t.Errorf("told %q", got)
	}
}

// Whatever an adapter answers to the command for listen-only mode, but an empty
// line, the bus is not opened unless it may acknowledge.
func TestAdapterListensOnlyOrNotAtAll(t *testing.T) {
	for said, refused := range map[string]bool{
		"\r": false, "t1230\r\r": false, "\a": true, "": true, "?\r": true, "z\r": true, "L\r": true,
		"OK": true, "V1013\r": true, "\x00\xff\xfe": true, "t1230\r": true, "L\r\a": true,
	} {
		t.Run(fmt.Sprintf("%q", said), func(t *testing.T) {
			t.Parallel()
			a := newAdapter(t)
			a.answers = map[string]string{"L": said}
			// Also where a missing device would be waited for.
			opt := AdapterOptions{Bitrate: 500000, SerialOptions: SerialOptions{Wait: true}}
			s, err := OpenSerialCAN(a.path, opt)
			if (err != nil) != refused {
				t.Fatalf("%v", err)
			}
			if err == nil {
				defer s.Close()
				if !s.State().ListenOnly || a.told() != "C S6 Z1 L" {
					t.Errorf("%+v, told %q", s.State(), a.told())
				}
				return
			}
			want := "answered nothing to the command for listen-only mode (L)"
			if strings.Contains(said, "\a") {
				want = "refused the command for listen-only mode (L)"
			}
			if !errors.Is(err, ErrNotListenOnly) || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "may_acknowledge = true") {
				t.Error(err)
			}
			// What is told last is to close, and never to open.
			wait.Until(t, "the command to close", func() bool { return strings.HasSuffix(a.told(), "L C") })
			if got := a.told(); got != "C S6 Z1 L C" {
				t.Errorf("told %q", got)
			}
			opt.MayAcknowledge = true
			if s, err = OpenSerialCAN(a.path, opt); err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if s.State().ListenOnly {
				t.Error("taken to listen only")
			}
		})
	}
}

func TestAdapterWithoutListenOnly(t *testing.T) {
	a := newAdapter(t)
	a.refuse = "LZ"
	s := openAdapter(t, a, AdapterOptions{Bitrate: 250000, MayAcknowledge: true})
	if got := a.told(); got != "C S5 Z1 L O" {
		t.Errorf("told %q", got)
	}
	if st := s.State(); st != (AdapterState{Answers: true}) {
		t.Errorf("%+v", st)
	}
}

func TestAdapterThatAnswersNothing(t *testing.T) {
	a := newAdapter(t)
	a.mute = true
	s := openAdapter(t, a, AdapterOptions{Bitrate: 500000, MayAcknowledge: true})
	if s.State().Answers {
		t.Error("taken to have answered")
	}
	a.say("t1230\r")
	until(t, s, "a frame", atLeast(1, isFrame))
}

// An adapter that has reset itself, with its device still there, has its bus
// opened again; one that is only silent is left alone.
func TestAdapterIsWatched(t *testing.T) {
	tests := []struct {
		name   string
		says   string // to the question for its state
		within Micros // it is opened again; 0 for never
	}{
		{"open", "F00\r", 0},
		{"reset", "\a", 5 * Second},
		{"silent", "", 5 * Second},
	}
	for _, tt := range tests {
		s := SerialCAN{port: port{}}
		now, opened, asks := Second, Micros(0), 0
		for now < 60*Second && opened == 0 {
			asked := s.watch.asked
			if s.lost(nil, now) && s.watch.asked == 0 {
				opened = now
			}
			if s.watch.asked > asked {
				asks++
				if tt.says != "" {
					now += 10_000
					if s.lost([]byte(tt.says), now) {
						opened = now
					}
				}
			}
			now += 200_000
		}
		if (opened > 0) != (tt.within > 0) || opened > Second+tt.within || asks == 0 {
			t.Errorf("%s: opened again at %d, asked %d times", tt.name, opened, asks)
		}
	}
	// Frames to send that it refuses, one after the other.
	s := SerialCAN{port: port{}}
	if s.lost([]byte("z\r\az\r\a\a"), Second) {
		t.Error("opened again although it took a frame")
	}
	if !s.lost([]byte("\a"), 2*Second) {
		t.Error("three refusals in a row pass")
	}
}

func TestAdapterRefusals(t *testing.T) {
	a := newAdapter(t)
	a.refuse = "S"
	if _, err := OpenSerialCAN(a.path, AdapterOptions{Bitrate: 500000}); err == nil || !strings.Contains(err.Error(), "refuses a bitrate of 500000") {
		t.Error(err)
	}
	b := newAdapter(t)
	b.refuse = "LO"
	if _, err := OpenSerialCAN(b.path, AdapterOptions{MayAcknowledge: true}); err == nil || !strings.Contains(err.Error(), "refuses to open the bus") {
		t.Error(err)
	}
	if _, err := OpenSerialCAN(b.path, AdapterOptions{Bitrate: 33333}); err == nil || !strings.Contains(err.Error(), "expected one of 10000") {
		t.Error(err)
	}
	if _, err := OpenSerialCAN(filepath.Join(t.TempDir(), "absent"), AdapterOptions{}); err == nil || !strings.Contains(err.Error(), "no such device") {
		t.Error(err)
	}
	plain := filepath.Join(t.TempDir(), "file")
	os.WriteFile(plain, nil, 0o600)
	if _, err := OpenSerialCAN(plain, AdapterOptions{}); err == nil || !strings.Contains(err.Error(), "cannot be used as a serial device") {
		t.Error(err)
	}
}

func TestAdapterFrames(t *testing.T) {
	a := newAdapter(t)
	s := openAdapter(t, a, AdapterOptions{SerialOptions: SerialOptions{Bus: 2}})
	before := BootNow()
	a.say("t1230\rt7FF2AABB\rT18FEF1008" + "0102030405060708\rr1234\rR18FEF1000\r\a\rz\rsb000000\re1o\r")
	got := until(t, s, "the frames", atLeast(7, isFrame))
	for i := range got {
		f := &got[i]
		if f.At < before-maxEarly || f.At > BootNow() || f.Bus != 2 || i > 0 && f.At < got[i-1].At {
			t.Errorf("%+v", f)
		}
		if f.Kind == Data && f.Early > maxEarly {
			t.Errorf("early %d", f.Early)
		}
		f.At, f.Bus, f.Early = 0, 0, 0
	}
	busOff := Frame{ID: errBusOff, Kind: Error, Len: 8}
	overrun := Frame{ID: errController, Kind: Error, Len: 8}
	overrun.Data[1] = ctrlRxOverflow
	want := []Frame{data(0, 0x123, 0), data(0, 0x7FF, 0, 0xAA, 0xBB), data(0, 0x18FEF100, Extended, 1, 2, 3, 4, 5, 6, 7, 8),
		{ID: 0x123, Kind: Remote, Len: 4}, {ID: 0x18FEF100, Kind: Remote, Flags: Extended},
		busOff, NewNotice(0, 0, NoticeBusOff, 0), overrun, NewNotice(0, 0, NoticeDropped, 1)}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("\n got %v\nwant %v", got, want)
	}
	if st := s.Stats(); st != (Stats{Frames: 7, Errors: 2, Dropped: 1}) {
		t.Errorf("%+v", st)
	}
}

// Bytes lost on the serial line cost the lines they belong to and no more.
func TestAdapterLosesBytes(t *testing.T) {
	a := newAdapter(t)
	s := openAdapter(t, a, AdapterOptions{})
	// A data digit, a line end, an identifier digit are missing; then noise,
	// and a run without any line end.
	a.say("t1232AABB\rt1232AAB\rt1232AABBt1232AABB\rt12AABB\r\xff\xfe\x00\rt1232AABB\r")
	a.say(strings.Repeat("x", 3000) + "\rt1232AACC\r")
	bad := func(got []Frame) (n int64) {
		for i := range got {
			if isNotice(NoticeBadInput)(&got[i]) {
				n += got[i].Count()
			}
		}
		return n
	}
	got := until(t, s, "three frames and five bad lines", func(got []Frame) bool { return count(got, isFrame) >= 3 && bad(got) >= 5 })
	if count(got, isFrame) != 3 || bad(got) != 5 {
		t.Errorf("%d frames and %d bad lines", count(got, isFrame), bad(got))
	}
	if st := s.Stats(); st.BadLines != 5 || st.Frames != 3 {
		t.Errorf("%+v", st)
	}
}

func TestAdapterUnpluggedAndBack(t *testing.T) {
	a := newAdapter(t)
	s := openAdapter(t, a, AdapterOptions{Bitrate: 500000})
	a.say("t1230\r")
	until(t, s, "a frame", atLeast(1, isFrame))
	a.unplug()
	until(t, s, "unplugged", atLeast(1, isNotice(NoticeDown)))
	a.plug()
	until(t, s, "plugged in", atLeast(1, isNotice(NoticeUp)))
	a.say("t1240\r")
	until(t, s, "a frame after that", atLeast(1, isFrame))
	if got := a.told(); got != "C S6 Z1 L C S6 Z1 L" {
		t.Errorf("told %q", got)
	}
}

func TestParseAdapterLine(t *testing.T) {
	for _, line := range []string{"t", "t12", "t1239", "t8000", "T20000000" + "0", "t1231A", "t1231AG", "t1231AAB", "t1231AA12", "t1231AAEA60", "t1231AA1234F",
		"x", "s", "sa00000", "sx000000", "sa00a000", "e", "e2a", "e1x", "zz", "T18FEF10"} {
		var f Frame
		if ev, _ := parseAdapterLine([]byte(line), &f); ev != lineBad {
			t.Errorf("%q passed as %d %+v", line, ev, f)
		}
	}
	var f Frame
	if ev, stamp := parseAdapterLine([]byte("t1231AAEA5F"), &f); ev != lineFrame || stamp != 59_999_000 {
		t.Errorf("%d %d", ev, stamp)
	}
}

// The device's clock runs 80 ppm fast, frames are held up by 0 to 15 ms, and
// the counter starts again every minute.
func TestDeviceClockFollows(t *testing.T) {
	for _, ppm := range []float64{-80, 0, 80} {
		c := deviceClock{modulus: stampModulus}
		var last, worst Micros
		for i := range 60000 { // ten minutes
			true_ := Micros(i) * 10_000
			dev := Micros(float64(true_)*(1+ppm/1e6)) + 12_345_000
			stamp := dev / 1000 * 1000 % stampModulus
			delay := Micros(i*7919%15) * 1000
			at, jump := c.instant(stamp, 5*Second+true_+delay)
			if jump != 0 {
				t.Fatalf("%v ppm: a jump of %d at %d", ppm, jump, i)
			}
			if at < last {
				t.Fatalf("%v ppm: backwards", ppm)
			}
			last = at
			if i > 1000 {
				worst = max(worst, at-5*Second-true_, 5*Second+true_-at)
			}
		}
		if worst > 2000 {
			t.Errorf("%v ppm: off by up to %d µs; the stamps alone are good to 1000", ppm, worst)
		}
	}
}

func TestDeviceClockJumps(t *testing.T) {
	c := deviceClock{modulus: recordStampModulus}
	var jumps []Micros
	see := func(stamp, now Micros) {
		at, j := c.instant(stamp, now)
		if at > now {
			t.Errorf("in the future: %d after %d", at, now)
		}
		if j != 0 {
			jumps = append(jumps, j)
		}
	}
	for i := range Micros(100) {
		see(100*Second+i*10_000, i*10_000)
	}
	see(200*Second, 1_000_000) // set forward by 99 s
	for i := range Micros(100) {
		see(i*10_000, 1_010_000+i*10_000) // started again
	}
	if len(jumps) != 2 || jumps[0] < 98*Second || jumps[1] > -199*Second {
		t.Errorf("jumps %v", jumps)
	}
	// Held up for 3 s: the stamps say so, and that is no jump.
	if at, j := c.instant(1_000_000, 5_010_000); j != 0 || at > 5_010_000 {
		t.Errorf("at %d, jump %d", at, j)
	}
}

func TestParseRecord(t *testing.T) {
	tests := []struct {
		line, name, unit string
		value            float64
		stamp            Micros
	}{
		{"p,1.5", "p", "", 1.5, -1},
		{" oil_pressure , -4e2 , kPa \r", "oil_pressure", "kPa", -400, -1},
		{"p,1,kPa,123", "p", "kPa", 1, 123},
		{"p,1,123", "p", "", 1, 123},
		{"p,1,,123", "p", "", 1, 123},
		{"p,1,%", "p", "%", 1, -1},
		{`{"name":"p","value":1.5}`, "p", "", 1.5, -1},
		{`{"name":"p","value":1.5,"unit":"kPa","t_us":4294967296}`, "p", "kPa", 1.5, 1 << 32},
	}
	for _, tt := range tests {
		var r record
		skip, reason := parseRecord([]byte(tt.line), &r)
		if skip || reason != "" || string(r.name) != tt.name || string(r.unit) != tt.unit || r.value != tt.value || r.stamp != tt.stamp {
			t.Errorf("%q: %v %q %+v", tt.line, skip, reason, r)
		}
	}
	for _, line := range []string{"", "  ", "# made by the sensor"} {
		var r record
		if skip, _ := parseRecord([]byte(line), &r); !skip {
			t.Errorf("%q is taken for a record", line)
		}
	}
	for _, line := range []string{"p", "p,", "p,x", "p,NaN", "p,+Inf", "p,1e999", ",1", "a b,1", "p,1,kPa,x", "p,1,kPa,-1", "p,1,2,3,4", "p,1,5x5",
		"{", `{"name":"p"}`, `{"value":1}`, `{"name":"p","value":"1"}`, `{"name":"p","value":1,"more":2}`, `{"name":"p","value":1} x`, `{"name":"p","value":null}`} {
		var r record
		if skip, reason := parseRecord([]byte(line), &r); skip || reason == "" {
			t.Errorf("%q passed as %+v", line, r)
		}
	}
}

func TestRecords(t *testing.T) {
	a := newAdapter(t)
	a.mute = true
	r, err := OpenRecords(a.path, RecordOptions{SerialOptions: SerialOptions{Bus: 1}, Channels: []string{"pressure", "temperature"}})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	a.say("ssure,99\n") // half a line
	a.say("pressure,401.5,kPa,1000000\n{\"name\":\"temperature\",\"value\":90}\r\nother,1\nrubbish\npressure,58,psi\npressure,402,1010000\n")
	got := until(t, r, "the readings", atLeast(3, func(f *Frame) bool { return f.Kind == Reading }))
	var text []string
	for i := range got {
		if got[i].Kind == Reading {
			text = append(text, fmt.Sprintf("%d:%d=%v", got[i].Bus, got[i].ID, got[i].Value()))
		}
	}
	if s := strings.Join(text, " "); s != "1:0=401.5 1:1=90 1:0=402" {
		t.Error(s)
	}
	r.Read(make([]Frame, 10))
	if st := r.Stats(); st.Frames != 3 || st.BadLines != 2 {
		t.Errorf("%+v", st)
	}
	if s := r.LastReason(); s != "the unit of pressure was kPa" {
		t.Error(s)
	}
	a.unplug()
	until(t, r, "unplugged", atLeast(1, isNotice(NoticeDown)))
	a.plug()
	until(t, r, "plugged in", atLeast(1, isNotice(NoticeUp)))
}

func FuzzAdapterLines(f *testing.F) {
	f.Add([]byte("t1230\rt7FF2AABB\rT18FEF10080102030405060708\rr1234\rR18FEF1000\r\a\rz\rsb000000\re1o\rt1231AAEA5F\r"))
	f.Fuzz(func(t *testing.T, b []byte) {
		l := lineBuffer{limit: maxAdapterLine}
		whole := bytes.Count(b, []byte{'\r'}) + bytes.Count(b, []byte{'\n'}) + bytes.Count(b, []byte{'\a'})
		lines := 0
		c := deviceClock{modulus: stampModulus}
		now, last := Micros(0), Micros(0)
		for len(b) > 0 {
			n := copy(l.room(), b)
			l.add(n)
			b = b[n:]
			for {
				line, ok, tooLong := l.next()
				if !ok {
					break
				}
				if !tooLong || len(line) > 0 {
					lines++
				}
				if tooLong {
					continue
				}
				now += 1000
				var fr Frame
				ev, stamp := parseAdapterLine(line, &fr)
				if ev == lineFrame && (fr.Len > 8 || fr.ID > idMask29 || fr.Flags&Extended == 0 && fr.ID > idMask11) {
					t.Fatalf("%q: %+v", line, fr)
				}
				if stamp >= 0 {
					at, _ := c.instant(stamp, now)
					if at < last || at > now {
						t.Fatalf("instant %d after %d at %d", at, last, now)
					}
					last = at
				}
			}
		}
		if lines != whole {
			t.Fatalf("%d lines, %d line ends", lines, whole)
		}
	})
}

func FuzzRecordLine(f *testing.F) {
	for _, s := range []string{"p,1,kPa,123", `{"name":"p","value":1.5,"unit":"kPa","t_us":4294967296}`, "# x", "p,1,,5"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var r record
		skip, reason := parseRecord(b, &r)
		if !skip && reason == "" && (len(r.name) == 0 || math.IsNaN(r.value) || math.IsInf(r.value, 0) || r.stamp < -1) {
			t.Fatalf("%q: %+v", b, r)
		}
	})
}

// A device that is missing is waited for; one that is something else is not.
func TestWaitOnlyForTheMissing(t *testing.T) {
	plain := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	absent := filepath.Join(t.TempDir(), "absent")
	wait := SerialOptions{Wait: true}
	open := map[string]func(string) (Source, error){
		"adapter":       func(p string) (Source, error) { return OpenSerialCAN(p, AdapterOptions{SerialOptions: wait}) },
		"records":       func(p string) (Source, error) { return OpenRecords(p, RecordOptions{SerialOptions: wait}) },
		"button":        func(p string) (Source, error) { return OpenButton(p, ButtonOptions{Wait: true}) },
		"accelerometer": func(p string) (Source, error) { return OpenAccelerometer(p, AccelerometerOptions{Wait: true}) },
	}
	for name, f := range open {
		s, err := f(absent)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		until(t, s, name+" down", atLeast(1, isNotice(NoticeDown)))
		s.Close()
		if s, err := f(plain); err == nil {
			t.Errorf("%s: a plain file passes", name)
			s.Close()
		}
	}
}
