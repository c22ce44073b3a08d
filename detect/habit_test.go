package detect

import (
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
)

// A turbine that a shift up has put below a speed has been there since the shift's
// end; one that came down there by itself, through a shift too, since it did.
func TestBelowSinceAShiftUp(t *testing.T) {
	for _, x := range []struct {
		name  string
		rpm   func(s float64) float64
		shift float64
		want  float64
	}{
		{"shift up", func(s float64) float64 {
			if s < 9.6 {
				return 1540 - 100*(s-9.6)
			}
			return 960 - 100*(s-9.6)
		}, 9.3, 0.4},
		{"shift that changes nothing", func(s float64) float64 { return 1000 - 100*(s-8) }, 9.3, 2},
		{"always", func(float64) float64 { return 900 }, 0, math.Inf(1)},
	} {
		tr := &coupling.Trail{}
		for s := 5.0; s <= 10; s += 0.02 {
			at := bus.Micros(s * 1e6)
			tr.Add(&coupling.Point{At: at, Early: at, Late: at, Engine: x.rpm(s), Turbine: x.rpm(s), Shifting: s >= x.shift && s < x.shift+0.3})
		}
		if got := belowS(tr, 10*bus.Second, 1000); math.Abs(got-x.want) > 0.05 && got != x.want {
			t.Errorf("%s: %g s, want %g", x.name, got, x.want)
		}
	}
}
