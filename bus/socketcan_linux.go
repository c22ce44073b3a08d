package bus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
	"unsafe"

	"go.einride.tech/can/pkg/socketcan"
	"golang.org/x/sys/unix"
)

// SocketOptions say how a CAN interface is listened to.
type SocketOptions struct {
	// Bus becomes Frame.Bus.
	Bus uint8
	// Filters are the identifiers wanted; the kernel drops all others.
	// Empty, or more than 512: all. Error frames are always wanted.
	Filters []Filter
	// ReceiveBuffer is the kernel's queue in bytes, 0 for 4 MiB. Without
	// CAP_NET_ADMIN the kernel gives no more than net.core.rmem_max.
	ReceiveBuffer int
	// Wait accepts that the interface is missing or down for now.
	Wait bool
	// ListenOnly refuses an interface whose controller is not set up to listen
	// only: up, it acknowledges the frames of others. Virtual interfaces have
	// no controller.
	ListenOnly bool
}

// Filter matches frames whose identifier agrees with ID in the bits of Mask.
type Filter struct {
	ID, Mask uint32
	Extended bool
}

// SocketCAN listens to one CAN interface. It has no way to send: the type that
// asks questions is another one (Asker), which is made only on request.
type SocketCAN struct {
	iface string
	opt   SocketOptions
	wait  time.Duration // how long Read waits for the first frame

	file *os.File // nil while the interface is away
	conn syscall.RawConn

	msgs [socketBatch]mmsghdr
	iovs [socketBatch]unix.Iovec
	data [socketBatch][unix.CAN_MTU + 56]byte // CANFD_MTU, 72
	ctrl [socketBatch][64]byte

	outbox
	dropped uint32 // the kernel's counter on this socket
	device  uint64 // the interface's counters of frames that never got to a socket
	counted Micros // when they were last looked at
	wall    wallToBoot
	heard   Micros // when a frame last came, or it was opened
	asks    bool   // read by an Asker, which sets wait itself

	mu     sync.Mutex // guards what follows, and changes of file
	closed bool
}

// socketBatch is how many frames one system call takes over.
const socketBatch = 64

// Not in x/sys/unix: linux/can/raw.h.
const (
	canRawFilter    = 1
	canRawErrFilter = 2
	canRawFDFrames  = 5
	canErrMask      = 0x1FFFFFFF
	canMTU          = 16
	canFDMTU        = 72
	canFDBRS        = 1
	canFDESI        = 2
	memInfoDrops    = 8 // SK_MEMINFO_DROPS, linux/sock_diag.h
)

type mmsghdr struct {
	hdr unix.Msghdr
	len uint32
}

// OpenSocketCAN listens to a CAN interface. It is not set up here: see
// SetUpCAN.
func OpenSocketCAN(iface string, opt SocketOptions) (*SocketCAN, error) {
	s := newSocketCAN(iface, opt)
	if err := s.open(); err != nil {
		if !opt.Wait || !errors.Is(err, ErrMissing) {
			return nil, err
		}
	}
	if err := s.listens(); err != nil && canUp(iface) {
		s.closeSocket()
		return nil, err
	}
	if s.down = !canUp(iface); s.down {
		if !opt.Wait {
			s.closeSocket()
			return nil, fmt.Errorf("%s is down; set it up with \"joltwatch prepare\", or \"ip link set %s up\"", iface, iface)
		}
		s.notice(BootNow(), NoticeDown, 0)
	}
	return s, nil
}

func newSocketCAN(iface string, opt SocketOptions) *SocketCAN {
	s := &SocketCAN{iface: iface, opt: opt, wait: quietTime, heard: BootNow(),
		outbox: outbox{bus: opt.Bus, out: make([]Frame, 0, 4*socketBatch+4)}}
	for i := range s.msgs {
		s.iovs[i].Base = &s.data[i][0]
		s.iovs[i].SetLen(len(s.data[i]))
		s.msgs[i].hdr.Iov = &s.iovs[i]
		s.msgs[i].hdr.SetIovlen(1)
		s.msgs[i].hdr.Control = &s.ctrl[i][0]
	}
	return s
}

