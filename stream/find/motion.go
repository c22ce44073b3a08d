package find

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// What roles that are no speed are told by: how the vehicle moves, and how often a
// field is what the role would be while it does.

// tries is how often something was so, of the times that it could be.
type tries struct{ n, so int }

func (t *tries) add(so bool) {
	t.n++
	if so {
		t.so++
	}
}

func (t tries) share() float64 { return float64(t.so) / float64(t.n) }

func (t tries) percent() float64 { return 100 * float64(t.so) / float64(t.n) }

// motion is the acceleration of the output shaft (or the road speed) relative
// to its top, by half-second differences, NaN where unknown, and the speed.
func (a *analysis) motion() (rate, speed []float64, ok bool) {
	var s *series
	if p := a.result.Best(stream.OutputSpeed); p != nil {
		s = p.s
	} else if p := a.result.Best(stream.VehicleSpeed); p != nil {
		s = p.s
	} else {
		return nil, nil, false
	}
	k := max(1, int(0.25/a.step))
	rate = make([]float64, len(s.grid))
	speed = make([]float64, len(s.grid))
	for i := range rate {
		rate[i] = math.NaN()
		speed[i] = s.grid[i] / s.top
		if i >= k && i+k < len(rate) && a.grid.at[i+k]-a.grid.at[i-k] < 2*bus.Micros(k)*a.grid.step+10_000 {
			rate[i] = (s.grid[i+k] - s.grid[i-k]) / s.top / (2 * float64(k) * a.step)
		}
	}
	return rate, speed, true
}
