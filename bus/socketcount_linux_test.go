package bus

import (
	"fmt"
	"net"
	"os"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

// loopback is a SocketCAN where neither the kernel nor an emulator need have CAN:
// datagrams of the form of struct can_frame (linux/can.h) come to it through a UDP
// socket. The stamp and the counter that a CAN socket has beside each are put there by
// the test.
func loopback(t *testing.T) (*SocketCAN, *net.UDPAddr) {
	t.Helper()
	listener, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	file, err := listener.File()
	if err != nil {
		t.Fatal(err)
	}
	s := newSocketCAN("lo", SocketOptions{})
	s.file = file
	if s.conn, err = file.SyscallConn(); err != nil {
		t.Fatal(err)
	}
	s.conn.Control(func(fd uintptr) { err = unix.SetNonblock(int(fd), true) })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s, listener.LocalAddr().(*net.UDPAddr)
}

// beside writes a stamp and a counter as the kernel does (cmsg(3)) and returns their
// length.
func beside(c []byte) int {
	var now unix.Timespec
	head := (*unix.Cmsghdr)(unsafe.Pointer(&c[0]))
	head.Level, head.Type = unix.SOL_SOCKET, unix.SCM_TIMESTAMPNS
	head.SetLen(unix.CmsgLen(int(unsafe.Sizeof(now))))
	unix.ClockGettime(unix.CLOCK_REALTIME, &now)
	*(*unix.Timespec)(unsafe.Pointer(&c[unix.CmsgLen(0)])) = now
	next := unix.CmsgSpace(int(unsafe.Sizeof(now)))
	head = (*unix.Cmsghdr)(unsafe.Pointer(&c[next]))
	head.Level, head.Type = unix.SOL_SOCKET, unix.SO_RXQ_OVFL
	head.SetLen(unix.CmsgLen(4))
	return next + unix.CmsgSpace(4)
}

// readLoopback is Read, with what the test puts beside the frames.
func (s *SocketCAN) readLoopback(t *testing.T, batch []Frame) int {
	t.Helper()
	if s.next == len(s.out) {
		s.out, s.next = s.out[:0], 0
		n, err := s.recvmmsg()
		if err != nil {
			t.Fatal(err)
		}
		for i := range n {
			s.msgs[i].hdr.SetControllen(beside(s.ctrl[i][:]))
		}
		s.decode(n)
		s.publish()
	}
	n := copy(batch, s.out[s.next:])
	s.next += n
	return n
}

// TestSocketWorkload is run by cmd/develop/speed, which counts its instructions. The
// frames come in tens, as every 2 ms on a full bus of 500 kbit/s. Sending them is counted
// too, a system call for each, so it is measured alone as well ("send").
func TestSocketWorkload(t *testing.T) {
	var name string
	var n int
	if _, err := fmt.Sscan(os.Getenv("JOLTWATCH_WORKLOAD"), &name, &n); err != nil {
		t.Skip("a part of make speed")
	}
	s, to := loopback(t)
	out, err := net.DialUDP("udp4", nil, to)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	conn, err := out.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	frame := [canMTU]byte{0x23, 1, 0, 0, 8, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8}
	batch := make([]Frame, 512)
	for got, sent := 0, 0; sent < n; {
		conn.Control(func(fd uintptr) {
			for range 10 {
				if _, err := unix.Write(int(fd), frame[:]); err != nil {
					t.Fatal(err)
				}
				sent++
			}
		})
		for name == "receive" && got < sent {
			for _, f := range batch[:s.readLoopback(t, batch)] {
				if f.Kind == Data && f.ID == 0x123 && f.Len == 8 {
					got++
				}
			}
		}
	}
}
