package state

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// What comes apart may couple again for an instant: mean and spread, which the slip must
// leave, stay where they were until the slip is back. In overrun a drift is no spread,
// but beside a reported state.
func TestMeanStaysWhileTheSlipIsAway(t *testing.T) {
	s := New(Settings{}, &stream.Facts{})
	driving := new(stream.Row)
	driving.V[stream.Accelerator], driving.Known = 20, 1<<stream.Accelerator
	for _, x := range []struct {
		away         int
		reported     bool
		row          *stream.Row
		mean, spread float64
	}{{2, false, new(stream.Row), -4, 1}, {0, false, new(stream.Row), -18, 2}, {0, true, new(stream.Row), -18, 3}, {0, false, driving, -18, 3}} {
		p := withoutCommand{hasCoupled: true, coupledTo: 10 * bus.Second, coupledRun: 5 * bus.Second, mean: -4, spread: 1, away: x.away, reported: x.reported}
		p.coupled(s, &Moment{Row: x.row, At: p.coupledTo + judgeEvery}, &coupling.Together{Mean: -18, Spread: 3, Residual: 2})
		if p.mean != x.mean || p.spread != x.spread || p.noise != 3 {
			t.Errorf("%d rows away, reported %v: mean %v, spread %v of %v; want %v, %v of 3", x.away, x.reported, p.mean, p.spread, p.noise, x.mean, x.spread)
		}
	}
}
