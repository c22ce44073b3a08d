package review

import (
	"math"
	"testing"

	"joltwatch/bus"
)

// Conversions of NIST Special Publication 811 (2008), appendix B.8, and the
// fixed points of the Fahrenheit scale.
func TestUnits(t *testing.T) {
	for _, x := range []struct {
		v    float64
		unit string
		want float64
		name string
	}{
		{1.609344, "km/h", 1, "mph"}, {6.894757, "kPa", 1, "psi"}, {1.355818, "N·m", 1, "lbf·ft"},
		{0, "°C", 32, "°F"}, {100, "°C", 212, "°F"}, {700, "rpm", 700, "rpm"},
	} {
		if v, unit := US.In(x.v, x.unit); math.Abs(v-x.want) > 1e-9 || unit != x.name {
			t.Errorf("%v %s is %v %s, want %v %s", x.v, x.unit, v, unit, x.want, x.name)
		}
		if v, unit := Metric.In(x.v, x.unit); v != x.v || unit != x.unit {
			t.Errorf("metric %v %s became %v %s", x.v, x.unit, v, unit)
		}
	}
}

// The zone database: summer time in central Europe began on 29 March 2026 at
// 01:00 UTC (EU directive 2000/84/EC: the last Sunday of March).
func TestTimes(t *testing.T) {
	times, err := NewTimes("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	c := bus.Clock{Known: true, Zero: 1774745999 * bus.Second} // 2026-03-29 00:59:59 UTC
	if got := times.When(c, 0); got != "2026-03-29 01:59:59" {
		t.Error(got)
	}
	if got := times.When(c, bus.Second); got != "2026-03-29 03:00:00" {
		t.Error(got)
	}
	if got := times.Name(c, bus.Second); got != "CEST, UTC+02:00" {
		t.Error(got)
	}
	if _, err := NewTimes("Nowhere/Atlantis"); err == nil {
		t.Error("a zone that is not there was taken")
	}
	if got := times.When(bus.Clock{}, 1500*bus.Second/1000); got != "1.5 s" {
		t.Error(got)
	}
}

// How people count: two digits, and tenths where it is often.
func TestFrequency(t *testing.T) {
	for p, want := range map[float64]string{0.0036: "1 in 280", 0.05: "1 in 20", 0.58: "6 in 10", 0.99: "nearly every time", 0: "never"} {
		if got := Frequency(p); got != want {
			t.Errorf("%v is %q, want %q", p, got, want)
		}
	}
}
