package chain

import (
	"math"
	"testing"
)

// A gear may be told before the turbine is in it: a release in third that was told as
// second is held against those in third, and one of which a shift hides the gear
// against all.
func TestGearToldEarly(t *testing.T) {
	of := func(gear int, kmh, kmhPerS, rpm, rpmPerS float64) *Release {
		nan := math.NaN()
		return &Release{Gear: gear, Celsius: 70, Kmh: kmh, KmhPerS: kmhPerS, TurbineRPM: rpm, RPMPerS: rpmPerS, BrakeS: nan,
			PartedLowKPa: nan, PartedHighKPa: nan, DeadS: nan, LagS: nan}
	}
	m := &Memory{}
	for i := range 16 {
		rate := 3 + 0.1*float64(i)
		switch i % 4 {
		case 0: // second: 111 rpm for 1 km/h
			m.Learn(of(2, 10.4, rate, 1150+rate, 111*rate))
		case 1, 2: // third: 74
			m.Learn(of(3, 13, rate, 960+rate, 74*rate))
		case 3: // fourth, told as third: 59
			m.Learn(of(3, 16.9, rate, 960+rate, 59*rate))
		}
	}
	for _, x := range []struct {
		name string
		of   *Release
		late bool
	}{
		{"third, told as second", of(2, 13, 4.2, 965, 310), false},
		{"second, as low as others in third", of(2, 8.7, 4.2, 965, 466), true},
		{"hidden by a shift", of(3, 12, 5.4, math.NaN(), math.NaN()), false},
	} {
		d, ok := m.Decide(x.of)
		if late := ok && d.LowS > 0.3; late != x.late {
			t.Errorf("%s: late by %.2f s at the least (%v), want late %v; %+v", x.name, d.LowS, ok, x.late, d)
		}
	}
}
