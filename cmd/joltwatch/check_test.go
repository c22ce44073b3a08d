package main

import (
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// ISO 11898-1 (from memory): a base frame with eight data bytes is 108 bits
// long and 3 bits of space follow; an extended one has 20 bits more.
func TestFrameBits(t *testing.T) {
	for _, c := range []struct {
		f    bus.Frame
		want uint64
	}{
		{bus.Frame{Len: 8}, 111},
		{bus.Frame{Len: 8, Flags: bus.Extended}, 131},
		{bus.Frame{Len: 0}, 47},
		{bus.Frame{Kind: bus.Remote, Len: 8}, 47},
	} {
		if got := frameBits(&c.f); got != c.want {
			t.Errorf("%+v: %d bits, want %d", c.f, got, c.want)
		}
	}
}

func TestSpreadMedian(t *testing.T) {
	var s spread
	for i := range 100 {
		s.add(3.5 + 0.001*float64(i%5))
	}
	for range 20 {
		s.add(9)
	}
	v, near := s.median()
	if math.Abs(v-3.5) > 0.04 || math.Abs(near-100.0/120) > 1e-9 {
		t.Errorf("median %v, near %v", v, near)
	}
}

func TestAbilities(t *testing.T) {
	cover := func(r stream.Role, period bus.Micros) stream.RoleCover {
		return stream.RoleCover{Role: r, Samples: 100, Period: period}
	}
	find := func(as []ability, kind string) ability {
		for _, a := range as {
			if a.Kind == kind {
				return a
			}
		}
		t.Fatalf("no %s", kind)
		return ability{}
	}
	set := detect.DefaultSettings()
	all := abilities([]stream.RoleCover{
		cover(stream.EngineSpeed, 20_000), cover(stream.TurbineSpeed, 10_000),
		cover(stream.VehicleSpeed, 100_000), cover(stream.ClutchPressureCommand, 20_000),
	}, &stream.Plan{}, set)
	if a := find(all, detect.KindReleaseLag); !a.Can || a.FinenessS != 0.04 {
		t.Errorf("release lag: %+v, want to 0.04 s", a)
	}
	if a := find(all, detect.KindGearsetSlip); a.Can {
		t.Errorf("gearset slip without gear and output speed: %+v", a)
	}
	slow := abilities([]stream.RoleCover{
		cover(stream.EngineSpeed, 100_000), cover(stream.TurbineSpeed, 100_000), cover(stream.VehicleSpeed, 100_000),
	}, &stream.Plan{}, set)
	if a := find(slow, detect.KindShudder); a.Can {
		t.Errorf("shudder at 10 Hz: %+v, want not observable", a)
	}
	if a := find(slow, detect.KindReleaseLag); !a.Can || a.FinenessS != 0.1 {
		t.Errorf("release lag without a command: %+v, want upper bounds", a)
	}
	if a := find(abilities([]stream.RoleCover{cover(stream.EngineSpeed, 20_000)}, &stream.Plan{}, set), detect.KindReleaseLag); a.Can {
		t.Errorf("release lag without turbine: %+v", a)
	}
}
