package find

import (
	"fmt"
	"math"
)

func (t *speedTriple) engineEvidence(step float64) []string {
	out := []string{fmt.Sprintf("stays at one ratio to the turbine for %.0f %% of the time in gear, in %d of %d gears: the clutch closed", 100*t.coupled.share, t.inGears, len(t.gears))}
	if t.facesN >= 25 {
		out = append(out, fmt.Sprintf("faster than the turbine in %.0f %% of the time apart under power", 100*t.faces))
	}
	if t.stood(step) {
		out = append(out, fmt.Sprintf("runs while the output shaft stands, with the turbine held or riding along in %.0f %% of that time", 100*t.stand))
	} else {
		out = append(out, "no standstill in this recording to confirm it")
	}
	return out
}

func (t *speedTriple) turbineEvidence() []string {
	return []string{fmt.Sprintf("%.0f %% of moving time at one of %d ratios to output speed: the gears (within %.2f %%)", 100*t.mass, len(t.gears), 100*t.width())}
}

func (t *speedTriple) outputEvidence() []string {
	return []string{fmt.Sprintf("turbine speed over this is one of %d ratios for %.0f %% of moving time (within %.2f %%)", len(t.gears), 100*t.mass, 100*t.width())}
}

// width is how closely the gears are followed: the mean deviation of the
// logarithm of the ratio.
func (t *speedTriple) width() float64 {
	var width, sum float64
	for _, g := range t.gears {
		width += g.share * g.width
		sum += g.share
	}
	if sum == 0 {
		return math.Inf(1)
	}
	return width / sum
}
