package stream_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	"go.einride.tech/can"
	card "go.einride.tech/can/pkg/dbc"
	"go.einride.tech/can/pkg/descriptor"
	"golang.org/x/sys/unix"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// wantedPlaces are the places of the mapped messages among the 60 of the bus.
var wantedPlaces = [4]int{9, 23, 38, 52}

// trafficDefinitions is the definition file of a bus of 60 identifiers, as a
// maker's file has all of them: the mapped ones in both byte orders, with signs
// and odd places, and between them those that nobody asked for.
func trafficDefinitions() string {
	var b strings.Builder
	b.WriteString("VERSION \"\"\nBU_: E T B\n")
	wanted := strings.SplitAfter(wantedDefinitions, "\n\n")
	for id := range 60 {
		if n := slices.Index(wantedPlaces[:], id); n >= 0 {
			fmt.Fprintf(&b, "BO_ %d %s", 256+16*id, strings.TrimSpace(wanted[n])+"\n")
			continue
		}
		fmt.Fprintf(&b, "BO_ %d Other%d: 8 E\n SG_ First : 0|16@1+ (1,0) [0|0] \"\" T\n SG_ Second : 23|16@0- (0.1,0) [0|0] \"\" T\n", 256+16*id, id)
	}
	return b.String()
}

const wantedDefinitions = `Engine: 8 E
 SG_ Speed : 0|16@1+ (0.125,0) [0|8031.875] "rpm" T
 SG_ Torque : 16|12@1- (0.5,0) [-1000|1000] "Nm" T
 SG_ Pedal : 32|8@1+ (0.4,0) [0|100] "%" T

Box: 8 T
 SG_ Turbine : 7|16@0+ (0.125,0) [0|8031.875] "rpm" E
 SG_ Output : 23|16@0+ (0.125,0) [0|8031.875] "rpm" E
 SG_ Gear : 36|4@1+ (1,0) [0|15] "" E
 SG_ Lockup : 40|2@1+ (1,0) [0|3] "" E

Clutch: 8 T
 SG_ Command : 0|12@1+ (1,0) [0|4000] "kPa" E
 SG_ Pressure : 12|12@1+ (1,0) [0|4000] "kPa" E
 SG_ Fluid : 24|8@1+ (1,-40) [-40|200] "degC" E

Wheels: 8 B
 SG_ Road : 7|16@0+ (0.01,0) [0|300] "km/h" E
 SG_ Long : 23|12@0- (0.01,0) [-15|15] "m/s2" E
 SG_ Brake : 62|1@1+ (1,0) [0|1] "" E
`

const trafficVehicle = `
[[bus]]
name = "powertrain"
definitions = ["%s"]
[[role]]
name = "engine_speed"
signal = "Engine.Speed"
[[role]]
name = "engine_torque"
signal = "Engine.Torque"
[[role]]
name = "accelerator"
signal = "Engine.Pedal"
[[role]]
name = "turbine_speed"
signal = "Box.Turbine"
[[role]]
name = "output_speed"
signal = "Box.Output"
[[role]]
name = "gear"
signal = "Box.Gear"
[[role]]
name = "slip_command"
signal = "Box.Lockup"
unit = "rpm"
[[role]]
name = "clutch_pressure_command"
signal = "Clutch.Command"
[[role]]
name = "clutch_pressure"
signal = "Clutch.Pressure"
[[role]]
name = "fluid_temperature"
signal = "Clutch.Fluid"
[[role]]
name = "vehicle_speed"
signal = "Wheels.Road"
[[role]]
name = "acceleration"
signal = "Wheels.Long"
[[role]]
name = "brake"
signal = "Wheels.Brake"
`

// traffic makes ten seconds of a bus with 60 identifiers, 4 of them mapped at
// 10 ms, the others at 20 ms: invented, for benchmarks.
func traffic(mappedOnly bool) []bus.Frame {
	rnd := rand.New(rand.NewPCG(5, 6))
	var frames []bus.Frame
	for ms := range 10000 {
		for id := range 60 {
			period := 20
			wanted := slices.Index(wantedPlaces[:], id)
			if wanted >= 0 {
				period = 10
			}
			if ms%period != id%period || mappedOnly && wanted < 0 {
				continue
			}
			f := bus.Frame{At: bus.Micros(ms)*1000 + bus.Micros(id)*10, ID: uint32(256 + 16*id), Len: 8}
			for i := range 8 {
				f.Data[i] = byte(rnd.Uint32())
			}
			// Keep the values in their ranges.
			switch wanted {
			case 0:
				f.Data[1] &= 0x3f
				f.Data[3], f.Data[4] = f.Data[3]&0xf0, 100
			case 1:
				f.Data[0] &= 0x3f
				f.Data[2] &= 0x3f
			case 2:
				f.Data[1] &= 0x77
				f.Data[2] &= 0x77
				f.Data[3] = 120
			case 3:
				f.Data[0] = 0x20
				f.Data[2], f.Data[3] = 0x10, 0x80
			}
			frames = append(frames, f)
		}
	}
	return frames
}

