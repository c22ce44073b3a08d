package review_test

import (
	"math"
	"strings"
	"testing"

	"joltwatch/detect"
	"joltwatch/storage/review"
)

// By hand: of 100 s moving 50 are told held, 10 unknown, and the changes leave 2 s
// open, so that 48 to 62 may have been held.
func TestLockupBoundsHoldTheChanges(t *testing.T) {
	x := review.Total{MovingS: 100, ClosedS: 30, PartialS: 15, CoastS: 5, OpenS: 40, UnknownS: 10, EdgeS: 2}
	low, high, ok := x.LockupBounds()
	if !ok || math.Abs(low-0.48) > 1e-9 || math.Abs(high-0.62) > 1e-9 {
		t.Errorf("%g to %g, %v", low, high, ok)
	}
}

// Where fewer are recognised the later they come, it says why.
func TestRecognisedLessTheLater(t *testing.T) {
	for _, x := range []struct {
		trials detect.ReleaseTrials
		why    bool
	}{{detect.ReleaseTrials{Releases: 9, LaterHalfS: 3, Later1S: 1, Later2S: 7}, true}, {detect.ReleaseTrials{Releases: 9, LaterHalfS: 3, Later1S: 3, Later2S: 7}, false}} {
		total := review.Total{Trials: x.trials}
		if got := total.Recognised(); strings.Contains(got, "downshift") != x.why {
			t.Errorf("%+v: %s", x.trials, got)
		}
	}
}
