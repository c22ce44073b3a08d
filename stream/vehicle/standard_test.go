package vehicle

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

const ordinary = `label = "ordinary car"
[[bus]]
name = "plug"
source = "socketcan:can0"
standard = true
`

// A file of four lines needs no role and no definition.
func TestStandardNeedsNothing(t *testing.T) {
	f, _, err := load(t, ordinary)
	if err != nil {
		t.Fatal(err)
	}
	b := f.Buses[0]
	if !b.Ask || len(f.Plan.Asks) != 1 || len(f.Plan.MayAcknowledge) != 0 {
		t.Errorf("%+v, %+v", b, f.Plan)
	}
	for _, r := range []stream.Role{stream.EngineSpeed, stream.VehicleSpeed, stream.Accelerator, stream.EngineTorque, stream.Gear, stream.SupplyVoltage} {
		if len(f.Plan.Sources[r.String()]) == 0 {
			t.Errorf("no source of %s", r)
		}
	}
	for _, q := range b.Requests {
		speed := q.Parameter == 0x0C || q.Parameter == 0x0D
		if !q.Standard || q.Size == 0 || speed != (q.Urgency == bus.Coupling) || q.Wakes != (q.Parameter == 0x0C || q.Parameter == 0x42) {
			t.Errorf("%+v", q)
		}
	}
	// Requests of the user's own come before.
	f, _, err = load(t, ordinary+`
[[request]]
name = "turbine"
service = 0x22
parameter = 0x1941
request_id = 0x7E1
[[request]]
name = "rpm"
service = 0x01
parameter = 0x0C
[[role]]
name = "turbine_speed"
answer = "turbine"
start = 7
length = 16
scale = 0.25
unit = "rpm"
[[role]]
name = "engine_speed"
answer = "rpm"
`)
	if err != nil {
		t.Fatal(err)
	}
	b = f.Buses[0]
	if b.Requests[0].Urgency != bus.Coupling || b.Requests[0].Standard || b.Requests[1].Size != 2 || !b.Requests[1].Wakes ||
		len(f.Plan.Sources["engine_speed"]) != 1 || f.Plan.Sources["engine_speed"][0] != "answer rpm" {
		t.Errorf("%+v %v", b.Requests[:2], f.Plan.Sources)
	}
}

