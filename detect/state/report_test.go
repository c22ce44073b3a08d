package state

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
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
			r := &Report{}
			for i := range bus.Micros(10) {
				if r.Leads() && i < reportCount {
					t.Fatalf("leads after %d releases", i)
				}
				at := i * 30 * bus.Second
				r.fall, r.hasFall = Edge{Early: at - 10_000, Late: at + 10_000}, true
				at += x.after
				r.parted, r.hasParted = coupling.Onset{At: at, Early: at - x.wide, Late: at + x.wide}, true
				r.pair()
			}
			if r.Leads() != x.leads {
				t.Errorf("%+v: leads %v, expected %v", r.mem, r.Leads(), x.leads)
			}
		})
	}
}

// One release in which the state came first does not make up for those in which
// it came last.
func TestReportedStateThatMostlyFollows(t *testing.T) {
	for _, x := range []struct {
		m     ReportMemory
		leads bool
	}{{ReportMemory{Before: 3, After: 1}, false}, {ReportMemory{Before: 4, After: 1}, true}, {ReportMemory{Before: 2}, false}} {
		if got := (&Report{mem: x.m}).Leads(); got != x.leads {
			t.Errorf("%+v: leads %v, expected %v", x.m, got, x.leads)
		}
	}
}

// Where the state does not lead, a release that the speeds show a second after it said
// open may have come then, and is late by that much less.
func TestReleaseMayComeWithTheState(t *testing.T) {
	s := New(Settings{}, &stream.Facts{})
	for _, x := range []struct{ open, early bus.Micros }{{20_300_000, 20_300_000}, {0, 20_900_000}, {20_950_000, 20_900_000}} {
		s.release = releaseTrack{}
		r := &Report{open: x.open}
		r.speeds.has = true
		r.speeds.result = Separation{Seen: coupling.Seen{Onset: coupling.Onset{At: 21_000_000, Early: 20_900_000, Late: 21_100_000}}}
		if r.choose(s); !s.release.has || s.release.result.Seen.Early != x.early {
			t.Errorf("open at %d: told %v, from %d on; want from %d on", x.open, s.release.has, s.release.result.Seen.Early, x.early)
		}
	}
}
