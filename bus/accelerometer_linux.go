package bus

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"
)

// AccelerometerOptions say how an accelerometer is read.
type AccelerometerOptions struct {
	// Bus becomes Frame.Bus.
	Bus uint8
	// Channels are the axes wanted ("x", "y", "z"); the place in the list
	// becomes the ID of the Reading. Empty: all three in that order.
	Channels []string
	// Rate is how many times a second it is read, 0 for 100. A small board
	// does up to a few hundred.
	Rate int
	// Wait accepts that the device is missing for now.
	Wait bool
}

// Accelerometer reads an accelerometer through the kernel's industrial-I/O
// interface and is a Source of Readings in m/s², whose axes are the part's.
type Accelerometer struct {
	dir    string
	opt    AccelerometerOptions
	period time.Duration

	axes []axis // nil while the device is away
	due  time.Time
	outbox

	closed chan struct{}
	once   sync.Once
}

// axis is one channel by the kernel's ABI (sysfs-bus-iio): acceleration in m/s²
// is (raw + offset) * scale.
type axis struct {
	file          *os.File
	offset, scale float64
}

// OpenAccelerometer opens a device by its directory
// (/sys/bus/iio/devices/iio:device0) or by the name of its part, which does not
// change when there are several.
func OpenAccelerometer(device string, opt AccelerometerOptions) (*Accelerometer, error) {
	if len(opt.Channels) == 0 {
		opt.Channels = []string{"x", "y", "z"}
	}
	for _, c := range opt.Channels {
		if c != "x" && c != "y" && c != "z" {
			return nil, fmt.Errorf("accelerometer: no axis %q; expected x, y or z", c)
		}
	}
	if opt.Rate == 0 {
		opt.Rate = 100
	}
	if opt.Rate < 1 || opt.Rate > 1000 {
		return nil, fmt.Errorf("accelerometer: rate %d; expected 1 to 1000 readings a second", opt.Rate)
	}
	a := &Accelerometer{dir: device, opt: opt, outbox: outbox{bus: opt.Bus}, period: time.Second / time.Duration(opt.Rate), closed: make(chan struct{})}
	if err := a.connect(); err != nil {
		if !opt.Wait || !errors.Is(err, ErrMissing) {
			return nil, err
		}
		a.setDown()
	}
	return a, nil
}

func (a *Accelerometer) connect() error {
	dir := a.dir
	if !strings.ContainsRune(dir, '/') {
		names, _ := filepath.Glob("/sys/bus/iio/devices/iio:device*/name")
		for _, n := range names {
			if b, err := os.ReadFile(n); err == nil && strings.TrimSpace(string(b)) == a.dir {
				dir = filepath.Dir(n)
			}
		}
		if dir == a.dir {
			return fmt.Errorf("accelerometer %s: %w; see \"cat /sys/bus/iio/devices/*/name\" for the parts there are", a.dir, ErrMissing)
		}
	}
	var axes []axis
	fail := func(err error) error {
		for _, x := range axes {
			x.file.Close()
		}
		switch {
		case errors.Is(err, os.ErrNotExist):
			return fmt.Errorf("accelerometer %s: %w; expected in_accel_x_raw and the like there", a.dir, ErrMissing)
		case errors.Is(err, os.ErrPermission):
			return fmt.Errorf("accelerometer %s: reading it is %w for this user", a.dir, ErrPermission)
		}
		return fmt.Errorf("accelerometer %s: %w", a.dir, err)
	}
	for _, c := range a.opt.Channels {
		f, err := os.Open(filepath.Join(dir, "in_accel_"+c+"_raw"))
		if err != nil {
			return fail(err)
		}
		x := axis{file: f, scale: 1}
		axes = append(axes, x)
		for _, own := range []bool{false, true} { // an axis's own go before those of all
			name := "in_accel_"
			if own {
				name += c + "_"
			}
			for suffix, v := range map[string]*float64{"offset": &x.offset, "scale": &x.scale} {
				b, err := os.ReadFile(filepath.Join(dir, name+suffix))
				if errors.Is(err, os.ErrNotExist) {
					continue
				}
				if err == nil {
					*v, err = strconv.ParseFloat(strings.TrimSpace(string(b)), 64)
				}
				if err != nil {
					return fail(err)
				}
			}
		}
		axes[len(axes)-1] = x
	}
	a.axes = axes
	a.due = time.Now()
	return nil
}

// Read returns one reading of each axis when the time for it has come.
func (a *Accelerometer) Read(batch []Frame) (int, error) { return a.hand(batch, a.receive) }

func (a *Accelerometer) receive() error {
	wait := absentTime
	if !a.down {
		wait = time.Until(a.due)
	}
	select {
	case <-a.closed:
		a.disconnect()
		return io.EOF
	case <-time.After(max(wait, 0)):
	}
	a.sample()
	return nil
}

func (a *Accelerometer) sample() {
	if a.down {
		if a.connect() != nil {
			return
		}
		a.down = false
		a.notice(BootNow(), NoticeUp, 0)
	}
	// A reading that comes too late is left out rather than made up for.
	a.due = a.due.Add(a.period)
	if now := time.Now(); now.After(a.due) {
		a.due = now.Add(a.period)
	}
	var b [32]byte
	for i, x := range a.axes {
		before := BootNow()
		n, err := x.file.ReadAt(b[:], 0)
		if err != nil && err != io.EOF {
			a.disconnect()
			a.setDown()
			return
		}
		raw, err := strconv.ParseInt(strings.TrimSpace(string(b[:n])), 10, 64)
		at := BootNow()
		if err != nil {
			a.notice(at, NoticeBadInput, 1)
			continue
		}
		f := NewReading(at, a.opt.Bus, uint32(i), float64((float64(raw)+x.offset)*x.scale))
		f.Early = uint32(max(0, at-before))
		a.out = append(a.out, f)
	}
}

func (a *Accelerometer) disconnect() {
	for _, x := range a.axes {
		x.file.Close()
	}
	a.axes = nil
}

// Close ends a Read that waits.
func (a *Accelerometer) Close() error {
	a.once.Do(func() { close(a.closed) })
	return nil
}
