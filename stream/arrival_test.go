package stream_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// The signals of one message share what holds for it. Rows are the same as where
// each signal is a message of its own, also where frames are too short for some of
// them, come irregularly or fall silent.
func TestSharedArrivals(t *testing.T) {
	signal := func(r stream.Role, start uint16) stream.Signal {
		return stream.Signal{Name: r.String(), Role: r, Start: start, Length: 16, Scale: 0.25, RawMax: 0xFAFF}
	}
	signals := []stream.Signal{signal(turbine, 0), signal(stream.OutputSpeed, 16), signal(engine, 32)}
	together := &stream.Plan{Buses: []string{"b"}, Messages: []stream.Message{{Name: "all", ID: 1, Signals: signals}}}
	apart := &stream.Plan{Buses: []string{"b"}}
	for _, x := range signals {
		apart.Messages = append(apart.Messages, stream.Message{Name: x.Name, ID: 1, Signals: []stream.Signal{x}})
	}
	for _, short := range []bool{false, true} {
		r := rand.New(rand.NewPCG(3, 4))
		var frames []bus.Frame
		var at bus.Micros
		for i := range 5000 {
			at += bus.Micros(15_000 + r.IntN(10_000))
			if r.IntN(200) == 0 {
				at += bus.Micros(r.IntN(3_000_000))
			}
			f := bus.Frame{At: at, ID: 1, Len: 8}
			for j := range f.Data[:8] {
				f.Data[j] = byte(r.Uint32())
			}
			if short && i > 1000 && r.IntN(3) == 0 {
				f.Len = uint8(r.IntN(8))
			}
			frames = append(frames, f)
		}
		a, b := run(t, together, frames), run(t, apart, frames)
		if len(a.rows) < 1000 || !slices.Equal(a.rows, b.rows) {
			t.Errorf("short frames %v: %d rows together, %d apart, or others", short, len(a.rows), len(b.rows))
		}
	}
}

// Samples are a set as long as no other frame has their roles: a second controller that
// sends them ends it.
func TestSets(t *testing.T) {
	plan := &stream.Plan{Buses: []string{"b"}, Messages: []stream.Message{
		{Name: "own", ID: 0x100, Signals: []stream.Signal{{Name: "a", Role: stream.Accelerator, Length: 8, Scale: 1, RawMax: 250}}},
		{Name: "group", Match: stream.MatchPGN, ID: 61444, SourceAddress: -1, Signals: []stream.Signal{
			{Name: "rpm", Role: engine, Start: 24, Length: 16, Scale: 0.125, RawMax: 0xFAFF},
			{Name: "torque", Role: stream.EngineTorque, Start: 16, Length: 8, Scale: 1, RawMax: 250}}},
	}}
	var frames []bus.Frame
	for i, id := range []uint32{0x100, 0x0CF00400, 0x100, 0x0CF00400, 0x0CF00401, 0x0CF00400, 0x100} {
		f := bus.Frame{At: bus.Micros(10_000 * (i + 1)), ID: id, Len: 8}
		if id > 0x7FF {
			f.Flags = bus.Extended
		}
		frames = append(frames, f)
	}
	var got [][2]uint8
	for _, x := range run(t, plan, frames).samples {
		got = append(got, [2]uint8{uint8(x.Role), x.Set})
	}
	if len(got) != 9 {
		t.Fatalf("%d samples", len(got))
	}
	a, e, q := uint8(stream.Accelerator), uint8(engine), uint8(stream.EngineTorque)
	own, group := got[0][1], got[1][1]
	want := [][2]uint8{{a, own}, {e, group}, {q, group}, {a, own}, {e, group}, {q, group}}
	if own == 0 || group == 0 || own == group || !slices.Equal(got[:6], want) {
		t.Errorf("before the second controller: %v", got[:6])
	}
	for _, x := range got[6:] {
		if x[0] != a && x[1] != 0 || x[0] == a && x[1] != own {
			t.Errorf("after it: role %d of set %d", x[0], x[1])
		}
	}
}
