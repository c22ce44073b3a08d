package bus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// ButtonOptions say which key is the driver's button.
type ButtonOptions struct {
	// Bus becomes Frame.Bus.
	Bus uint8
	// Key is the key's code (linux/input-event-codes.h), 0 for any key of the
	// device.
	Key uint16
	// Wait accepts that the device is missing for now.
	Wait bool
}

// Button is the driver's button on a device of the kernel's input layer: a key
// of its own, or a GPIO line that the board's device tree makes a gpio-keys
// device. It is a Source of NoticeMark frames.
type Button struct {
	path string
	opt  ButtonOptions

	mu     sync.Mutex
	file   *os.File // nil while the device is away
	closed bool

	outbox
	boot  bool   // the kernel stamps with the boot clock
	heard Micros // when it was last pressed, or opened
}

// struct input_event (linux/input.h): a struct timeval, type, code, value.
const (
	inputEventSize = int(unsafe.Sizeof(unix.Timeval{})) + 8
	evKey          = 1
	keyDown        = 1
	eviocsClockID  = 0x400445a0 // EVIOCSCLOCKID
)

// OpenButton opens an input device (/dev/input/by-path/… or /dev/input/event0).
func OpenButton(path string, opt ButtonOptions) (*Button, error) {
	b := &Button{path: path, opt: opt, outbox: outbox{bus: opt.Bus}, heard: BootNow()}
	if err := b.connect(); err != nil {
		if !opt.Wait || !errors.Is(err, ErrMissing) {
			return nil, err
		}
		b.setDown()
	}
	return b, nil
}

func (b *Button) connect() error {
	fd, err := unix.Open(b.path, unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	switch {
	case errors.Is(err, unix.ENOENT), errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return fmt.Errorf("button %s: %w; see /dev/input/by-path", b.path, ErrMissing)
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return fmt.Errorf("button %s: reading it is %w for this user; input devices mostly belong to the group input", b.path, ErrPermission)
	case err != nil:
		return fmt.Errorf("button %s: %w", b.path, err)
	}
	// Not every system answers the question below of what is no device at all
	// (user-mode emulation does not), so look first.
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil || st.Mode&unix.S_IFMT != unix.S_IFCHR {
		unix.Close(fd)
		return fmt.Errorf("button %s is no input device", b.path)
	}
	clock := int32(unix.CLOCK_BOOTTIME)
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), eviocsClockID, uintptr(unsafe.Pointer(&clock)))
	if errno == unix.ENOTTY {
		unix.Close(fd)
		return fmt.Errorf("button %s is no input device", b.path)
	}
	b.boot = errno == 0
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		unix.Close(fd)
		return io.EOF
	}
	b.file = os.NewFile(uintptr(fd), b.path)
	return nil
}

// Read returns the presses, waiting up to 0.2 s for the first, or 30 s once nothing has
// come for long.
func (b *Button) Read(batch []Frame) (int, error) {
	return b.hand(batch, b.receive)
}

func (b *Button) receive() error {
	if b.down {
		time.Sleep(absentTime)
		if err := b.connect(); err != nil {
			if err == io.EOF {
				return err
			}
			return nil
		}
		b.down = false
		b.notice(BootNow(), NoticeUp, 0)
	}
	var buf [32 * inputEventSize]byte
	wait := quietTime
	if BootNow()-b.heard > restAfter {
		wait = restQuietTime
	}
	err := b.file.SetReadDeadline(time.Now().Add(wait))
	n := 0
	if err == nil {
		n, err = b.file.Read(buf[:])
	}
	switch {
	case err == nil:
		b.heard = BootNow()
	case errors.Is(err, os.ErrDeadlineExceeded):
		return nil
	case errors.Is(err, os.ErrClosed):
		return io.EOF
	case errors.Is(err, syscall.EINTR):
		return nil
	default:
		b.file.Close()
		b.setDown()
		return nil
	}
	for e := buf[:n]; len(e) >= inputEventSize; e = e[inputEventSize:] {
		at := BootNow()
		if b.boot {
			at = min(at, Micros((*unix.Timeval)(unsafe.Pointer(&e[0])).Nano()/1000))
		}
		body := e[inputEventSize-8:]
		if binary.NativeEndian.Uint16(body) != evKey || binary.NativeEndian.Uint32(body[4:]) != keyDown {
			continue
		}
		if code := binary.NativeEndian.Uint16(body[2:]); b.opt.Key != 0 && code != b.opt.Key {
			continue
		}
		b.notice(at, NoticeMark, 1)
	}
	return nil
}

// Close ends a Read that waits.
func (b *Button) Close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = true
	if b.file == nil {
		return nil
	}
	err := b.file.Close()
	if errors.Is(err, os.ErrClosed) {
		return nil
	}
	return err
}
