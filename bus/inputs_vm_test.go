//go:build linux

package bus

import (
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// A real driver on an emulated chip: mma7660 over the kernel's I²C stub, whose
// registers hold X = 8, Y = -4, Z = 21 counts of 1.5 g / 32 (the part's 6 bits).
func TestVMAccelerometer(t *testing.T) {
	needVM(t)
	command(t, "modprobe i2c-dev && modprobe i2c-stub chip_addr=0x4c && modprobe mma7660")
	buses, _ := filepath.Glob("/dev/i2c-*")
	var dev *os.File
	for _, b := range buses {
		name, _ := os.ReadFile("/sys/bus/i2c/devices/" + filepath.Base(b) + "/name")
		if string(name) == "SMBus stub driver\n" {
			f, err := os.OpenFile(b, os.O_RDWR, 0)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			dev = f
		}
	}
	if dev == nil {
		t.Fatalf("no stub among %v", buses)
	}
	const i2cSlave = 0x0703 // I2C_SLAVE, linux/i2c-dev.h
	if err := unix.IoctlSetInt(int(dev.Fd()), i2cSlave, 0x4c); err != nil {
		t.Fatal(err)
	}
	set := func(register, value byte) {
		t.Helper()
		const i2cSMBus = 0x0720 // I2C_SMBUS
		data := [34]byte{value}
		args := struct {
			readWrite uint8
			command   uint8
			size      uint32
			data      unsafe.Pointer
		}{0, register, 2, unsafe.Pointer(&data)} // I2C_SMBUS_BYTE_DATA
		if _, _, e := unix.Syscall(unix.SYS_IOCTL, dev.Fd(), i2cSMBus, uintptr(unsafe.Pointer(&args))); e != 0 {
			t.Fatal(e)
		}
	}
	set(0, 8)
	set(1, 0x3C) // -4 in 6 bits
	set(2, 21)
	adapter := filepath.Base(dev.Name())
	plug := func() { command(t, "echo mma7660 0x4c > /sys/bus/i2c/devices/"+adapter+"/new_device") }
	if _, err := OpenAccelerometer("mma7660", AccelerometerOptions{}); err == nil {
		t.Error("opened before it is there")
	}
	plug()
	a, err := OpenAccelerometer("mma7660", AccelerometerOptions{Bus: 5, Rate: 50})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	start := BootNow()
	got := until(t, a, "readings", atLeast(60, func(f *Frame) bool { return f.Kind == Reading }))
	want := []float64{8 * 1.5 / 32, -4 * 1.5 / 32, 21 * 1.5 / 32} // in g
	for _, f := range got {
		if g := f.Value() / 9.80665; math.Abs(g-want[f.ID]) > 0.02 || f.Bus != 5 {
			t.Fatalf("axis %d: %v g, want %v", f.ID, g, want[f.ID])
		}
	}
	t.Logf("20 readings of three axes at 50 a second took %.2f s", (BootNow() - start).Seconds())
	command(t, "echo 0x4c > /sys/bus/i2c/devices/"+adapter+"/delete_device")
	until(t, a, "gone", atLeast(1, isNotice(NoticeDown)))
	plug()
	until(t, a, "back", atLeast(1, isNotice(NoticeUp)))
}

// A key of the kernel's input layer, made with uinput.
func TestVMButton(t *testing.T) {
	needVM(t)
	u, err := os.OpenFile("/dev/uinput", os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer u.Close()
	ioctl := func(request, arg uintptr) {
		t.Helper()
		if _, _, e := unix.Syscall(unix.SYS_IOCTL, u.Fd(), request, arg); e != 0 {
			t.Fatal(e)
		}
	}
	const ( // linux/uinput.h
		uiSetEvBit   = 0x40045564
		uiSetKeyBit  = 0x40045565
		uiDevSetup   = 0x405C5503
		uiDevCreate  = 0x5501
		uiDevDestroy = 0x5502
		keyA, keyB   = 30, 48
	)
	before, _ := filepath.Glob("/dev/input/event*")
	ioctl(uiSetEvBit, evKey)
	ioctl(uiSetKeyBit, keyA)
	ioctl(uiSetKeyBit, keyB)
	setup := [92]byte{8: 'b', 9: 'u', 10: 't'}
	ioctl(uiDevSetup, uintptr(unsafe.Pointer(&setup)))
	ioctl(uiDevCreate, 0)
	path := ""
	for start := time.Now(); path == "" && time.Since(start) < 5*time.Second; time.Sleep(10 * time.Millisecond) {
		after, _ := filepath.Glob("/dev/input/event*")
		for _, p := range after {
			known := false
			for _, o := range before {
				known = known || o == p
			}
			if !known {
				path = p
			}
		}
	}
	b, err := OpenButton(path, ButtonOptions{Key: keyA})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	event := func(kind, code uint16, value uint32) {
		e := make([]byte, inputEventSize)
		body := e[inputEventSize-8:]
		binary.NativeEndian.PutUint16(body, kind)
		binary.NativeEndian.PutUint16(body[2:], code)
		binary.NativeEndian.PutUint32(body[4:], value)
		if _, err := u.Write(e); err != nil {
			t.Fatal(err)
		}
	}
	press := func(key uint16) {
		for _, value := range []uint32{1, 2, 0} { // down, repeated, up
			event(evKey, key, value)
			event(0, 0, 0)
		}
	}
	start := BootNow()
	press(keyB)
	press(keyA)
	press(keyA)
	got := until(t, b, "two marks", atLeast(2, isNotice(NoticeMark)))
	time.Sleep(50 * time.Millisecond)
	n, _ := b.Read(make([]Frame, 8))
	if len(got)+n != 2 || got[0].At < start || got[1].At > BootNow() {
		t.Errorf("%d marks: %+v", len(got)+n, got)
	}
	ioctl(uiDevDestroy, 0)
	until(t, b, "gone", atLeast(1, isNotice(NoticeDown)))
	if _, err := OpenButton("/dev/null", ButtonOptions{}); err == nil {
		t.Error("/dev/null passes for an input device")
	}
}
