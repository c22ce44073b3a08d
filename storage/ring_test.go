package storage

import (
	"slices"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
)

// A ring gives back what a plain list of the same frames would, whatever their
// sizes and however time runs.
func TestRing(t *testing.T) {
	r := lot.Draw(t, 1, 1)
	ring := newRing(64 << 10)
	var all []bus.Frame
	var now bus.Micros
	for i := range 30000 {
		now += bus.Micros(r.IntN(2000) - 400)
		if i%7000 == 6999 {
			now -= 20 * bus.Second // the clock was set
		}
		f := bus.Frame{At: now, ID: r.Uint32() >> 3, Kind: bus.Kind(r.IntN(4)), Bus: uint8(r.IntN(3)), Len: uint8(r.IntN(9))}
		if i%50 == 0 {
			f.Len, f.Early = uint8(r.IntN(65)), uint32(i)
		}
		for j := range carried(f.Kind, f.Len) {
			f.Data[j] = byte(r.Uint32())
		}
		ring.push(&f)
		all = append(all, f)
		if i%97 != 0 {
			continue
		}
		kept := all[ring.first:]
		since := now - bus.Micros(r.IntN(3_000_000))
		want := uint64(len(all))
		if n := slices.IndexFunc(kept, func(f bus.Frame) bool { return f.At >= since }); n >= 0 {
			want = ring.first + uint64(n)
		}
		if got := ring.since(since).ordinal; got != want {
			t.Fatalf("frame %d: since %d is ordinal %d, want %d", i, since, got, want)
		}
		from := ring.first + uint64(r.IntN(len(kept)))
		to := min(from+uint64(r.IntN(1000)), ring.end)
		if got := ring.frames(nil, from, to); !slices.Equal(got, all[from:to]) {
			t.Fatalf("frame %d: the frames from %d to %d are others", i, from, to)
		}
	}
	if ring.first == 0 {
		t.Error("the ring never dropped a frame")
	}
}
