//go:build linux

package bus

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"reflect"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func TestVMSocketForms(t *testing.T) {
	needVM(t)
	vcan(t, "form0")
	s, err := OpenSocketCAN("form0", SocketOptions{Bus: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	w := newWire(t, "form0")
	long := data(0, 0x18FEF100, Extended|FD|BRS, make([]byte, 64)...)
	for i := range long.Data {
		long.Data[i] = byte(i)
	}
	errFrame := data(0, 0x44, 0, 0, 8, 0, 0, 0, 0, 0, 0) // controller and bus-off
	errFrame.Kind = Error
	restarted := data(0, 0x100, 0, make([]byte, 8)...)
	restarted.Kind = Error
	want := []Frame{
		data(0, 0x123, 0, 1, 2, 3),
		data(0, 0x123, Extended, 4),
		{ID: 0x7FF, Kind: Remote, Len: 5},
		data(0, 0x100, FD|ESI, 1, 2, 3),
		long,
		errFrame,
		restarted,
	}
	before := BootNow()
	for _, f := range want {
		w.send(f)
	}
	got := until(t, s, "all frames", atLeast(len(want), isFrame))
	after := BootNow()
	last := Micros(0)
	var frames []Frame
	for _, f := range got {
		if f.At < before || f.At > after || f.At < last {
			t.Errorf("instant %d; sent and read between %d and %d, the frame before at %d", f.At, before, after, last)
		}
		last = f.At
		if f.Kind == Notice {
			continue
		}
		if f.Bus != 3 {
			t.Errorf("bus %d", f.Bus)
		}
		f.At, f.Bus = 0, 0
		frames = append(frames, f)
	}
	if !reflect.DeepEqual(frames, want) {
		t.Errorf("\n got %+v\nwant %+v", frames, want)
	}
	if count(got, isNotice(NoticeBusOff)) != 1 || count(got, isNotice(NoticeRestarted)) != 1 {
		t.Errorf("bus-off and restart are not noted: %+v", got)
	}
	if st := s.Stats(); st.Frames != 7 || st.Errors != 2 || st.Dropped != 0 {
		t.Errorf("stats %+v", st)
	}
}

func TestVMSocketFilters(t *testing.T) {
	needVM(t)
	vcan(t, "filt0")
	s, err := OpenSocketCAN("filt0", SocketOptions{Filters: []Filter{
		{ID: 0x101, Mask: 0x7FF},
		{ID: 0x18FEF100, Mask: 0x03FFFF00, Extended: true}, // any priority and source
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	w := newWire(t, "filt0")
	for _, f := range []Frame{data(0, 0x101, 0), data(0, 0x102, 0), data(0, 0x101, Extended), data(0, 0x0CFEF142, Extended),
		data(0, 0x18FEF200, Extended), {ID: 0x101, Kind: Remote}, data(0, 0x101, 0, 9)} {
		w.send(f)
	}
	got := until(t, s, "the last frame", atLeast(1, func(f *Frame) bool { return f.Len == 1 }))
	if len(got) != 3 || got[0].ID != 0x101 || got[1].ID != 0x0CFEF142 {
		t.Errorf("passed the filters: %+v", got)
	}
}

// Down, up, unplugged and plugged in again: reading goes on by itself.
func TestVMSocketComesBack(t *testing.T) {
	needVM(t)
	vcan(t, "gone0")
	s, err := OpenSocketCAN("gone0", SocketOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	newWire(t, "gone0").send(data(0, 1, 0))
	until(t, s, "a frame", atLeast(1, isFrame))
	command(t, "ip link set gone0 down")
	until(t, s, "down", atLeast(1, isNotice(NoticeDown)))
	command(t, "ip link set gone0 up")
	newWire(t, "gone0").send(data(0, 2, 0))
	got := until(t, s, "a frame after up", atLeast(1, isFrame))
	if i := count(got, isNotice(NoticeUp)); i != 1 || !isNotice(NoticeUp)(&got[0]) {
		t.Errorf("want a notice of up and then the frame: %+v", got)
	}
	command(t, "ip link del gone0")
	until(t, s, "unplugged", atLeast(1, isNotice(NoticeDown)))
	time.Sleep(300 * time.Millisecond)
	command(t, "ip link add dev gone0 type vcan && ip link set gone0 up")
	until(t, s, "plugged in", atLeast(1, isNotice(NoticeUp)))
	newWire(t, "gone0").send(data(0, 3, 0))
	if got := until(t, s, "a frame after that", atLeast(1, isFrame)); got[len(got)-1].ID != 3 {
		t.Errorf("%+v", got)
	}
}

func TestVMSocketOpenErrors(t *testing.T) {
	needVM(t)
	if _, err := OpenSocketCAN("absent0", SocketOptions{}); !errors.Is(err, ErrMissing) || !strings.Contains(err.Error(), "absent0") {
		t.Errorf("missing: %v", err)
	}
	if _, err := OpenSocketCAN("lo", SocketOptions{Wait: true}); err == nil || !strings.Contains(err.Error(), "no CAN interface") {
		t.Errorf("loopback: %v", err)
	}
	command(t, "ip link add dev dn0 type vcan")
	defer command(t, "ip link del dn0")
	if _, err := OpenSocketCAN("dn0", SocketOptions{}); err == nil || !strings.Contains(err.Error(), "is down") {
		t.Errorf("down: %v", err)
	}
	s, err := OpenSocketCAN("late0", SocketOptions{Wait: true})
	if err != nil {
		t.Fatal(err)
	}
	until(t, s, "the first notice", atLeast(1, isNotice(NoticeDown)))
	vcan(t, "late0")
	until(t, s, "plugged in", atLeast(1, isNotice(NoticeUp)))
	done := make(chan error)
	go func() {
		for {
			if _, err := s.Read(make([]Frame, 1)); err != nil {
				done <- err
				return
			}
		}
	}()
	time.Sleep(20 * time.Millisecond)
	s.Close()
	select {
	case err := <-done:
		if err != io.EOF {
			t.Error(err)
		}
	case <-time.After(5 * time.Second):
		t.Error("Close does not end Read")
	}
}

// A wall clock that is set while frames come moves no instant.
func TestVMSocketClockStep(t *testing.T) {
	needVM(t)
	vcan(t, "step0")
	s, err := OpenSocketCAN("step0", SocketOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	w := newWire(t, "step0")
	step := func(by int64) {
		var ts unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_REALTIME, &ts); err != nil {
			t.Fatal(err)
		}
		ts = unix.NsecToTimespec(ts.Nano() + by*1e9)
		if err := unix.ClockSettime(unix.CLOCK_REALTIME, &ts); err != nil {
			t.Fatal(err)
		}
	}
	var bounds [][2]Micros
	send := func(id uint32) {
		before := BootNow()
		w.send(data(0, id, 0))
		bounds = append(bounds, [2]Micros{before, BootNow()})
	}
	// The kernel turns its time stamps on some time after it is asked to; until
	// then a frame has the instant at which it was read.
	for stamped, end := false, time.Now().Add(10*time.Second); !stamped; {
		if time.Now().After(end) {
			t.Fatal("no frame has the instant at which it was sent")
		}
		bounds = nil
		send(0)
		time.Sleep(20 * time.Millisecond)
		for _, f := range until(t, s, "a stamped frame", atLeast(1, isFrame)) {
			stamped = stamped || f.Kind == Data && f.At <= bounds[0][1]
		}
	}
	bounds = nil
	send(0)
	got := until(t, s, "the first", atLeast(1, isFrame))
	send(1)
	step(7200)
	send(2)
	got = append(got, until(t, s, "two around the step", atLeast(2, isFrame))...)
	step(-7200)
	send(3)
	got = append(got, until(t, s, "one after stepping back", atLeast(1, isFrame))...)
	i := 0
	for _, f := range got {
		if f.Kind != Data {
			continue
		}
		// The two clocks are read one after the other, and an emulated machine
		// may pause in between; the step is six orders larger.
		const apart = 2000
		if b := bounds[f.ID]; f.At < b[0]-apart || f.At > b[1]+apart {
			t.Errorf("frame %d at %d, sent between %d and %d", f.ID, f.At, b[0], b[1])
		}
		i++
	}
	if n := count(got, isNotice(NoticeClockJump)); i != 4 || n != 2 {
		t.Errorf("%d frames, %d jumps noted; want 4 and 2", i, n)
	}
}

// What the kernel drops is counted to the frame, whether or not a frame comes
// after it.
func TestVMSocketCountsDrops(t *testing.T) {
	needVM(t)
	vcan(t, "drop0")
	s, err := OpenSocketCAN("drop0", SocketOptions{ReceiveBuffer: 64 << 10})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	w := newWire(t, "drop0")
	const sent = 5000
	for i := range uint32(sent) {
		w.send(data(0, i&0x7FF, 0, 1, 2, 3, 4, 5, 6, 7, 8))
	}
	got := until(t, s, "the account", func(f []Frame) bool {
		st := s.Stats()
		return st.Frames+st.Dropped >= sent
	})
	received := count(got, isFrame)
	w.send(data(0, 0x123, 0))
	got = append(got, until(t, s, "one more", atLeast(1, isFrame))...)
	var noted int64
	for i := range got {
		if isNotice(NoticeDropped)(&got[i]) {
			noted += got[i].Count()
		}
	}
	if noted == 0 || received+int(noted) != sent || s.Stats().Dropped != uint64(noted) {
		t.Errorf("%d sent, %d received, %d noted as dropped, stats %+v", sent, received, noted, s.Stats())
	}
	t.Logf("%d sent = %d received + %d dropped", sent, received, noted)
}

// Frame lengths in bits by ISO 11898-1, without stuff bits, which only make a
// frame longer and the rate lower: start 1, identifier 11, RTR 1, IDE 1, r0 1,
// DLC 4, data 8n, CRC 15 and its delimiter 1, acknowledge 2, end 7, intermission
// 3.
func frameBits(dataBytes int) int { return 1 + 11 + 1 + 1 + 1 + 4 + 8*dataBytes + 15 + 1 + 2 + 7 + 3 }

var loadSeconds = flag.Int("load", 20, "how many seconds the load test in the emulated machine lasts")

// Two saturated buses of 1 Mbit/s, with full frames, merged: every frame is
// received or counted as dropped, and where the machine carries the rate none is
// dropped. It is emulated, so on a busy host the sender may not reach the rate;
// the log says what it reached.
func TestVMSocketLoad(t *testing.T) {
	needVM(t)
	if n := frameBits(8); n != 111 {
		t.Fatalf("%d bits", n)
	}
	rate := 1_000_000 / frameBits(8) // 9009 frames/s on each bus
	var sources []Source
	for i := range 2 {
		name := fmt.Sprintf("load%d", i)
		vcan(t, name)
		s, err := OpenSocketCAN(name, SocketOptions{Bus: uint8(i)})
		if err != nil {
			t.Fatal(err)
		}
		sources = append(sources, s)
	}
	m := Merge(sources, MergeOptions{Now: BootNow})
	defer m.Close()
	w := [2]*wire{newWire(t, "load0"), newWire(t, "load1")}
	var sent atomic.Int64
	var took atomic.Int64
	go func() {
		// A sender that moves to another processor leaves frames in the first
		// one's backlog, and the virtual interface delivers them late.
		runtime.LockOSThread()
		var cpu unix.CPUSet
		cpu.Set(0)
		if err := unix.SchedSetaffinity(0, &cpu); err != nil {
			t.Errorf("sched_setaffinity: %v", err)
		}
		batch := newMany()
		start := time.Now()
		defer func() { took.Store(int64(time.Since(start))) }()
		for done, total := 0, *loadSeconds*2*rate; done < total; {
			elapsed := time.Since(start)
			if elapsed > 2*time.Duration(*loadSeconds)*time.Second {
				return // this machine cannot
			}
			for due := min(total, int(elapsed.Seconds()*float64(2*rate))); done < due; done += 2 * sendBatch {
				for bus := range w {
					w[bus].sendMany(batch, uint32(done/2))
				}
				sent.Add(2 * sendBatch)
			}
			time.Sleep(time.Millisecond)
		}
	}()
	var before, during runtime.MemStats
	runtime.ReadMemStats(&before)
	batch := make([]Frame, 512)
	var next [2]uint32
	var last Micros
	received, dropped, gaps, disorder := 0, 0, 0, 0
	for {
		n, err := m.Read(batch)
		if n == 0 && err == nil && took.Load() != 0 {
			break // quiet after the end
		}
		if err != nil {
			t.Fatal(err)
		}
		for i := range batch[:n] {
			f := &batch[i]
			if f.At < last {
				disorder++
			}
			last = max(last, f.At)
			if isNotice(NoticeDropped)(f) {
				dropped += int(f.Count())
			}
			if f.Kind != Data {
				continue
			}
			received++
			if f.ID != next[f.Bus]&0x7FF {
				gaps++
				next[f.Bus] = f.ID
			}
			next[f.Bus]++
		}
	}
	runtime.ReadMemStats(&during)
	seconds := time.Duration(took.Load()).Seconds()
	t.Logf("%d bits a frame: %d frames/s saturate a bus, %d two of them; sent %d in %.1f s: %.0f frames/s; received %d, dropped %d, late %d; heap grew by %d KiB",
		frameBits(8), rate, 2*rate, sent.Load(), seconds, float64(sent.Load())/seconds, received, dropped, m.Late(), (int64(during.HeapAlloc)-int64(before.HeapAlloc))>>10)
	if disorder != int(m.Late()) {
		t.Errorf("%d out of order, %d counted as late", disorder, m.Late())
	}
	if received+dropped != int(sent.Load()) || (gaps > 0) != (dropped > 0) {
		t.Errorf("%d sent is not %d received and %d dropped; %d gaps in the sequence", sent.Load(), received, dropped, gaps)
	}
	// Where the machine that emulates is busy with other work, the emulated one
	// stands still for seconds, and no queue bridges that: then only the
	// account is held to.
	if carried := float64(sent.Load()) / seconds; carried < 0.99*float64(2*rate) {
		t.Logf("the machine carries %.0f frames/s only: too slow to ask for no loss", carried)
	} else if dropped != 0 {
		t.Errorf("%d frames dropped at %.0f frames/s", dropped, carried)
	}
}

// Nothing is ever sent: a controller in listen-only mode on a real (emulated)
// controller's bus, through an overload, a restart, and an unplugged adapter.
// can0 is ours; can1 and can2 talk to each other.
func TestVMListenOnly(t *testing.T) {
	needVM(t)
	for _, other := range []string{"can1", "can2"} {
		if _, err := SetUpCAN(other, CANSetup{Bitrate: 500000, Ask: true}); err != nil {
			t.Fatal(err)
		}
		defer command(t, "ip link set "+other+" down")
	}
	state, err := SetUpCAN("can0", CANSetup{Bitrate: 500000})
	if err != nil {
		t.Fatal(err)
	}
	if !state.ListenOnly || !state.Up || state.Virtual || state.Bitrate != 500000 {
		t.Fatalf("can0 after setting up: %+v", state)
	}
	s, err := OpenSocketCAN("can0", SocketOptions{ReceiveBuffer: 128 << 10})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	a, b := newWire(t, "can1"), newWire(t, "can2")
	start1, start2 := counter(t, "can1", "rx_packets"), counter(t, "can2", "rx_packets")
	heard := func() uint64 {
		return counter(t, "can1", "rx_packets") - start1 + counter(t, "can2", "rx_packets") - start2
	}
	sent := 0
	talk := func(n int) {
		for i := range n {
			a.send(data(0, uint32(i)&0x7FF, 0, 1, 2, 3))
			b.send(data(0, uint32(i)|0x10000, Extended, 4, 5, 6))
			a.send(Frame{ID: 0x7DF, Kind: Remote}) // would be answered by some
			sent++
			// One round at a time: the controllers' own queues are short.
			for deadline := time.Now().Add(2 * time.Second); heard() < uint64(3*sent) && time.Now().Before(deadline); {
				time.Sleep(100 * time.Microsecond)
			}
		}
	}
	talk(50)
	until(t, s, "traffic", atLeast(100, isFrame))
	command(t, "ip link set can0 down; ip link set can0 up")
	talk(50)
	until(t, s, "down and up", atLeast(1, isNotice(NoticeUp)))
	talk(300) // nobody reads: overload
	until(t, s, "traffic after overload", atLeast(1, isFrame))
	before := counter(t, "can0", "tx_packets") + counter(t, "can0", "tx_bytes") + counter(t, "can0", "tx_errors")

	// Unplugged and plugged in again.
	dev := strings.TrimSpace(command(t, "readlink -f /sys/class/net/can0/device"))
	command(t, "echo 1 >"+dev+"/remove")
	until(t, s, "unplugged", atLeast(1, isNotice(NoticeDown)))
	talk(20)
	command(t, "echo 1 >/sys/bus/pci/rescan")
	for i := 0; ; i++ {
		if state, err = SetUpCAN("can0", CANSetup{Bitrate: 500000}); err == nil {
			break
		}
		if i > 50 {
			t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond)
	}
	if !state.ListenOnly {
		t.Fatalf("can0 after plugging in: %+v", state)
	}
	until(t, s, "plugged in", atLeast(1, isNotice(NoticeUp)))
	talk(20)
	until(t, s, "traffic after plugging in", atLeast(1, isFrame))

	time.Sleep(300 * time.Millisecond)
	if n := before + counter(t, "can0", "tx_packets") + counter(t, "can0", "tx_bytes") + counter(t, "can0", "tx_errors"); n != 0 {
		t.Errorf("can0 has sent: its counters of sent frames, bytes and errors add up to %d", n)
	}
	// The others heard each other and nobody else.
	if n := counter(t, "can1", "rx_packets") - start1; n != uint64(sent) {
		t.Errorf("can1 heard %d frames; can2 sent %d", n, sent)
	}
	if n := counter(t, "can2", "rx_packets") - start2; n != uint64(2*sent) {
		t.Errorf("can2 heard %d frames; can1 sent %d", n, 2*sent)
	}
}

// The type that listens has no method that sends.
func TestListenerCannotSend(t *testing.T) {
	var s any = &SocketCAN{}
	if _, ok := s.(io.Writer); ok {
		t.Error("SocketCAN is a writer")
	}
	typ := reflect.TypeOf(s)
	for i := range typ.NumMethod() {
		switch name := typ.Method(i).Name; name {
		case "Read", "Clock", "Stats", "Close":
		default:
			t.Errorf("SocketCAN has a method %s", name)
		}
	}
}