// listens is an error where the interface must listen only and does not.
func (s *SocketCAN) listens() error {
	if !s.opt.ListenOnly {
		return nil
	}
	now, err := ReadCANState(s.iface)
	if err != nil || now.Virtual || now.ListenOnly {
		return nil // one that is missing is waited for
	}
	return fmt.Errorf("%s: %w: its controller acknowledges frames; set it up with joltwatch prepare, or, where it has no such mode, say may_acknowledge = true for the bus",
		s.iface, ErrNotListenOnly)
}

func (s *SocketCAN) open() error {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if err != nil {
		if errors.Is(err, unix.EAFNOSUPPORT) || errors.Is(err, unix.EPROTONOSUPPORT) {
			return fmt.Errorf("%s: the kernel has no CAN sockets; load its module: modprobe can-raw: %w", s.iface, err)
		}
		return fmt.Errorf("%s: socket: %w", s.iface, err)
	}
	fail := func(call string, err error) error {
		unix.Close(fd)
		return fmt.Errorf("%s: %s: %w", s.iface, call, err)
	}
	if f := s.opt.Filters; len(f) > 0 && len(f) <= unix.CAN_RAW_FILTER_MAX {
		list := make([]unix.CanFilter, len(f))
		for i, x := range f {
			// The frame-format bits are part of the match: an 11-bit
			// identifier is not a 29-bit one of the same value.
			list[i] = unix.CanFilter{Id: x.ID, Mask: x.Mask&idMask29 | extFlag | remoteFlag}
			if x.Extended {
				list[i].Id |= extFlag
			}
		}
		if err := unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, canRawFilter, list); err != nil {
			return fail("CAN_RAW_FILTER", err)
		}
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, canRawErrFilter, canErrMask); err != nil {
		return fail("CAN_RAW_ERR_FILTER", err)
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, canRawFDFrames, 1); err != nil {
		return fail("CAN_RAW_FD_FRAMES", err)
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1); err != nil {
		return fail("SO_TIMESTAMPNS", err)
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1); err != nil {
		return fail("SO_RXQ_OVFL", err)
	}
	size := s.opt.ReceiveBuffer
	if size == 0 {
		size = 4 << 20
	}
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, size) != nil {
		if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, size); err != nil {
			return fail("SO_RCVBUF", err)
		}
	}
	index, err := ifIndex(fd, s.iface)
	if err != nil {
		unix.Close(fd)
		return fmt.Errorf("%s: %w; plug its adapter in, and see \"ip link\" for its name", s.iface, ErrMissing)
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: index}); err != nil {
		if errors.Is(err, unix.ENODEV) {
			unix.Close(fd)
			return fmt.Errorf("%s is no CAN interface: %w", s.iface, err)
		}
		return fail("bind", err)
	}
	// A file on the runtime's poller: deadlines work, and Close ends a Read.
	file := os.NewFile(uintptr(fd), s.iface)
	conn, err := file.SyscallConn()
	if err != nil {
		file.Close()
		return fmt.Errorf("%s: %w", s.iface, err)
	}
	s.dropped, s.device = 0, deviceDrops(s.iface)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		file.Close()
		return io.EOF
	}
	s.file, s.conn = file, conn
	return nil
}

func (s *SocketCAN) closeSocket() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.file != nil {
		s.file.Close()
		s.file = nil
	}
}

const (
	// quietTime is how long Read waits for a frame before it returns none.
	quietTime = 200 * time.Millisecond
	// absentTime is how often a missing or downed interface is looked for.
	absentTime = 50 * time.Millisecond
	// After restAfter without a frame, a vehicle at rest is woken for seldom:
	// these are the two times then. A frame, and an interface that goes down, end
	// the wait at once all the same.
	restAfter      = 10 * Second
	restQuietTime  = 30 * time.Second
	restAbsentTime = time.Second
)

// Read returns the frames received since the last call, waiting up to 0.2 s for
// the first. It goes on through an interface that is down or unplugged and says
// so with NoticeDown and NoticeUp.
func (s *SocketCAN) Read(batch []Frame) (int, error) {
	return s.hand(batch, s.receive)
}

