package stream_test

import (
	"encoding/binary"
	"math"
	"testing"

	"go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
	"joltwatch/stream"
)

// fits reports whether a signal lies within size bytes, by walking its bits as
// definition files count them.
func fits(start, length, size int, big bool) bool {
	if !big {
		return start+length <= 8*size
	}
	p := start
	for range length {
		if p < 0 || p>>3 >= size {
			return false
		}
		if p&7 == 0 {
			p += 15
		} else {
			p--
		}
	}
	return true
}

// bitByBit is the definition of a field, taken literally.
func bitByBit(data []byte, start, length int, big bool) uint64 {
	var v uint64
	p := start
	for i := range length {
		bit := uint64(data[p>>3]>>(p&7)) & 1
		if big {
			v = v<<1 | bit
			if p&7 == 0 {
				p += 15
			} else {
				p--
			}
		} else {
			v |= bit << i
			p++
		}
	}
	return v
}

func oneSignal(s stream.Signal) *stream.Plan {
	return &stream.Plan{Buses: []string{"b"}, Messages: []stream.Message{{Name: "M", ID: 0x123, Signals: []stream.Signal{s}}}}
}

// Every start and length that fits eight bytes, both byte orders, signed and
// not, against go.einride.tech/can as an independent implementation.
func TestFieldsAgreeWithAnotherLibrary(t *testing.T) {
	rnd := lot.Draw(t, 1, 2)
	n := 0
	for start := range 64 {
		for length := 1; length <= 64; length++ {
			for form := range 4 {
				big, signed := form&1 != 0, form&2 != 0
				if !fits(start, length, 8, big) {
					continue
				}
				d, err := stream.NewDecoder(oneSignal(stream.Signal{Role: stream.EngineSpeed, Start: uint16(start),
					Length: uint8(length), BigEndian: big, Signed: signed, Scale: 0.125, Offset: -40}))
				if err != nil {
					t.Fatal(err)
				}
				other := descriptor.Signal{Start: uint8(start), Length: uint8(length), IsBigEndian: big, IsSigned: signed, Scale: 0.125, Offset: -40}
				f := bus.Frame{ID: 0x123, Len: 8}
				binary.LittleEndian.PutUint64(f.Data[:], rnd.Uint64())
				samples, mapped := d.Decode(&f)
				if !mapped || len(samples) != 1 {
					t.Fatalf("start %d length %d: mapped %v, %d samples", start, length, mapped, len(samples))
				}
				data := can.Data(f.Data[:8])
				want := other.UnmarshalPhysical(data)
				if length == 1 {
					// That library takes one bit as a switch, without scale.
					want = float64(other.UnmarshalUnsigned(data))*0.125 - 40
					if signed {
						want = float64(other.UnmarshalSigned(data))*0.125 - 40
					}
				}
				if samples[0].Value != want {
					t.Fatalf("start %d length %d big %v signed %v: %v, the library says %v", start, length, big, signed, samples[0].Value, want)
				}
				n++
			}
		}
	}
	if n < 8000 {
		t.Errorf("%d fields compared", n)
	}
}

// Fields anywhere in a 64-byte frame, against the definition taken literally.
func TestFieldsInLongFrames(t *testing.T) {
	rnd := lot.Draw(t, 3, 4)
	n := 0
	for range 20000 {
		start, length, big := rnd.IntN(512), 1+rnd.IntN(64), rnd.IntN(2) == 0
		d, err := stream.NewDecoder(oneSignal(stream.Signal{Role: stream.EngineSpeed, Start: uint16(start), Length: uint8(length), BigEndian: big, Scale: 1}))
		if ok := fits(start, length, 64, big); ok != (err == nil) {
			t.Fatalf("start %d length %d big %v: error %v, fits %v", start, length, big, err, ok)
		}
		if err != nil {
			continue
		}
		f := bus.Frame{ID: 0x123, Len: 64, Flags: bus.FD}
		for i := range f.Data {
			f.Data[i] = byte(rnd.Uint32())
		}
		samples, _ := d.Decode(&f)
		if got, want := uint64(samples[0].Raw), bitByBit(f.Data[:], start, length, big); got != want {
			t.Fatalf("start %d length %d big %v: raw %x, expected %x", start, length, big, got, want)
		}
		n++
	}
	if n < 10000 {
		t.Errorf("%d fields compared", n)
	}
}

