//go:build linux

package bus

import (
	"errors"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// isotpSocket is the kernel's own ISO 15765-2, as a controller at tx and rx.
func isotpSocket(t *testing.T, iface string, rx, tx uint32) int {
	t.Helper()
	const canISOTP = 6 // CAN_ISOTP, linux/can.h
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_DGRAM, canISOTP)
	if err != nil {
		t.Fatalf("the kernel's can-isotp: %v", err)
	}
	t.Cleanup(func() { unix.Close(fd) })
	index, err := ifIndex(fd, iface)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: index, RxID: rx, TxID: tx}); err != nil {
		t.Fatal(err)
	}
	unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &unix.Timeval{Sec: 1})
	return fd
}

// The kernel's transport layer understands our requests and flow control, and
// we its answers: in one frame, in three, and in over five hundred.
func TestVMAskKernelTransport(t *testing.T) {
	needVM(t)
	vcan(t, "ask0")
	longest := "\x62\xF1\x91" + strings.Repeat("0123456789abcdef", 255)
	for _, ids := range []struct{ to, from, kernelTo, kernelFrom uint32 }{
		{0x7E0, 0x7E8, 0x7E0, 0x7E8},
		{0x18DA10F1, 0x18DAF110, 0x18DA10F1 | extFlag, 0x18DAF110 | extFlag},
	} {
		ecu := isotpSocket(t, "ask0", ids.kernelTo, ids.kernelFrom)
		answers := map[string]string{
			"\x01\x0C":     "\x41\x0C\x1A\xF8",
			"\x22\xF1\x90": "\x62\xF1\x90" + strings.Repeat("x", 17),
			"\x22\xF1\x91": longest,
			"\x03":         "\x43\x04\x07\x41\x01\x43\x41\x96\xC1\x00",
			"\x07":         "\x47\x00",
		}
		stop := make(chan struct{})
		done := make(chan struct{})
		var asked []string
		go func() {
			defer close(done)
			b := make([]byte, 4096)
			for {
				select {
				case <-stop:
					return
				default:
				}
				n, err := unix.Read(ecu, b)
				if err != nil {
					continue
				}
				asked = append(asked, string(b[:n]))
				if a, ok := answers[string(b[:n])]; ok {
					if _, err := unix.Write(ecu, []byte(a)); err != nil && !errors.Is(err, unix.EAGAIN) {
						t.Errorf("the kernel cannot send its answer: %v", err)
					}
				}
			}
		}()
		var codes []Codes
		began := BootNow()
		a, err := OpenAsker("ask0", AskOptions{Requests: []Request{
			{Name: "rpm", Service: 1, Parameter: 0x0C, RequestID: ids.to, Period: Second / 4},
			{Name: "number", Service: 0x22, Parameter: 0xF190, RequestID: ids.to, Period: Second},
			{Name: "long", Service: 0x22, Parameter: 0xF191, RequestID: ids.to, Period: 2 * Second},
		}, Codes: func(c Codes) { codes = append(codes, c) }})
		if err != nil {
			t.Fatal(err)
		}
		a.AskCodes()
		var n [3]int
		got := until(t, a, "answers", func(frames []Frame) bool {
			n = [3]int{}
			for i := range frames {
				if frames[i].Kind == Answer {
					n[frames[i].ID]++
				}
			}
			return n[0] >= 4 && n[1] >= 2 && n[2] >= 2 && len(codes) == 2
		})
		want := []string{"\x1A\xF8", strings.Repeat("x", 17), longest[3:67]}
		for i := range got {
			if got[i].Kind == Answer && string(got[i].Data[:got[i].Len]) != want[got[i].ID] {
				t.Errorf("%+v", got[i])
			}
			if got[i].Kind == Answer && (got[i].Early == 0 || Micros(got[i].Early) > got[i].At-began) {
				t.Errorf("uncertain by %d µs, more than since the beginning", got[i].Early)
			}
		}
		if s := strings.Join(codes[0].Codes, " "); s != "P0741 P0143 C0196 U0100" {
			t.Errorf("codes %+v", codes)
		}
		t.Logf("to 0x%X: %d, %d and %d answers; %+v", ids.to, n[0], n[1], n[2], a.State())
		a.Close()
		close(stop)
		<-done
		for _, q := range asked {
			if answers[q] == "" && !(q[0] == 0x22 && len(q) == 5) { // two identifiers at once
				t.Errorf("the kernel was asked %q", q)
			}
		}
	}
}

