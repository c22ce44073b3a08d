package bus

import (
	"encoding/binary"
	"errors"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"joltwatch/cmd/develop/wait"
)

// needVM skips outside the emulated machine, where the kernel may have no CAN.
func needVM(t testing.TB) {
	t.Helper()
	if os.Getenv("JOLTWATCH_VM") == "" {
		t.Skip("needs the emulated machine: make vmtest")
	}
}

// command runs a command of the emulated machine.
func command(t testing.TB, line string) string {
	t.Helper()
	out, err := exec.Command("/bin/sh", "-c", line).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v: %s", line, err, out)
	}
	return string(out)
}

// vcan makes a virtual interface for one test.
func vcan(t testing.TB, name string) {
	t.Helper()
	command(t, "ip link add dev "+name+" type vcan && ip link set "+name+" mtu 72 up")
	t.Cleanup(func() { exec.Command("/bin/sh", "-c", "ip link del "+name).Run() })
}

// wire is the other side: a raw socket that does send.
type wire struct {
	t  testing.TB
	fd int
}

func newWire(t testing.TB, iface string) *wire {
	t.Helper()
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW, unix.CAN_RAW)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(fd) })
	index, err := ifIndex(fd, iface)
	if err != nil {
		t.Fatalf("%s: %v", iface, err)
	}
	for opt, v := range map[int]int{canRawErrFilter: canErrMask, canRawFDFrames: 1} {
		if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, opt, v); err != nil {
			t.Fatal(err)
		}
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: index}); err != nil {
		t.Fatal(err)
	}
	unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &unix.Timeval{Sec: 2})
	return &wire{t, fd}
}

func encodeFrame(f *Frame) []byte {
	b := make([]byte, canMTU)
	id := f.ID
	if f.Flags&Extended != 0 {
		id |= extFlag
	}
	if f.Kind == Error {
		id |= errorFlag
	}
	if f.Kind == Remote {
		id |= remoteFlag
	}
	if f.Flags&FD != 0 {
		b = make([]byte, canFDMTU)
		if f.Flags&BRS != 0 {
			b[5] |= canFDBRS
		}
		if f.Flags&ESI != 0 {
			b[5] |= canFDESI
		}
	}
	binary.NativeEndian.PutUint32(b, id)
	b[4] = f.Len
	copy(b[8:], f.Data[:len(b)-8])
	return b
}

// send waits while the interface's queue is full.
func (w *wire) send(f Frame) {
	w.t.Helper()
	b := encodeFrame(&f)
	for deadline := wait.End(w.t); ; {
		_, err := unix.Write(w.fd, b)
		if err == nil {
			return
		}
		if !errors.Is(err, unix.ENOBUFS) || time.Now().After(deadline) {
			w.t.Fatalf("send: %v", err)
		}
		time.Sleep(time.Millisecond)
	}
}

// sendBatch is how many frames sendMany hands over in one system call.
const sendBatch = 32

// many is a batch of full frames, made once: a sender in the emulated machine
// has no time to spare.
type many struct {
	frames [sendBatch][canMTU]byte
	iovs   [sendBatch]unix.Iovec
	msgs   [sendBatch]mmsghdr
}

func newMany() *many {
	m := new(many)
	for i := range m.frames {
		f := data(0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8)
		copy(m.frames[i][:], encodeFrame(&f))
		m.iovs[i].Base = &m.frames[i][0]
		m.iovs[i].SetLen(canMTU)
		m.msgs[i].hdr.Iov = &m.iovs[i]
		m.msgs[i].hdr.SetIovlen(1)
	}
	return m
}

// sendMany sends the batch with ascending identifiers from first on.
func (w *wire) sendMany(m *many, first uint32) {
	for i := range m.frames {
		binary.NativeEndian.PutUint32(m.frames[i][:], (first+uint32(i))&0x7FF)
	}
	for done := 0; done < sendBatch; {
		k, _, errno := unix.Syscall6(unix.SYS_SENDMMSG, uintptr(w.fd), uintptr(unsafe.Pointer(&m.msgs[done])), uintptr(sendBatch-done), 0, 0, 0)
		if errno != 0 && errno != unix.ENOBUFS {
			w.t.Errorf("sendmmsg: %v", errno)
			return
		}
		if errno == 0 {
			done += int(k)
		}
	}
}

// counter reads one of an interface's counters.
func counter(t testing.TB, iface, name string) uint64 {
	t.Helper()
	b, err := os.ReadFile("/sys/class/net/" + iface + "/statistics/" + name)
	if err != nil {
		t.Fatal(err)
	}
	n, err := strconv.ParseUint(strings.TrimSpace(string(b)), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// until reads src until enough says so, or fails.
func until(t testing.TB, src Source, what string, enough func([]Frame) bool) []Frame {
	t.Helper()
	var got []Frame
	batch := make([]Frame, 512)
	for deadline := wait.End(t); ; {
		n, err := src.Read(batch)
		got = append(got, batch[:n]...)
		if err != nil {
			t.Fatalf("waiting for %s: %v", what, err)
		}
		if enough(got) {
			return got
		}
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain for %s; the last of %d frames: %+v", what, len(got), got[max(0, len(got)-3):])
		}
	}
}

// count says how many frames satisfy is.
func count(frames []Frame, is func(*Frame) bool) (n int) {
	for i := range frames {
		if is(&frames[i]) {
			n++
		}
	}
	return n
}

func isNotice(code NoticeCode) func(*Frame) bool {
	return func(f *Frame) bool { return f.Kind == Notice && NoticeCode(f.ID) == code }
}

func atLeast(n int, is func(*Frame) bool) func([]Frame) bool {
	return func(frames []Frame) bool { return count(frames, is) >= n }
}

func isFrame(f *Frame) bool { return f.Kind <= Error }

// makeRaw turns off all that a terminal does to bytes.
func makeRaw(t testing.TB, tty *os.File) {
	t.Helper()
	termios := unix.Termios{Cflag: unix.CREAD | unix.CLOCAL | unix.CS8 | unix.B115200}
	termios.Cc[unix.VMIN] = 1
	if err := unix.IoctlSetTermios(int(tty.Fd()), unix.TCSETS, &termios); err != nil {
		t.Fatal(err)
	}
}

// pollable returns f as a file whose Close ends a Read that waits.
func pollable(t testing.TB, f *os.File) *os.File {
	t.Helper()
	fd, err := unix.Dup(int(f.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	if err := unix.SetNonblock(fd, true); err != nil {
		t.Fatal(err)
	}
	return os.NewFile(uintptr(fd), f.Name())
}