func trafficPlan(tb testing.TB) *stream.Plan {
	tb.Helper()
	dir := tb.TempDir()
	write(tb, dir+"/t.dbc", trafficDefinitions())
	f, err := vehicle.Parse(dir+"/v.toml", []byte(fmt.Sprintf(trafficVehicle, "t.dbc")), &struct{}{})
	if err != nil {
		tb.Fatal(err)
	}
	return f.Plan
}

// genericDatabase is the same file in the other library's own form.
func genericDatabase(tb testing.TB) *descriptor.Database {
	p := card.NewParser("t.dbc", []byte(trafficDefinitions()))
	if err := p.Parse(); err != nil {
		tb.Fatal(err)
	}
	db := &descriptor.Database{}
	for _, d := range p.Defs() {
		m, ok := d.(*card.MessageDef)
		if !ok {
			continue
		}
		msg := &descriptor.Message{Name: string(m.Name), ID: m.MessageID.ToCAN(), Length: uint8(m.Size)}
		for _, s := range m.Signals {
			msg.Signals = append(msg.Signals, &descriptor.Signal{Name: string(s.Name), Start: uint8(s.StartBit), Length: uint8(s.Size),
				IsBigEndian: s.IsBigEndian, IsSigned: s.IsSigned, Scale: s.Factor, Offset: s.Offset, Min: s.Minimum, Max: s.Maximum})
		}
		db.Messages = append(db.Messages, msg)
	}
	return db
}

// The two that are compared decode the same values from the same frames.
func TestDecodingAgreesWithGenericPath(t *testing.T) {
	frames := traffic(false)
	d, err := stream.NewDecoder(trafficPlan(t))
	if err != nil {
		t.Fatal(err)
	}
	db := genericDatabase(t)
	n := 0
	for i := range frames {
		samples, _ := d.Decode(&frames[i])
		m, ok := db.Message(frames[i].ID)
		if !ok {
			t.Fatal("a frame that is not in the definition file")
		}
		if strings.HasPrefix(m.Name, "Other") {
			if len(samples) != 0 {
				t.Fatal("samples of an unmapped frame")
			}
			continue
		}
		data := can.Data(frames[i].Data[:8])
		for j, s := range m.Signals {
			if got, want := samples[j].Value, s.UnmarshalPhysical(data); math.Abs(got-want) > 1e-9 || !samples[j].OK {
				t.Fatalf("%s.%s is %v (%v), the library says %v", m.Name, s.Name, got, samples[j].OK, want)
			}
			n++
		}
	}
	if n < 10000 {
		t.Errorf("%d values compared", n)
	}
}

var keep float64

// contestant decodes frames and returns the sum of the values.
type contestant struct {
	name   string
	decode func([]bus.Frame) float64
}

// contestants decode what is mapped of the traffic, and only that: this package; the
// generic descriptor path of go.einride.tech/can with that library's own search for the
// message; the same with a Go map of the mapped messages in its place, as a careful user
// would write it; and a decoder written by hand for these four messages, checked for
// nothing, which is what is at most possible.
func contestants(tb testing.TB) []contestant {
	d, err := stream.NewDecoder(trafficPlan(tb))
	if err != nil {
		tb.Fatal(err)
	}
	db := genericDatabase(tb)
	byID := map[uint32]*descriptor.Message{}
	for _, m := range db.Messages {
		if !strings.HasPrefix(m.Name, "Other") {
			byID[m.ID] = m
		}
	}
	return []contestant{
		{"ours", func(frames []bus.Frame) (sum float64) {
			for i := range frames {
				samples, _ := d.Decode(&frames[i])
				for j := range samples {
					sum += samples[j].Value
				}
			}
			return sum
		}},
		{"search", func(frames []bus.Frame) float64 {
			return generic(frames, func(id uint32) (*descriptor.Message, bool) {
				m, ok := db.Message(id)
				return m, ok && m.Name[0] != 'O'
			})
		}},
		{"map", func(frames []bus.Frame) float64 {
			return generic(frames, func(id uint32) (*descriptor.Message, bool) { m, ok := byID[id]; return m, ok })
		}},
		{"by-hand", byHand},
	}
}

func generic(frames []bus.Frame, find func(uint32) (*descriptor.Message, bool)) (sum float64) {
	for i := range frames {
		m, ok := find(frames[i].ID)
		if !ok {
			continue
		}
		data := can.Data(frames[i].Data[:8])
		for _, s := range m.Signals {
			sum += s.UnmarshalPhysical(data)
		}
	}
	return sum
}