func TestFloats(t *testing.T) {
	for _, big := range []bool{false, true} {
		start := uint16(8)
		if big {
			start = 15
		}
		d, err := stream.NewDecoder(oneSignal(stream.Signal{Role: stream.EngineSpeed, Start: start, Length: 32, BigEndian: big, Float: true, Scale: 2, Offset: 1}))
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			v  float32
			ok bool
		}{{1.5, true}, {-3e20, true}, {float32(math.NaN()), false}, {float32(math.Inf(1)), false}} {
			f := bus.Frame{ID: 0x123, Len: 8}
			if big {
				binary.BigEndian.PutUint32(f.Data[1:], math.Float32bits(c.v))
			} else {
				binary.LittleEndian.PutUint32(f.Data[1:], math.Float32bits(c.v))
			}
			s, _ := d.Decode(&f)
			if s[0].OK != c.ok || c.ok && s[0].Value != 2*float64(c.v)+1 {
				t.Errorf("big %v: %v decodes to %+v", big, c.v, s[0])
			}
		}
	}
}

func TestRangeAndStatesAndMultiplexer(t *testing.T) {
	p := oneSignal(stream.Signal{Role: stream.EngineSpeed, Length: 16, Scale: 0.125, RawMin: 0, RawMax: 0xFAFF})
	p.Messages[0].Signals = append(p.Messages[0].Signals,
		stream.Signal{Role: stream.Gear, Start: 16, Length: 8, Scale: 1, States: map[int64]float64{0: 0, 7: -1, 300: 5}},
		stream.Signal{Role: stream.ClutchPressure, Start: 32, Length: 8, Scale: 16, RawMax: 250,
			Mux: []stream.MuxCond{{Start: 24, Length: 4, Ranges: [][2]uint64{{1, 1}, {3, 5}}}}})
	d, err := stream.NewDecoder(p)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		data     []byte
		rpm      float64
		rpmOK    bool
		gear     float64
		gearOK   bool
		pressure bool
	}{
		{[]byte{0xFF, 0xFA, 7, 1, 2}, 0xFAFF * 0.125, true, -1, true, true},
		{[]byte{0x00, 0xFB, 0, 2, 2}, 0, false, 0, true, false},
		{[]byte{0xFF, 0xFF, 1, 4, 2}, 0, false, 0, false, true},
		{[]byte{0, 0, 255, 6, 2}, 0, true, 0, false, false},
	} {
		f := bus.Frame{ID: 0x123, Len: uint8(len(c.data))}
		copy(f.Data[:], c.data)
		s, _ := d.Decode(&f)
		if s[0].OK != c.rpmOK || c.rpmOK && s[0].Value != c.rpm {
			t.Errorf("% X: engine speed %+v", c.data, s[0])
		}
		if s[1].OK != c.gearOK || c.gearOK && s[1].Value != c.gear {
			t.Errorf("% X: gear %+v", c.data, s[1])
		}
		if (len(s) == 3) != c.pressure {
			t.Errorf("% X: %d samples, pressure expected %v", c.data, len(s), c.pressure)
		}
	}
}

func TestShortFrameGivesNoSample(t *testing.T) {
	s, err := stream.New(oneSignal(stream.Signal{Role: stream.EngineSpeed, Start: 8, Length: 16, Scale: 1}))
	if err != nil {
		t.Fatal(err)
	}
	g := &gather{}
	f := bus.Frame{ID: 0x123, Len: 2}
	s.Push(&f, g)
	if len(g.samples) != 0 || g.frames != 1 || s.Stats().Short != 1 {
		t.Errorf("%d samples, %d frames, %d short", len(g.samples), g.frames, s.Stats().Short)
	}
}

// SAE J1939-21: with a PDU format below 240 the second byte is a destination
// and no part of the group; the identifiers are the worked cases of the
// recording: TSC1 to the engine, ETC1, EEC1 and proprietary A.
func TestPGN(t *testing.T) {
	for _, c := range []struct {
		id, pgn uint32
		source  uint8
	}{
		{0x0C000003, 0, 3}, {0x0CF00203, 61442, 3}, {0x0CF00400, 61444, 0}, {0x18FEF131, 65265, 0x31},
		{0x18EF0B21, 61184, 0x21}, {0x1CFEB300, 65203, 0}, {0x19F00203, 0x1F002, 3},
	} {
		if pgn, source := stream.PGN(c.id); pgn != c.pgn || source != c.source {
			t.Errorf("%08X is group %d from %d, expected %d from %d", c.id, pgn, source, c.pgn, c.source)
		}
	}
}

