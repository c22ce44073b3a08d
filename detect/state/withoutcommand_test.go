package state

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// What comes apart may couple again for an instant: the mean that the slip must leave
// stays where it was until the slip is back at it.
func TestMeanStaysWhileTheSlipIsAway(t *testing.T) {
	s := New(Settings{}, &stream.Facts{})
	p := withoutCommand{hasCoupled: true, coupledTo: 10 * bus.Second, coupledRun: 5 * bus.Second, mean: -4}
	for _, x := range []struct {
		away int
		want float64
	}{{2, -4}, {0, -18}} {
		p.away = x.away
		p.coupled(s, &Moment{Row: new(stream.Row), At: p.coupledTo + judgeEvery}, &coupling.Together{Mean: -18, Spread: 3})
		if p.mean != x.want || p.spread != 3 {
			t.Errorf("%d rows away: mean %v, spread %v; want %v and 3", x.away, p.mean, p.spread, x.want)
		}
	}
}