func TestBusesOfOneKindOrTheOther(t *testing.T) {
	for text, want := range map[string]string{
		"source = \"button:/dev/x\"\nstandard = true":                          "takes no requests: expected socketcan:INTERFACE",
		"source = \"button:/dev/x\"\nmay_acknowledge = true":                   "is on no CAN bus",
		"source = \"socketcan:can0\"\nlisten = true":                           "listen: expected on a source that can ask or listen",
		"source = \"nothing:x\"":                                               "expected socketcan:INTERFACE, serial:DEVICE",
		"source = \"socketcan:can0\"\nask = true\nasking.burst_per_second = 5": "burst_per_second 5: expected per_second (10 where left out) to 100",
		"source = \"socketcan:can0\"\nask = true\nasking.per_second = 500":     "per_second 500",
		"source = \"socketcan:can0\"\nstandard = true\nbitrate = \"fast\"":     "expected a whole number",
		"source = \"socketcan:can0\"\nstandart = true":                         "did you mean standard",
	} {
		_, _, err := load(t, "[[bus]]\nname = \"x\"\n"+text+"\n")
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// answered decodes the answer to one of the standard's parameters.
func answered(t *testing.T, f *File, s *stream.Stream, pid uint16, data []byte) (v float64, ok bool) {
	t.Helper()
	k := &keep{}
	for i, q := range f.Buses[0].Requests {
		if q.Parameter == pid {
			x := bus.Frame{At: k.at, Kind: bus.Answer, ID: uint32(i), Len: uint8(len(data))}
			copy(x.Data[:], data)
			s.Push(&x, k)
			return k.v, k.ok
		}
	}
	t.Fatalf("no parameter %02X", pid)
	return 0, false
}

type keep struct {
	at bus.Micros
	v  float64
	ok bool
}

func (k *keep) Frame(*bus.Frame)          {}
func (k *keep) Row(*stream.Row)           {}
func (k *keep) Samples(x []stream.Sample) { k.v, k.ok = x[len(x)-1].Value, x[len(x)-1].OK }

// The scalings against a general protocol dissector from the distribution,
// which knows the standard's tables; it rounds some to whole numbers.
func TestStandardScalingsAreTheDissectors(t *testing.T) {
	tshark, err := exec.LookPath("tshark")
	if err != nil {
		t.Skip("needs tshark: apt-get install tshark")
	}
	fields := map[uint16]struct {
		field string
		off   float64
	}{
		0x0C: {"engine_rpm", 1}, 0x0D: {"vehicle_speed", 0.5}, 0x11: {"throttle_position", 1}, 0x42: {"control_module_voltage", 0.001},
		0x45: {"relative_throttle_position", 1}, 0x47: {"absolute_throttle_position_B", 1}, 0x49: {"accelerator_pedal_position_D", 1},
		0x4A: {"accelerator_pedal_position_E", 1}, 0x4B: {"accelerator_pedal_position_F", 1}, 0x5A: {"relative_accelerator_pedal_position", 1},
		0x62: {"torque_actual_engine", 0.5}, 0x63: {"torque_reference_engine", 0.5},
	}
	f, _, err := load(t, ordinary)
	if err != nil {
		t.Fatal(err)
	}
	type one struct {
		pid  uint16
		data []byte
	}
	var all []one
	args := []string{"-d", "can.subdissector,iso15765", "-d", "iso15765.subdissector,obd-ii", "-T", "fields", "-E", "separator=;"}
	for pid, x := range fields {
		args = append(args, "-e", "obd-ii.mode01_"+x.field)
		for _, data := range [][]byte{{0x12, 0x34}, {0x80, 0x01}, {0xC7, 0xFF}} {
			all = append(all, one{pid, data[:standardSize(1, pid)]})
		}
	}
	// A capture with link type 227 (SocketCAN).
	var b bytes.Buffer
	binary.Write(&b, binary.LittleEndian, []uint32{0xA1B2C3D4, 4<<16 | 2, 0, 0, 65535, 227})
	for _, x := range all {
		binary.Write(&b, binary.LittleEndian, []uint32{0, 0, 16, 16})
		binary.Write(&b, binary.BigEndian, uint32(0x7E8))
		b.Write([]byte{8, 0, 0, 0})
		payload := append([]byte{byte(2 + len(x.data)), 0x41, byte(x.pid)}, x.data...)
		b.Write(append(payload, make([]byte, 8-len(payload))...))
	}
	path := filepath.Join(t.TempDir(), "answers.pcap")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tshark, append([]string{"-r", path}, args...)...).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != len(all) {
		t.Fatalf("%d answers dissected of %d", len(lines), len(all))
	}
	for i, x := range all {
		want, err := strconv.ParseFloat(strings.ReplaceAll(lines[i], ";", ""), 64)
		if err != nil {
			t.Fatalf("%02X: the dissector says %q", x.pid, lines[i])
		}
		s, err := stream.New(f.Plan)
		if err != nil {
			t.Fatal(err)
		}
		pid, data := x.pid, x.data
		switch x.pid {
		case 0x62: // percent, which a reference of 100 N·m makes N·m
			answered(t, f, s, 0x63, []byte{0, 100})
		case 0x63: // at 100 %
			answered(t, f, s, 0x63, data)
			pid, data = 0x62, []byte{225}
		}
		if got, ok := answered(t, f, s, pid, data); !ok || math.Abs(got-want) > fields[x.pid].off {
			t.Errorf("parameter %02X of % X: %v, the dissector says %v", x.pid, x.data, got, want)
		}
	}
}

// Without a reference a torque in percent is no torque; a gear that is said not
// to be there is none.
func TestStandardUnknowns(t *testing.T) {
	f, _, err := load(t, ordinary)
	if err != nil {
		t.Fatal(err)
	}
	s, err := stream.New(f.Plan)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := answered(t, f, s, 0x62, []byte{200}); ok {
		t.Error("a torque without its reference")
	}
	if v, ok := answered(t, f, s, 0xA4, []byte{0x03, 0x40, 0x05, 0x50}); !ok || v != 4 {
		t.Errorf("gear %v, known %v; want 4", v, ok)
	}
	if _, ok := answered(t, f, s, 0xA4, []byte{0x02, 0x40, 0x05, 0x50}); ok {
		t.Error("a gear that the controller does not give")
	}
	if _, ok := answered(t, f, s, 0xA4, []byte{0x03, 0x04, 0x05, 0x50}); ok {
		t.Error("a gear of 0 is taken for one")
	}
}