func TestIdentifiersAreToldApart(t *testing.T) {
	p := &stream.Plan{Buses: []string{"a", "b"}}
	add := func(role stream.Role, b int, id uint32, ext bool, match stream.Match) {
		p.Messages = append(p.Messages, stream.Message{Name: role.String(), Match: match, Bus: b, ID: id, Extended: ext, SourceAddress: -1,
			Signals: []stream.Signal{{Role: role, Length: 8, Scale: 1}}})
	}
	add(stream.EngineSpeed, 0, 0x100, false, stream.MatchID)
	add(stream.TurbineSpeed, 1, 0x100, false, stream.MatchID)
	add(stream.OutputSpeed, 0, 0x100, true, stream.MatchID)
	add(stream.VehicleSpeed, -1, 0x200, false, stream.MatchID)
	add(stream.Brake, 1, 65265, true, stream.MatchPGN)
	d, err := stream.NewDecoder(p)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		f    bus.Frame
		want string
	}{
		{bus.Frame{ID: 0x100}, "engine_speed"}, {bus.Frame{ID: 0x100, Bus: 1}, "turbine_speed"}, {bus.Frame{ID: 0x100, Bus: 2}, ""},
		{bus.Frame{ID: 0x100, Flags: bus.Extended}, "output_speed"}, {bus.Frame{ID: 0x100, Kind: bus.Remote}, ""},
		{bus.Frame{ID: 0x200, Bus: 1}, "vehicle_speed"}, {bus.Frame{ID: 0x200}, "vehicle_speed"},
		{bus.Frame{ID: 0x18FEF131, Bus: 1, Flags: bus.Extended}, "brake"}, {bus.Frame{ID: 0x18FEF131, Flags: bus.Extended}, ""},
		{bus.Frame{ID: 0x18FEF031, Bus: 1, Flags: bus.Extended}, ""}, {bus.Frame{ID: 0x100, Kind: bus.Reading}, ""},
	} {
		c.f.Len = 8
		for range 2 { // the second time from memory
			s, _ := d.Decode(&c.f)
			got := ""
			if len(s) > 0 {
				got = s[0].Role.String()
			}
			if got != c.want {
				t.Errorf("%+v decodes as %q, expected %q", c.f, got, c.want)
			}
		}
	}
}

// One parameter group from every address, and more identifiers than are
// remembered: memory stays bounded and decoding right.
func TestManyIdentifiers(t *testing.T) {
	s, err := stream.New(&stream.Plan{Buses: []string{"a"}, Messages: []stream.Message{{Name: "E", Match: stream.MatchPGN, ID: 61444, SourceAddress: -1,
		Signals: []stream.Signal{{Role: stream.EngineSpeed, Length: 8, Scale: 1}}}}})
	if err != nil {
		t.Fatal(err)
	}
	g := &gather{}
	for i := range uint32(60000) {
		f := bus.Frame{At: bus.Micros(i) * 100, ID: i << 5 & 0x1fffffff, Len: 8, Flags: bus.Extended}
		s.Push(&f, g)
	}
	for i := range uint32(256) {
		f := bus.Frame{At: 6*bus.Second + bus.Micros(i)*100, ID: 0x0CF00400 | i, Len: 8, Flags: bus.Extended}
		s.Push(&f, g)
	}
	if len(g.samples) == 0 || s.Cover()[0].Address != int(g.samples[0].Raw) && s.Cover()[0].Address < 0 {
		t.Errorf("%d samples, cover %+v", len(g.samples), s.Cover()[0])
	}
}

func FuzzPush(f *testing.F) {
	f.Add([]byte{0, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12})
	plan := truckPlan(f)
	plan.Facts.Ratios = map[int]float64{1: 3, 2: 2}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := stream.New(plan)
		if err != nil {
			t.Fatal(err)
		}
		w := &order{t: t, last: math.MinInt64}
		ids := []uint32{0x0CF00203, 0x0CF00400, 0x18FEF100, 0x18F00503, 0x18FEF131}
		at := bus.Micros(0)
		for len(data) >= 12 {
			fr := bus.Frame{ID: ids[int(data[0])%len(ids)], Flags: bus.Extended, Len: data[1] % 65, Kind: bus.Kind(data[2] % 7), Early: uint32(data[10]) << 8}
			at += bus.Micros(int16(binary.LittleEndian.Uint16(data[3:]))) << (data[11] % 12)
			fr.At = at
			copy(fr.Data[:], data[4:12])
			w.backwards = s.Stats().Backwards
			w.s = s
			s.Push(&fr, w)
			data = data[12:]
		}
		s.Flush(w)
	})
}

// order checks that rows come in time order and hold numbers only.
type order struct {
	discard
	t         *testing.T
	s         *stream.Stream
	last      bus.Micros
	backwards uint64
	jumps     uint64
}

func (o *order) Row(r *stream.Row) {
	if j := o.s.Stats().Backwards; j != o.jumps {
		o.jumps, o.last = j, math.MinInt64
	}
	if r.At <= o.last {
		o.t.Fatalf("row at %d after %d", r.At, o.last)
	}
	o.last = r.At
	for i, v := range r.V {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			o.t.Fatalf("role %v is %v", stream.Role(i), v)
		}
	}
}