func (s *SocketCAN) receive() error {
	quiet, absent := s.wait, absentTime
	if !s.asks && BootNow()-s.heard > restAfter {
		quiet, absent = restQuietTime, restAbsentTime
	}
	if s.file == nil {
		time.Sleep(absent)
		if canUp(s.iface) && s.listens() != nil {
			return nil // another set it up otherwise: not opened until that is put right
		}
		if err := s.open(); err != nil || !canUp(s.iface) {
			if err == io.EOF {
				return err
			}
			return nil
		}
	}
	wait := quiet
	if s.down {
		wait = min(wait, absent)
	}
	var n int
	err := s.file.SetReadDeadline(time.Now().Add(wait))
	if err == nil {
		n, err = s.recvmmsg()
	}
	switch {
	case err == nil && s.down && s.listens() != nil:
		s.closeSocket()
	case err == nil:
		s.heard = BootNow()
		s.decode(n)
	case errors.Is(err, os.ErrDeadlineExceeded):
		s.quiet()
	case errors.Is(err, unix.ENETDOWN):
		// The socket stays bound: frames come again once the interface is up.
		s.drain()
		s.setDown()
	case errors.Is(err, os.ErrClosed):
		return io.EOF
	default:
		// ENODEV: unplugged. Whatever else it may be, a new socket is the cure.
		s.drain()
		s.closeSocket()
		s.setDown()
	}
	if now := BootNow(); !s.down && s.wall.set && now-s.counted >= Second {
		s.counted = now
		s.countDevice(s.wall.last)
	}
	return nil
}

// recvmmsg waits for frames until the deadline.
func (s *SocketCAN) recvmmsg() (n int, err error) {
	err2 := s.conn.Read(func(fd uintptr) bool {
		n, err = s.take(fd)
		return err != unix.EAGAIN && err != unix.EINTR
	})
	if err == nil || err2 != nil {
		err = err2
	}
	return n, err
}

func (s *SocketCAN) take(fd uintptr) (int, error) {
	for i := range s.msgs {
		s.msgs[i].hdr.SetControllen(len(s.ctrl[i]))
	}
	n, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(&s.msgs[0])), socketBatch, unix.MSG_DONTWAIT, 0, 0)
	if errno != 0 {
		return 0, errno
	}
	return int(n), nil
}

// drain takes the frames that came before the interface went: the kernel tells
// of that first.
func (s *SocketCAN) drain() {
	s.conn.Control(func(fd uintptr) {
		for {
			n, err := s.take(fd)
			if err != nil {
				return
			}
			s.decode(n)
		}
	})
}

func (s *SocketCAN) decode(n int) {
	now := BootNow()
	if jump := s.wall.check(now, wallOffset()); jump != 0 {
		s.notice(now, NoticeClockJump, int64(jump))
	}
	for i := range n {
		at, drops := now, s.dropped
		c := s.ctrl[i][:s.msgs[i].hdr.Controllen]
		for len(c) >= unix.CmsgLen(0) {
			h := (*unix.Cmsghdr)(unsafe.Pointer(&c[0]))
			if int(h.Len) < unix.CmsgLen(0) || int(h.Len) > len(c) {
				break
			}
			body := c[unix.CmsgLen(0):h.Len]
			if h.Level == unix.SOL_SOCKET && h.Type == unix.SCM_TIMESTAMPNS && len(body) >= int(unsafe.Sizeof(unix.Timespec{})) {
				at = s.wall.instant(Micros((*unix.Timespec)(unsafe.Pointer(&body[0])).Nano()/1000), now)
			}
			if h.Level == unix.SOL_SOCKET && h.Type == unix.SO_RXQ_OVFL && len(body) >= 4 {
				drops = binary.NativeEndian.Uint32(body)
			}
			c = c[min(unix.CmsgSpace(len(body)), len(c)):]
		}
		if s.down {
			s.up(at)
		}
		s.countDrops(at, drops)
		s.frame(at, s.data[i][:s.msgs[i].len])
	}
}

// countDrops takes the kernel's counter, which stands at what was dropped
// before the frame that carries it.
func (s *SocketCAN) countDrops(at Micros, drops uint32) {
	if d := drops - s.dropped; d != 0 {
		s.dropped = drops
		s.notice(at, NoticeDropped, int64(d))
	}
}

