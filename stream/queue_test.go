package stream

import (
	"testing"

	"joltwatch/bus"
)

// A queue of one role takes over what is its own, and says nothing of the others.
func TestAQueueAlone(t *testing.T) {
	q := newQueue(&arrival{}, EngineSpeed, TurbineSpeed)
	for i := range 3 {
		copy(q.push(bus.Micros(1000*i), 0), []float64{800, 700 + float64(i)})
		q.last().ok = 1<<EngineSpeed | 1<<TurbineSpeed
	}
	x := q.alone(1)
	if x.last().ok != 1<<TurbineSpeed || x.row(x.end - 1)[0] != 702 || x.end != q.end {
		t.Errorf("ok %b, value %v, %d points", x.last().ok, x.row(x.end-1), x.end)
	}
}
