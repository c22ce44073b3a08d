package state

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// What has come of a role is the same whether its samples are counted one by one or as
// a set, through a new drive, and after the set has come apart.
func TestSetsCountAlike(t *testing.T) {
	var facts stream.Facts
	one, set := New(Settings{}, &facts), New(Settings{}, &facts)
	roles := []stream.Role{stream.EngineSpeed, stream.Accelerator, stream.EngineTorque}
	at := bus.Micros(0)
	give := func(frames int, number uint8, of ...stream.Role) {
		for i := range frames {
			at += 10_000 + bus.Micros(i*i%7)*900
			if i == 40 {
				at += 2 * bus.Second
			}
			var x []stream.Sample
			for j, r := range of {
				x = append(x, stream.Sample{At: at, Role: r, OK: (i+j)%9 != 0, Value: float64(i)})
			}
			one.Samples(x)
			for j := range x {
				x[j].Set = number
			}
			set.Samples(x)
		}
	}
	same := func(when string) {
		t.Helper()
		for _, r := range roles {
			a, b := *one.Role(r), *set.Role(r)
			if b.counted = 0; a != b {
				t.Errorf("%s, %s: one by one %+v, as a set %+v", when, r, a, b)
			}
		}
		if n := one.Role(stream.Accelerator); n.Samples == 0 || n.NotOK == 0 || n.PeriodS == 0 {
			t.Fatalf("%s: nothing was counted: %+v", when, *n)
		}
	}
	give(100, 1, roles...)
	same("at first")
	one.beginRoles()
	set.beginRoles()
	give(60, 1, roles...)
	same("in the next drive")
	give(30, 0, stream.Accelerator)
	give(30, 0, roles[0], roles[2])
	same("apart")
}
