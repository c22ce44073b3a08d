//go:build linux

package bus

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"joltwatch/cmd/develop/lot"
)

// kernelAdapter puts the kernel's own slcan driver on a pseudo-terminal. The
// driver plays the host; what it writes goes to to, at once, as it waits for that.
// What is written to the file goes to the driver.
func kernelAdapter(t *testing.T, to io.Writer) (master *os.File, iface string) {
	t.Helper()
	m, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	makeRaw(t, slave)
	t.Cleanup(func() { slave.Close() })
	const slcanDiscipline = 17 // N_SLCAN, linux/tty.h
	if err := unix.IoctlSetPointerInt(int(slave.Fd()), unix.TIOCSETD, slcanDiscipline); err != nil {
		t.Fatalf("the kernel's slcan driver: %v", err)
	}
	req, _ := unix.NewIfreq("")
	if err := unix.IoctlIfreq(int(slave.Fd()), unix.SIOCGIFNAME, req); err != nil {
		t.Fatal(err)
	}
	master = pollable(t, m)
	t.Cleanup(func() { master.Close() })
	go io.Copy(to, master)
	return master, req.Name()
}

// The commands with which we start an adapter are the kernel driver's.
func TestVMAdapterCommandsAreTheKernels(t *testing.T) {
	needVM(t)
	for _, bitrate := range []uint32{10000, 250000, 500000, 1000000} {
		var said safeBuffer
		_, iface := kernelAdapter(t, &said)
		if _, err := SetUpCAN(iface, CANSetup{Bitrate: bitrate}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond)
		kernel := strings.Fields(said.String())
		a := newAdapter(t)
		openAdapter(t, a, AdapterOptions{Bitrate: bitrate})
		ours := strings.Fields(strings.Replace(a.told(), " Z1", "", 1)) // the driver wants no stamps
		if len(ours) != 3 || fmt.Sprint(ours) != fmt.Sprint(kernel) {
			t.Errorf("%d bit/s: the kernel says %q, we say %q", bitrate, kernel, ours)
		}
	}
}

// What the kernel's driver writes for a frame, we read as that frame.
func TestVMAdapterReadsTheKernelsLines(t *testing.T) {
	needVM(t)
	a := newAdapter(t)
	s := openAdapter(t, a, AdapterOptions{})
	_, iface := kernelAdapter(t, a.master)
	if _, err := SetUpCAN(iface, CANSetup{Bitrate: 500000, Ask: true}); err != nil {
		t.Fatal(err)
	}
	// The driver's own commands are no frames to us.
	w := newWire(t, iface)
	rng := lot.Draw(t, 1, 2)
	var want []Frame
	for range 200 {
		f := randomFrame(rng)
		want = append(want, f)
		w.send(f)
	}
	got := until(t, s, "the kernel's frames", atLeast(len(want), isFrame))
	compareFrames(t, got, want)
}

// Given the same bytes, good and bad, the kernel's driver and we read the same
// frames.
func TestVMAdapterReadsWhatTheKernelReads(t *testing.T) {
	needVM(t)
	master, iface := kernelAdapter(t, io.Discard)
	if _, err := SetUpCAN(iface, CANSetup{Bitrate: 500000}); err != nil {
		t.Fatal(err)
	}
	kernel, err := OpenSocketCAN(iface, SocketOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer kernel.Close()
	a := newAdapter(t)
	ours := openAdapter(t, a, AdapterOptions{})
	rng := lot.Draw(t, 3, 4)
	frames := 0
	for i := range 300 {
		f := randomFrame(rng)
		line := adapterLine(&f)
		switch i % 10 {
		case 3: // a data digit that is none
			if f.Kind == Data && f.Len > 0 {
				line = line[:len(line)-1] + "g"
				frames--
			}
		case 7: // a length that is none
			at := 4
			if f.Flags&Extended != 0 {
				at = 9
			}
			line = line[:at] + "9" + line[at+1:]
			frames--
		}
		frames++
		master.WriteString(line + "\r")
		a.say(line + "\r")
	}
	want := until(t, kernel, "the kernel's frames", atLeast(frames, isFrame))
	got := until(t, ours, "our frames", atLeast(frames, isFrame))
	compareFrames(t, got, want)
	if n := count(got, isFrame); n != frames || n < 200 {
		t.Errorf("%d frames, want %d", n, frames)
	}
}

func randomFrame(rng *rand.Rand) Frame {
	f := Frame{ID: rng.Uint32() & idMask11, Len: uint8(rng.IntN(9))}
	if rng.IntN(2) == 1 {
		f.ID, f.Flags = rng.Uint32()&idMask29, Extended
	}
	if rng.IntN(5) == 0 {
		f.Kind = Remote
		return f
	}
	for i := range f.Data[:f.Len] {
		f.Data[i] = byte(rng.Uint32())
	}
	return f
}

// adapterLine writes a frame as an adapter would.
func adapterLine(f *Frame) string {
	letter := "t"
	if f.Kind == Remote {
		letter = "r"
	}
	id := fmt.Sprintf("%03X", f.ID)
	if f.Flags&Extended != 0 {
		letter, id = strings.ToUpper(letter), fmt.Sprintf("%08X", f.ID)
	}
	s := fmt.Sprintf("%s%s%d", letter, id, f.Len)
	if f.Kind == Data {
		s += fmt.Sprintf("%X", f.Data[:f.Len])
	}
	return s
}

func compareFrames(t *testing.T, got, want []Frame) {
	t.Helper()
	strip := func(in []Frame) (out []Frame) {
		for _, f := range in {
			if isFrame(&f) {
				f.At, f.Early = 0, 0
				out = append(out, f)
			}
		}
		return out
	}
	got, want = strip(got), strip(want)
	for i := range min(len(got), len(want)) {
		if got[i] != want[i] {
			t.Fatalf("frame %d:\n got %+v\nwant %+v", i, got[i], want[i])
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d frames, want %d", len(got), len(want))
	}
}

// safeBuffer is a buffer for two goroutines.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}