// Another tester on the bus ends the asking at once.
func TestVMAskYields(t *testing.T) {
	needVM(t)
	vcan(t, "ask1")
	tap, err := OpenSocketCAN("ask1", SocketOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer tap.Close()
	a, err := OpenAsker("ask1", AskOptions{Requests: []Request{{Name: "rpm", Service: 1, Parameter: 0x0C, Period: Second / 10}}})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	w := newWire(t, "ask1")
	batch := make([]Frame, 16)
	for start := time.Now(); a.State().Sent == 0 && time.Since(start) < 5*time.Second; {
		a.Read(batch)
	}
	if s := a.State(); s.Sent == 0 || s.Foreign != 0 {
		t.Fatalf("%+v", s)
	}
	w.send(data(0, 0x7DF, 0, 2, 1, 0, 0, 0, 0, 0, 0))
	for start := time.Now(); a.State().Silent == "" && time.Since(start) < 5*time.Second; {
		a.Read(batch)
	}
	sent := a.State().Sent
	for start := time.Now(); time.Since(start) < 2*time.Second; {
		a.Read(batch)
	}
	if s := a.State(); s.Sent != sent || !strings.Contains(s.Silent, "another tester is on the bus") || s.Foreign != 1 {
		t.Errorf("%d requests before, then %+v", sent, s)
	}
}

// The same through a serial adapter, whose bus is the kernel's own slcan driver:
// it takes our lines for frames, and its transport layer answers them.
func TestVMAskThroughAdapter(t *testing.T) {
	needVM(t)
	a := newAdapter(t)
	driver, iface := kernelAdapter(t, a.master)
	if _, err := SetUpCAN(iface, CANSetup{Bitrate: 500000, Ask: true}); err != nil {
		t.Fatal(err)
	}
	ecu := isotpSocket(t, iface, 0x7E0, 0x7E8)
	answers := map[string]string{
		"\x01\x0C":     "\x41\x0C\x1A\xF8",
		"\x22\x19\x41": "\x62\x19\x41" + strings.Repeat("x", 17),
	}
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		b := make([]byte, 64)
		for {
			select {
			case <-stop:
				return
			default:
			}
			if n, err := unix.Read(ecu, b); err == nil {
				unix.Write(ecu, []byte(answers[string(b[:n])]))
			}
		}
	}()
	defer func() { close(stop); <-done }()
	a.bus = func(line string) string {
		driver.WriteString(line + "\r")
		return ""
	}
	s := openAdapter(t, a, AdapterOptions{Bitrate: 500000, Ask: true})
	asker, err := s.NewAsker(AskOptions{Requests: []Request{
		{Name: "rpm", Service: 1, Parameter: 0x0C},
		{Name: "turbine", Service: 0x22, Parameter: 0x1941},
	}})
	if err != nil {
		t.Fatal(err)
	}
	m := Merge([]Source{s, asker}, MergeOptions{Now: BootNow})
	defer m.Close()
	answer := func(id uint32, data string) func(*Frame) bool {
		return func(f *Frame) bool { return f.Kind == Answer && f.ID == id && string(f.Data[:f.Len]) == data }
	}
	rpm, turbine := answer(0, "\x1A\xF8"), answer(1, strings.Repeat("x", 17))
	until(t, m, "answers", func(got []Frame) bool { return atLeast(3, rpm)(got) && atLeast(3, turbine)(got) })
	t.Logf("%+v", asker.State())
}
