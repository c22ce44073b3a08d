package j1939

import (
	"testing"

	"joltwatch/stream"
)

// Every parameter lies within its eight bytes, overlaps no other of its group,
// and leaves out the indicators of J1939-71 table 1.
func TestGroupsAreConsistent(t *testing.T) {
	spns := map[int]bool{}
	for _, g := range Groups() {
		var used [64]bool
		names := map[string]bool{}
		for _, p := range g.Parameters {
			if spns[p.SPN] || names[p.Name] {
				t.Errorf("%s.%s: number or name used twice", g.Name, p.Name)
			}
			spns[p.SPN], names[p.Name] = true, true
			for i := p.Start; i < p.Start+uint16(p.Length); i++ {
				if i > 63 || used[i] {
					t.Fatalf("%s.%s: bit %d is outside or taken", g.Name, p.Name, i)
				}
				used[i] = true
			}
			all := float64(uint64(1)<<p.Length - 1)
			if p.RawMax >= all || p.Length == 8 && p.RawMax > 251 || p.Length == 16 && p.RawMax > 0xFAFF {
				t.Errorf("%s.%s: raw values up to %v of %v leave no room for not available", g.Name, p.Name, p.RawMax, all)
			}
			if p.HasRole && p.Role.Unit() != p.Unit && !p.PercentOfReference && len(p.States) == 0 {
				t.Errorf("%s.%s: unit %q, the role's is %q", g.Name, p.Name, p.Unit, p.Role.Unit())
			}
		}
	}
}

// Data ranges of J1939-71, from memory of the public parameter definitions: the
// highest valid raw value gives the top of the stated range.
func TestRangesOfTheStandard(t *testing.T) {
	for _, c := range []struct {
		name     string
		spn      int
		low, top float64
	}{
		{"EEC1.EngineSpeed", 190, 0, 8031.875},
		{"EEC1.ActualEngineTorque", 513, -125, 125},
		{"EEC2.AcceleratorPosition", 91, 0, 100},
		{"ETC1.OutputShaftSpeed", 191, 0, 8031.875},
		{"ETC1.InputShaftSpeed", 161, 0, 8031.875},
		{"ETC2.ActualGearRatio", 526, 0, 64.255},
		{"CCVS1.WheelBasedSpeed", 84, 0, 250.996},
		{"TRF1.ClutchPressure", 123, 0, 4000},
		{"TRF1.OilTemperature", 177, -273, 1734.969},
		{"VDC2.LongitudinalAcceleration", 1810, -12.5, 12.5},
		{"VEP1.BatteryPotential", 168, 0, 3212.75},
	} {
		_, p, ok := Find(c.name)
		if !ok || p.SPN != c.spn {
			t.Errorf("%s is %+v", c.name, p)
			continue
		}
		if low, top := p.Offset, p.Scale*p.RawMax+p.Offset; low != c.low || top < c.top-0.001 || top > c.top+0.001 {
			t.Errorf("%s goes from %v to %v, expected %v to %v", c.name, low, top, c.low, c.top)
		}
	}
}

func TestGears(t *testing.T) {
	_, p, _ := Find("ETC2.CurrentGear")
	for raw, want := range map[int64]float64{124: stream.GearReverse, 123: stream.GearReverse, 125: stream.GearNeutral, 126: 1, 131: 6, 251: stream.GearPark} {
		if got, ok := p.States[raw]; !ok || got != want {
			t.Errorf("raw %d is gear %v (%v), expected %v", raw, got, ok, want)
		}
	}
	for _, raw := range []int64{254, 255, 252} {
		if _, ok := p.States[raw]; ok {
			t.Errorf("raw %d is no gear", raw)
		}
	}
}

func TestFind(t *testing.T) {
	for _, name := range []string{"CCVS.WheelBasedSpeed", "CCVS1.SPN84", "ETC1.spn573"} {
		if _, _, ok := Find(name); !ok {
			t.Errorf("%s not found", name)
		}
	}
	for _, name := range []string{"CCVS1", "CCVS1.", "X.SPN84", "ETC1.SPN84"} {
		if _, _, ok := Find(name); ok {
			t.Errorf("%s found", name)
		}
	}
}

func TestMaxRaw(t *testing.T) {
	for length, want := range map[int]float64{1: 1, 2: 1, 4: 13, 8: 0xFA, 16: 0xFAFF, 24: 0xFAFFFF, 32: 0xFAFFFFFF, 12: 4095} {
		if got := MaxRaw(length); got != want {
			t.Errorf("%d bits: %v, expected %v", length, got, want)
		}
	}
}
