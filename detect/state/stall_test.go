package state

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Of many stalls the latest are known, each within some seconds and no further.
func TestLatestStallsAreKnown(t *testing.T) {
	s := New(Settings{}, &stream.Facts{})
	at := func(i int) bus.Micros { return bus.Micros(i) * 60 * bus.Second }
	const told = 41
	for i := 1; i <= told; i++ {
		if s.StalledNear(at(i)) {
			t.Fatalf("stall %d is known before it was told", i)
		}
		s.TellStall(at(i))
	}
	for i := 1; i <= told; i++ {
		if known := s.StalledNear(at(i) + 5*bus.Second); known != (i > told-len(s.stalls)) {
			t.Errorf("stall %d of %d: known %v", i, told, known)
		}
	}
	if s.StalledNear(at(told) + 30*bus.Second) {
		t.Error("half a minute after the last one another is taken for it")
	}
}
