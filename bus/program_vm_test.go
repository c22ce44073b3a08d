//go:build linux

package bus

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// programInVM is the program in the emulated machine.
func programInVM(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "joltwatch")
	if _, err := os.Stat(program); err != nil {
		t.Skip("needs the program beside the test: .ci/vm/test puts it there")
	}
	return program
}

// The whole program, from setting the interface up to the end of the stay,
// sends nothing on a real (emulated) controller's bus, and what it recorded
// tells of the faults: an interface that goes down, an adapter unplugged, a mark.
func TestVMProgramListens(t *testing.T) {
	needVM(t)
	program := programInVM(t)
	dir := t.TempDir()
	file := dir + "/truck.toml"
	if err := os.WriteFile(file, []byte(`label = "emulated"
[[bus]]
name = "truck"
source = "socketcan:can0"
bitrate = 250000
j1939 = true
`), 0o600); err != nil {
		t.Fatal(err)
	}
	jolt := func(args ...string) *exec.Cmd {
		c := exec.Command(program, args...)
		c.Env = append(os.Environ(), "XDG_RUNTIME_DIR="+dir)
		return c
	}
	prepare := func() {
		t.Helper()
		if out, err := jolt("prepare", "--vehicle", file).CombinedOutput(); err != nil {
			t.Fatalf("prepare: %v: %s", err, out)
		}
	}
	for _, other := range []string{"can1", "can2"} {
		if _, err := SetUpCAN(other, CANSetup{Bitrate: 250000, Ask: true}); err != nil {
			t.Fatal(err)
		}
		defer command(t, "ip link set "+other+" down")
	}
	prepare()
	if s, err := ReadCANState("can0"); err != nil || !s.ListenOnly || !s.Up || s.Bitrate != 250000 {
		t.Fatalf("after prepare: %+v %v", s, err)
	}
	a, b := newWire(t, "can1"), newWire(t, "can2")
	start := counter(t, "can1", "rx_packets") + counter(t, "can2", "rx_packets")
	sent := uint64(0)
	talk := func(seconds int) {
		for range 25 * seconds {
			a.send(data(0, 0x0CF00400, Extended, 0xF0, 0x7D, 0x7D, 0x80, 0x25, 0x00, 0xFF, 0xFF)) // 1200 rpm
			b.send(data(0, 0x0CF00203, Extended, 0xC1, 0x6A, 0x14, 0xFF, 0xF7, 0xE8, 0x24, 0x03))
			sent += 2
			time.Sleep(40 * time.Millisecond)
		}
	}
	run := jolt("run", "--vehicle", file, "--store", dir+"/stay", "--json")
	var stdout, stderr bytes.Buffer
	run.Stdout, run.Stderr = &stdout, &stderr
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	defer run.Process.Kill()
	transmitted := func() uint64 {
		return counter(t, "can0", "tx_packets") + counter(t, "can0", "tx_bytes") + counter(t, "can0", "tx_errors")
	}
	talk(3)
	command(t, "ip link set can0 down")
	talk(1)
	prepare()
	talk(2)
	if out, err := jolt("mark").CombinedOutput(); err != nil {
		t.Errorf("mark: %v: %s", err, out)
	}
	leaked := transmitted()
	dev := strings.TrimSpace(command(t, "readlink -f /sys/class/net/can0/device"))
	command(t, "echo 1 >"+dev+"/remove")
	talk(1)
	command(t, "echo 1 >/sys/bus/pci/rescan")
	for i := 0; ; i++ {
		if _, err := os.Stat("/sys/class/net/can0"); err == nil {
			break
		}
		if i > 50 {
			t.Fatal("can0 does not come back")
		}
		time.Sleep(100 * time.Millisecond)
	}
	prepare()
	talk(2)
	leaked += transmitted()
	run.Process.Signal(syscall.SIGTERM)
	err := run.Wait()
	t.Logf("%s%s", stdout.String(), stderr.String())
	if code := run.ProcessState.ExitCode(); code != 0 && code != 3 {
		t.Errorf("the program ends with %d: %v", code, err)
	}
	if leaked != 0 {
		t.Errorf("can0 has sent: its counters of sent frames, bytes and errors add up to %d", leaked)
	}
	if heard := counter(t, "can1", "rx_packets") + counter(t, "can2", "rx_packets") - start; heard != sent {
		t.Errorf("the others heard %d frames and sent %d", heard, sent)
	}
	var done struct {
		Frames uint64 `json:"frames"`
	}
	if err := json.Unmarshal(stdout.Bytes(), &done); err != nil {
		t.Fatalf("%v: %s", err, stdout.String())
	}
	// Of 9 s of traffic, 2 s fell into the gaps and half a second may be lost
	// around them.
	if done.Frames < sent/2 || done.Frames > sent*8/9 {
		t.Errorf("%d frames recorded of %d sent", done.Frames, sent)
	}
}

