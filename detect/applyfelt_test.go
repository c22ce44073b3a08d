package detect

import (
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// TestJerk: by hand, 1 m/s² more in each tenth of a second is 10 m/s³; a single
// wild sample between two instants counts for nothing.
func TestJerk(t *testing.T) {
	for _, x := range []struct {
		name string
		a    func(ms int) float64
		want float64
	}{
		{"steady", func(int) float64 { return 1.2 }, 0},
		{"ramp", func(ms int) float64 { return float64(ms) / 100 }, 10},
		{"one wild sample", func(ms int) float64 {
			if ms == 220 {
				return 9
			}
			return 0
		}, 0},
	} {
		var j jerkTrack
		for ms := 0; ms <= 600; ms += 20 {
			r := &stream.Row{At: bus.Micros(1_000_000 + 1000*ms), Known: 1 << stream.Acceleration}
			r.V[stream.Acceleration] = x.a(ms)
			j.row(&state.Moment{Row: r, At: r.At})
		}
		if math.Abs(j.top-x.want) > 1e-9 {
			t.Errorf("%s: %g m/s³, want %g", x.name, j.top, x.want)
		}
	}
}