// countDevice looks for frames that the controller, its driver or the kernel's
// backlog lost before they reached a socket. They may be of any identifier.
func (s *SocketCAN) countDevice(at Micros) {
	n := deviceDrops(s.iface)
	if n > s.device {
		s.notice(at, NoticeDropped, int64(n-s.device))
	}
	s.device = n
}

func deviceDrops(iface string) (sum uint64) {
	// rx_missed_errors is part of rx_dropped for some drivers; none of CAN
	// counts one frame in two of these.
	for _, name := range [...]string{"rx_dropped", "rx_over_errors", "rx_missed_errors"} {
		b, err := os.ReadFile("/sys/class/net/" + iface + "/statistics/" + name)
		if err != nil {
			return 0
		}
		n, err := strconv.ParseUint(strings.TrimSpace(string(b)), 10, 64)
		if err != nil {
			return 0
		}
		sum += n
	}
	return sum
}

// frame decodes a struct can_frame or canfd_frame (linux/can.h).
func (s *SocketCAN) frame(at Micros, b []byte) {
	f := Frame{At: at, Bus: s.opt.Bus}
	switch len(b) {
	case canMTU:
	case canFDMTU:
		f.Flags = FD
		if b[5]&canFDBRS != 0 {
			f.Flags |= BRS
		}
		if b[5]&canFDESI != 0 {
			f.Flags |= ESI
		}
	default:
		return // a CAN XL frame, which no option asks for
	}
	id := binary.NativeEndian.Uint32(b)
	f.Len = min(b[4], uint8(len(b)-8))
	switch {
	case id&errorFlag != 0:
		f.Kind, f.ID = Error, id&canErrMask
	case id&extFlag != 0:
		f.ID = id & idMask29
		f.Flags |= Extended
	default:
		f.ID = id & idMask11
	}
	if id&remoteFlag != 0 && f.Kind == Data {
		f.Kind = Remote
	} else {
		copy(f.Data[:f.Len], b[8:])
	}
	s.out = append(s.out, f)
	if f.Kind != Error {
		return
	}
	class := socketcan.ErrorClass(f.ID)
	if class&socketcan.ErrorClassBusOff != 0 {
		s.notice(at, NoticeBusOff, 0)
	}
	if class&socketcan.ErrorClassRestarted != 0 {
		s.notice(at, NoticeRestarted, 0)
	}
}

// quiet is the time to look at what no frame tells.
func (s *SocketCAN) quiet() {
	up := canUp(s.iface)
	switch {
	case s.down && up && s.listens() != nil:
		s.closeSocket() // it came up otherwise than it went
	case s.down && up:
		s.up(BootNow())
	case !s.down && !up:
		s.setDown()
	}
	// Frames dropped with none after them.
	var drops [9]uint32
	s.conn.Control(func(fd uintptr) {
		size := uint32(unsafe.Sizeof(drops))
		_, _, errno := unix.Syscall6(unix.SYS_GETSOCKOPT, fd, unix.SOL_SOCKET, unix.SO_MEMINFO,
			uintptr(unsafe.Pointer(&drops)), uintptr(unsafe.Pointer(&size)), 0)
		if errno != 0 {
			drops[memInfoDrops] = s.dropped
		}
	})
	s.countDrops(BootNow(), drops[memInfoDrops])
}

func (s *SocketCAN) up(at Micros) {
	s.down = false
	s.notice(at, NoticeUp, 0)
}

// Close ends a Read that waits.
func (s *SocketCAN) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	if s.file == nil {
		return nil
	}
	err := s.file.Close()
	if errors.Is(err, os.ErrClosed) {
		return nil
	}
	return err
}

// canUp is false for an interface that is missing too.
func canUp(iface string) bool {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		return false
	}
	defer unix.Close(fd)
	req, err := unix.NewIfreq(iface)
	if err != nil || unix.IoctlIfreq(fd, unix.SIOCGIFFLAGS, req) != nil {
		return false
	}
	return req.Uint16()&unix.IFF_UP != 0
}

func ifIndex(fd int, iface string) (int, error) {
	req, err := unix.NewIfreq(iface)
	if err != nil {
		return 0, err
	}
	if err := unix.IoctlIfreq(fd, unix.SIOCGIFINDEX, req); err != nil {
		return 0, err
	}
	return int(req.Uint32()), nil
}