// The whole program asks a controller that broadcasts nothing, with the kernel's
// transport layer as the controller's, and the answers become roles.
func TestVMProgramAsks(t *testing.T) {
	needVM(t)
	program := programInVM(t)
	vcan(t, "pask0")
	dir := t.TempDir()
	file := dir + "/vehicle.toml"
	if err := os.WriteFile(file, []byte(`label = "gateway"
[[bus]]
name = "plug"
source = "socketcan:pask0"
ask = true
[[request]]
name = "rpm"
service = 0x01
parameter = 0x0C
period_s = 0.2
[[request]]
name = "speed"
service = 0x01
parameter = 0x0D
period_s = 0.2
[[role]]
name = "engine_speed"
answer = "rpm"
[[role]]
name = "vehicle_speed"
answer = "speed"
`), 0o600); err != nil {
		t.Fatal(err)
	}
	ecu := isotpSocket(t, "pask0", 0x7E0, 0x7E8)
	stop, done := make(chan struct{}), make(chan struct{})
	asked := map[string]int{}
	var count atomic.Int64
	go func() {
		defer close(done)
		b := make([]byte, 64)
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
			asked[string(b[:n])]++
			count.Add(1)
			switch string(b[:n]) {
			case "\x01\x0C":
				unix.Write(ecu, []byte("\x41\x0C\x1A\xF8")) // 1726 rpm
			case "\x01\x0D":
				unix.Write(ecu, []byte("\x41\x0D\x32")) // 50 km/h
			case "\x01\x0C\x0D", "\x01\x0D\x0C":
				unix.Write(ecu, []byte("\x41\x0C\x1A\xF8\x0D\x32"))
			}
		}
	}()
	run := exec.Command(program, "run", "--vehicle", file, "--store", dir+"/stay", "--json")
	var said bytes.Buffer
	run.Stdout, run.Stderr = &said, &said
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	defer run.Process.Kill()
	// A hundred questions are ten seconds where the machine keeps up.
	began := time.Now()
	for count.Load() < 100 && time.Since(began) < 90*time.Second {
		time.Sleep(100 * time.Millisecond)
	}
	elapsed := time.Since(began).Seconds()
	run.Process.Signal(syscall.SIGTERM)
	run.Wait()
	close(stop)
	<-done
	t.Logf("%s", said.String())
	for payload := range asked {
		if strings.Trim(payload, "\x01\x0C\x0D") != "" || len(payload) > 3 {
			t.Errorf("it asked %q", payload)
		}
	}
	if n := asked["\x01\x0C\x0D"] + asked["\x01\x0D\x0C"]; n < 40 || float64(n) > 7*elapsed+2 {
		t.Errorf("asked for both speeds %d times in %.0f s", n, elapsed)
	}
	out, err := exec.Command(filepath.Join(filepath.Dir(program), "joltbench"), "summary", dir+"/stay", "--json").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var summary struct {
		EngineOn float64            `json:"engine_on_s"`
		Moving   float64            `json:"moving_s"`
		Fresh    map[string]float64 `json:"fresh"`
	}
	if err := json.Unmarshal(out, &summary); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if summary.Fresh["engine_speed"] < 0.5 || summary.Fresh["vehicle_speed"] < 0.5 || summary.EngineOn < 2 || summary.Moving < 2 {
		t.Errorf("what was asked for did not become roles: %s", out)
	}
}