func byHand(frames []bus.Frame) (sum float64) {
	for i := range frames {
		f := &frames[i]
		little, big := binary.LittleEndian.Uint64(f.Data[:]), binary.BigEndian.Uint64(f.Data[:])
		switch f.ID {
		case 256 + 16*9: // Engine
			sum += float64(uint16(little)) * 0.125
			sum += float64(int64(little<<36)>>52) * 0.5
			sum += float64(uint8(little>>32)) * 0.4
		case 256 + 16*23: // Box
			sum += float64(big>>48) * 0.125
			sum += float64(uint16(big>>32)) * 0.125
			sum += float64(little >> 36 & 15)
			sum += float64(little >> 40 & 3)
		case 256 + 16*38: // Clutch
			sum += float64(little & 0xfff)
			sum += float64(little >> 12 & 0xfff)
			sum += float64(uint8(little>>24)) - 40
		case 256 + 16*52: // Wheels
			sum += float64(big>>48) * 0.01
			sum += float64(int64(big<<16)>>52) * 0.01
			sum += float64(little >> 62 & 1)
		}
	}
	return sum
}

func TestContestantsAgree(t *testing.T) {
	frames := traffic(false)[:5000]
	all := contestants(t)
	want := all[1].decode(frames)
	for _, c := range all {
		if got := c.decode(frames); math.Abs(got-want) > 1e-9*math.Abs(want) {
			t.Errorf("%s: the values add up to %v, the library's to %v", c.name, got, want)
		}
	}
}

// decodeBatch is as many frames as a source hands over in one batch: hot in the cache,
// as frames just received are.
const decodeBatch = 512

// BenchmarkDecode lets the contestants take turns on the same frames, so that whatever
// else the machine does hits all of them alike, and reports for each the median of the
// processor time of this thread a frame, in ns.
func BenchmarkDecode(b *testing.B) {
	for _, c := range []struct {
		name string
		only bool
	}{{"mapped", true}, {"busy", false}} {
		b.Run(c.name, func(b *testing.B) {
			frames := traffic(c.only)[:decodeBatch]
			all := contestants(b)
			spent := make([][]float64, len(all))
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			b.ReportAllocs()
			for b.Loop() {
				for i := range all {
					start := threadTime(b)
					for range 8 {
						keep += all[i].decode(frames)
					}
					spent[i] = append(spent[i], float64(threadTime(b)-start)/(8*decodeBatch))
				}
			}
			for i := range all {
				slices.Sort(spent[i])
				b.ReportMetric(spent[i][len(spent[i])/2], all[i].name)
			}
		})
	}
}

// threadTime is the processor time of this thread in ns.
func threadTime(tb testing.TB) int64 {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &t); err != nil {
		tb.Fatal(err)
	}
	return t.Nano()
}

// TestDecodeWorkload is run by cmd/develop/speed, which counts its instructions.
func TestDecodeWorkload(t *testing.T) {
	var name, which string
	var n int
	if _, err := fmt.Sscan(os.Getenv("JOLTWATCH_WORKLOAD"), &name, &which, &n); err != nil {
		t.Skip("a part of make speed")
	}
	frames := traffic(name == "mapped")[:decodeBatch]
	all := contestants(t)
	i := slices.IndexFunc(all, func(c contestant) bool { return c.name == which })
	for range n / decodeBatch {
		keep += all[i].decode(frames)
	}
}

// BenchmarkPush is the whole stream, frame by frame, in steady state.
func BenchmarkPush(b *testing.B) {
	cases := []struct {
		name   string
		plan   *stream.Plan
		frames []bus.Frame
		span   bus.Micros
	}{{"busy", trafficPlan(b), traffic(false), 10 * bus.Second}, {"mapped", trafficPlan(b), traffic(true), 10 * bus.Second}}
	for _, c := range cases {
		b.Run(c.name, func(b *testing.B) { push(b, c.plan, c.frames, c.span) })
	}
	b.Run("truck", func(b *testing.B) { push(b, truckPlan(b), truckFrames(b), 31*bus.Second) })
}

func push(b *testing.B, plan *stream.Plan, frames []bus.Frame, span bus.Micros) {
	s, err := stream.New(plan)
	if err != nil {
		b.Fatal(err)
	}
	var sink discard
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		s.Push(&frames[n], &sink)
		frames[n].At += span
		if n++; n == len(frames) {
			n = 0
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
	if !strings.Contains(b.Name(), "truck") && sink.rows == 0 && b.N > 100000 {
		b.Error("no rows")
	}
}
