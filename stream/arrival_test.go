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
