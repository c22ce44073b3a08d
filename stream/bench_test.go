package stream_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"go.einride.tech/can"
	card "go.einride.tech/can/pkg/dbc"
	"go.einride.tech/can/pkg/descriptor"

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

// BenchmarkDecode compares decoding with the generic descriptor path of
// go.einride.tech/can on the same frames: of mapped identifiers only, and of a
// busy bus; both decode only what is mapped. "lookup" is that library's own
// search for the message, "map" a Go map of the mapped messages in its place, as
// a careful user would write it.
func BenchmarkDecode(b *testing.B) {
	for _, c := range []struct {
		name string
		only bool
	}{{"mapped", true}, {"busy", false}} {
		// As many as a source hands over in one batch: hot in the cache, as
		// frames just received are.
		frames := traffic(c.only)[:512]
		b.Run(c.name+"/ours", func(b *testing.B) {
			d, err := stream.NewDecoder(trafficPlan(b))
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			sum := 0.0
			for n := 0; b.Loop(); {
				samples, _ := d.Decode(&frames[n])
				for j := range samples {
					sum += samples[j].Value
				}
				if n++; n == len(frames) {
					n = 0
				}
			}
			keep = sum
		})
		db := genericDatabase(b)
		byID := map[uint32]*descriptor.Message{}
		for _, m := range db.Messages {
			if !strings.HasPrefix(m.Name, "Other") {
				byID[m.ID] = m
			}
		}
		lookup := func(id uint32) (*descriptor.Message, bool) {
			m, ok := db.Message(id)
			return m, ok && m.Name[0] != 'O'
		}
		for _, g := range []struct {
			name string
			find func(uint32) (*descriptor.Message, bool)
		}{{"generic-lookup", lookup}, {"generic-map", func(id uint32) (*descriptor.Message, bool) { m, ok := byID[id]; return m, ok }}} {
			b.Run(c.name+"/"+g.name, func(b *testing.B) {
				b.ReportAllocs()
				sum := 0.0
				for n := 0; b.Loop(); {
					f := &frames[n]
					if m, ok := g.find(f.ID); ok {
						data := can.Data(f.Data[:8])
						for _, s := range m.Signals {
							sum += s.UnmarshalPhysical(data)
						}
					}
					if n++; n == len(frames) {
						n = 0
					}
				}
				keep = sum
			})
		}
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
