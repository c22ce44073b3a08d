package proof

import (
	"testing"

	"joltwatch/stream"
)

func TestSpread(t *testing.T) {
	var s spread
	for i := range 100 {
		s.add(3.5 + 0.001*float64(i%5))
	}
	for range 20 {
		s.add(9)
	}
	v, share := s.densest(0.01)
	if abs(v-3.502) > 0.002 || abs(share-100.0/120) > 1e-9 {
		t.Errorf("densest %v, %v", v, share)
	}
	if q := s.quantile(0.5); abs(q-3.5) > 0.01 {
		t.Errorf("median %v", q)
	}
	if n := s.near(9, 0.01); abs(n-20.0/120) > 1e-9 {
		t.Errorf("near 9: %v", n)
	}
}

// The factors of common mistakes are named, whichever way round.
func TestScaleHint(t *testing.T) {
	for factor, want := range map[float64]string{2: "its scale is off by 2", 0.25: "its scale is off by 4", 0.6214: "miles and kilometres are mixed up: give its unit",
		3.6: "m/s and km/h are mixed up: give its unit", 1.27: "check its place and scale", 0: "check its place and scale"} {
		if got := scaleHint(factor); got != want {
			t.Errorf("%v: %q, want %q", factor, got, want)
		}
	}
}

// Positions as in definition files: a little-endian field runs up from its
// lowest bit, a big-endian one down from its highest, byte by byte.
func TestSameSignal(t *testing.T) {
	signal := func(r stream.Role, start uint16, length uint8, big bool) stream.Signal {
		return stream.Signal{Role: r, Start: start, Length: length, BigEndian: big}
	}
	for _, c := range []struct {
		name string
		a, b stream.Signal
		same bool
	}{
		{"neighbours", signal(stream.EngineSpeed, 0, 16, false), signal(stream.TurbineSpeed, 16, 16, false), false},
		{"one signal", signal(stream.EngineSpeed, 0, 16, false), signal(stream.TurbineSpeed, 0, 16, false), true},
		{"a bit too far down", signal(stream.EngineSpeed, 0, 16, false), signal(stream.TurbineSpeed, 15, 16, false), true},
		{"big-endian neighbours", signal(stream.EngineSpeed, 7, 16, true), signal(stream.TurbineSpeed, 23, 16, true), false},
		{"big-endian over little-endian", signal(stream.EngineSpeed, 7, 16, true), signal(stream.TurbineSpeed, 8, 8, false), true},
		{"gear and shifting share a field", signal(stream.Gear, 0, 4, false), signal(stream.Shifting, 0, 4, false), false},
	} {
		plan := &stream.Plan{Messages: []stream.Message{{Name: "M", Signals: []stream.Signal{c.a, c.b}}}}
		if got := len(sameSignal(plan)) > 0; got != c.same {
			t.Errorf("%s: same is %v", c.name, got)
		}
	}
}