// An interface whose controller acknowledges is not opened, neither at the start
// nor when it comes back otherwise than it went; what it hears then reaches
// nobody. The emulated bus has no acknowledge slot: each of its controllers takes
// every frame as acknowledged. So acknowledgements cannot be counted on it; what is
// counted is that no frame leaves and that none is taken while the mode is another.
func TestVMListensOnlyOrNotAtAll(t *testing.T) {
	needVM(t)
	if _, err := SetUpCAN("can1", CANSetup{Bitrate: 500000, Ask: true}); err != nil {
		t.Fatal(err)
	}
	defer command(t, "ip link set can1 down; ip link set can0 down")
	set := func(ask bool) {
		t.Helper()
		if _, err := SetUpCAN("can0", CANSetup{Bitrate: 500000, Ask: ask}); err != nil {
			t.Fatal(err)
		}
	}
	set(true)
	opt := SocketOptions{Wait: true, ListenOnly: true}
	if _, err := OpenSocketCAN("can0", opt); !errors.Is(err, ErrNotListenOnly) || !strings.Contains(err.Error(), "joltwatch prepare") {
		t.Fatalf("opened on a controller that acknowledges: %v", err)
	}
	s, err := OpenSocketCAN("can0", SocketOptions{})
	if err != nil {
		t.Fatalf("and not where it may: %v", err)
	}
	s.Close()
	set(false)
	if s, err = OpenSocketCAN("can0", opt); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	w := newWire(t, "can1")
	sent := counter(t, "can0", "tx_packets")
	// What another program of the board sends does not leave either.
	heard := counter(t, "can1", "rx_packets")
	newWire(t, "can0").send(data(0, 0x122, 0, 1))
	w.send(data(0, 0x123, 0, 1))
	until(t, s, "a frame", atLeast(1, isFrame))
	if n := counter(t, "can1", "rx_packets") - heard; n != 0 {
		t.Errorf("%d frames left a controller that only listens", n)
	}
	command(t, "ip link set can0 down")
	until(t, s, "down", atLeast(1, isNotice(NoticeDown)))
	set(true)
	for range 20 {
		w.send(data(0, 0x124, 0, 2))
		time.Sleep(20 * time.Millisecond)
	}
	batch := make([]Frame, 64)
	acknowledged := 0
	for end := time.Now().Add(3 * time.Second); time.Now().Before(end); {
		n, err := s.Read(batch)
		if err != nil {
			t.Fatal(err)
		}
		acknowledged += count(batch[:n], isFrame)
	}
	if acknowledged > 0 {
		t.Errorf("%d frames taken that the controller has acknowledged", acknowledged)
	}
	command(t, "ip link set can0 down")
	set(false)
	until(t, s, "up", func(got []Frame) bool {
		w.send(data(0, 0x125, 0, 3))
		return count(got, func(f *Frame) bool { return f.ID == 0x125 && isFrame(f) }) > 0
	})
	if n := counter(t, "can0", "tx_packets") - sent; n != 0 {
		t.Errorf("can0 has sent %d frames", n)
	}
}

