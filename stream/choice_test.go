package stream_test

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// speedSources is a plan with road speed from three identifiers, in order of
// preference, and engine speed for the rows.
func speedSources() *stream.Plan {
	p := readings(engine)
	for i, name := range []string{"first", "second", "third"} {
		p.Messages = append(p.Messages, stream.Message{Name: name, ID: uint32(0x100 + i), Signals: []stream.Signal{
			{Name: "v", Role: stream.VehicleSpeed, Source: uint8(i), Length: 16, Scale: 0.01, RawMax: 0xFAFF}}})
		p.Sources["vehicle_speed"] = append(p.Sources["vehicle_speed"], name)
	}
	return p
}

func speed(ms float64, source int, raw uint16) bus.Frame {
	f := bus.Frame{At: bus.Micros(ms * 1000), ID: uint32(0x100 + source), Len: 2}
	f.Data[0], f.Data[1] = byte(raw), byte(raw>>8)
	return f
}

// usedAt is the source of the last sample at or before ms.
func usedAt(g *gather, ms float64) int {
	used := -1
	for _, s := range g.samples {
		if s.Role == stream.VehicleSpeed && s.At <= bus.Micros(ms*1000) {
			used = int(s.Source)
		}
	}
	return used
}

func TestThePreferredFreshSourceIsUsed(t *testing.T) {
	var first, second, third []bus.Frame
	for ms := 0.0; ms < 5000; ms += 20 {
		raw := uint16(1000)
		if ms >= 1000 && ms < 1500 {
			raw = 0xFFFF // not available
		}
		if ms < 2000 || ms >= 4000 {
			first = append(first, speed(ms+3, 0, raw)) // silent for 2 s
		}
		second = append(second, speed(ms+5, 1, 1100))
		third = append(third, speed(ms+7, 2, 1200))
	}
	s, err := stream.New(speedSources())
	if err != nil {
		t.Fatal(err)
	}
	g := &gather{}
	for _, f := range merge(first, second, third) {
		s.Push(&f, g)
	}
	s.Flush(g)
	for _, c := range []struct {
		ms   float64
		want int
	}{{2, -1}, {900, 0}, {1003, 0}, {1030, 1}, {1490, 1}, {1510, 0}, {1990, 0}, {2030, 0}, {2100, 1}, {3990, 1}, {4010, 0}} {
		if got := usedAt(g, c.ms); got != c.want {
			t.Errorf("at %v ms source %d is used, expected %d", c.ms, got, c.want)
		}
	}
	for _, x := range g.samples {
		if !x.OK {
			t.Errorf("a value that is not available was taken at %d though another source had one", x.At)
		}
	}
	c := s.Cover()[1]
	if c.Switches != 4 || c.Source != 0 {
		t.Errorf("cover %+v, expected 4 switches and the first source in the end", c)
	}
}

func TestNoOtherSourceLeavesTheRoleUnknown(t *testing.T) {
	var frames []bus.Frame
	for ms := 0.0; ms < 1000; ms += 20 {
		frames = append(frames, reading(ms, engine, 1000), speed(ms+3, 1, 0xFFFF))
	}
	g := run(t, speedSources(), frames)
	for i := range g.rows {
		if g.rows[i].Has(stream.VehicleSpeed) {
			t.Fatal("a value that is not available became a number")
		}
	}
	if usedAt(g, 1000) != 1 {
		t.Error("the only source is not used")
	}
}

// Of two senders of one parameter group without a stated address, the one that
// has a value is used, and the other does not disturb it.
func TestTwoSendersOfOneGroup(t *testing.T) {
	p := readings(engine)
	p.Messages = append(p.Messages, stream.Message{Name: "CCVS1", Match: stream.MatchPGN, ID: 65265, SourceAddress: -1, Signals: []stream.Signal{
		{Name: "v", Role: stream.VehicleSpeed, Start: 8, Length: 16, Scale: 1.0 / 256, RawMax: 0xFAFF}}})
	var frames []bus.Frame
	for ms := 0.0; ms < 1000; ms += 20 {
		for i, id := range []uint32{0x18FEF131, 0x18FEF100} {
			f := bus.Frame{At: bus.Micros((ms + float64(i)) * 1000), ID: id, Flags: bus.Extended, Len: 8}
			f.Data[1], f.Data[2] = 0xFF, 0xFF
			if id == 0x18FEF100 {
				f.Data[2] = 50
			}
			frames = append(frames, f)
		}
	}
	s, err := stream.New(p)
	if err != nil {
		t.Fatal(err)
	}
	g := &gather{}
	for i := range frames {
		s.Push(&frames[i], g)
	}
	if c := s.Cover()[1]; c.Address != 0 || c.Switches != 1 || c.NotOK != 1 {
		t.Errorf("cover %+v, expected address 0 after one change", c)
	}
}
