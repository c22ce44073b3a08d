package detect

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
)

// A reported state is taken for a command only where it has come before the
// plates let go, and never while it follows them.
func TestReportedStateMustComeFirst(t *testing.T) {
	for _, x := range []struct {
		name        string
		after, wide bus.Micros
		leads       bool
	}{
		{"200 ms before", 200_000, 20_000, true},
		{"200 ms after", -200_000, 20_000, false},
		{"before, but not beyond what the samples tell", 60_000, 80_000, false},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := &report{}
			for i := range bus.Micros(10) {
				if r.mem.leads() && i < reportCount {
					t.Fatalf("leads after %d releases", i)
				}
				at := i * 30 * bus.Second
				r.fall, r.hasFall = edge{early: at - 10_000, late: at + 10_000}, true
				at += x.after
				r.parted, r.hasParted = coupling.Onset{At: at, Early: at - x.wide, Late: at + x.wide}, true
				r.pair()
			}
			if r.mem.leads() != x.leads {
				t.Errorf("%+v: leads %v, expected %v", r.mem, r.mem.leads(), x.leads)
			}
		})
	}
}

// One release in which the state came first does not make up for those in which
// it came last.
func TestReportedStateThatMostlyFollows(t *testing.T) {
	for _, x := range []struct {
		m     reportMemory
		leads bool
	}{{reportMemory{Before: 3, After: 1}, false}, {reportMemory{Before: 4, After: 1}, true}, {reportMemory{Before: 2}, false}} {
		if got := x.m.leads(); got != x.leads {
			t.Errorf("%+v: leads %v, expected %v", x.m, got, x.leads)
		}
	}
}