// The whole program, with a vehicle file of four lines, and an engine's
// controller that answers after 10 to 40 ms.
func TestVMProgramTakesTheStandard(t *testing.T) {
	needVM(t)
	program := programInVM(t)
	vcan(t, "std0")
	dir := t.TempDir()
	file := dir + "/car.toml"
	if err := os.WriteFile(file, []byte("[[bus]]\nname = \"plug\"\nsource = \"socketcan:std0\"\nstandard = true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	engine := engineECU()
	w := newWire(t, "std0")
	stop, done := make(chan struct{}), make(chan struct{})
	together := 0
	go func() {
		defer close(done)
		b := make([]byte, canMTU)
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			n, err := unix.Read(w.fd, b)
			if err != nil || n != canMTU {
				continue
			}
			f := Frame{ID: binary.NativeEndian.Uint32(b), Len: b[4]}
			copy(f.Data[:8], b[8:])
			if f.ID != 0x7E0 && f.ID != functional11 {
				continue
			}
			if bytes.HasPrefix(f.Data[2:8], []byte{0x0C, 0x0D}) {
				together++
			}
			time.Sleep(time.Duration(10+i%4*10) * time.Millisecond)
			for _, a := range engine.take(&f) {
				w.send(a)
			}
		}
	}()
	out, err := exec.Command(program, "check", "--vehicle", file, "--for", "20").CombinedOutput()
	t.Logf("%v\n%s", err, out)
	close(stop)
	<-done
	for _, want := range []string{"6 of the standard's values are taken, from 0x7E8", "engine_speed (parameter 0C)", "this vehicle does not support it"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("check does not say %q", want)
		}
	}
	if together < 40 {
		t.Errorf("asked for both speeds at once %d times in 20 s", together)
	}
}

// With the key off, half a minute after the last frame, the program wakes at most once
// in five seconds. What it does without a rest of a tenth of a second is one waking.
func TestVMProgramRests(t *testing.T) {
	needVM(t)
	program := programInVM(t)
	dir := t.TempDir()
	file := dir + "/truck.toml"
	if err := os.WriteFile(file, []byte("label = \"emulated\"\n[[bus]]\nname = \"truck\"\nsource = \"socketcan:rest0\"\nj1939 = true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	vcan(t, "rest0")
	run := exec.Command(program, "run", "--vehicle", file, "--store", dir+"/stay")
	run.Env = append(os.Environ(), "XDG_RUNTIME_DIR="+dir)
	var stderr bytes.Buffer
	run.Stderr = &stderr
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	defer run.Process.Kill()
	w := newWire(t, "rest0")
	for range 100 {
		w.send(data(0, 0x0CF00400, Extended, 0xF0, 0x7D, 0x7D, 0x80, 0x25, 0x00, 0xFF, 0xFF))
		time.Sleep(40 * time.Millisecond)
	}
	time.Sleep(50 * time.Second) // it has fallen asleep, and the last short wait is over
	wakings, before, awake := 0, switches(t, run.Process.Pid), false
	const watched = 120
	for range 10 * watched {
		time.Sleep(100 * time.Millisecond)
		n := switches(t, run.Process.Pid)
		if n != before && !awake {
			wakings++
		}
		awake, before = n != before, n
	}
	t.Logf("%d wakings in %d s", wakings, watched)
	if wakings > watched/5 {
		t.Errorf("%d wakings in %d s; it said: %s", wakings, watched, stderr.String())
	}
	if err := run.Process.Signal(syscall.SIGTERM); err != nil {
		t.Error(err)
	}
	run.Wait()
}

// switches is how often the threads of a process were put to sleep and woken (proc(5)).
func switches(t *testing.T, pid int) (sum int) {
	t.Helper()
	tasks, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/status", pid))
	if err != nil || len(tasks) == 0 {
		t.Fatalf("no threads of %d: %v", pid, err)
	}
	for _, task := range tasks {
		b, _ := os.ReadFile(task) // one may have ended
		for line := range strings.Lines(string(b)) {
			if n, ok := strings.CutPrefix(line, "voluntary_ctxt_switches:"); ok {
				k, err := strconv.Atoi(strings.TrimSpace(n))
				if err != nil {
					t.Fatal(err)
				}
				sum += k
			}
		}
	}
	return sum
}
