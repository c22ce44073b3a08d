package review

import (
	"fmt"
	"math"

	"joltwatch/detect/calibrate"
	"joltwatch/detect/chain"
)

// Recognised says in how many of the releases (Trials.Releases) a later one would have been
// recognised, by running the same decision on the same signals; empty where
// there was none to ask.
func (t *Total) Recognised() string {
	x := t.Trials
	if x.Releases == 0 {
		return ""
	}
	text := fmt.Sprintf("one later by 0.5 s would have been recognised in %d, by 1 s in %d, by 2 s in %d", x.LaterHalfS, x.Later1S, x.Later2S)
	if x.Later1S < x.LaterHalfS || x.Later2S < x.Later1S {
		text += " (not more the later: just then a downshift, or the end of the stop, hides it)"
	}
	return text
}

// LockupBounds is between which shares of moving time, 0…1, the clutch was in
// partial, closed or coast: the time in which its state was unknown may have
// been either, and so may what lies within the instants of its changes. ok is false where the vehicle never moved.
func (t *Total) LockupBounds() (low, high float64, ok bool) {
	if t.MovingS <= 0 {
		return 0, 0, false
	}
	on := t.ClosedS + t.PartialS + t.CoastS
	return max(0, on-t.EdgeS) / t.MovingS, min(1, (on+t.UnknownS+t.EdgeS)/t.MovingS), true
}

// LockupText is the lockup fraction for people: one share where the bounds lie
// within a point, else both.
func (t *Total) LockupText() string {
	low, high, ok := t.LockupBounds()
	switch {
	case !ok:
		return "unknown"
	case high-low < 0.01:
		return fmt.Sprintf("%.1f %%", 100*(low+high)/2)
	}
	return fmt.Sprintf("%.0f to %.0f %%", math.Floor(100*low), math.Ceil(100*high))
}

// CalibrationText says what was learned of how this vehicle's speeds come in and where
// it lets go, one statement a line.
func (s *Stay) CalibrationText() []string {
	lines := chainText(s.Calibration)
	for _, x := range []struct {
		what string
		kept *chain.Kept
	}{{"the command falls", s.Habits.Command}, {"the speeds part", s.Habits.Speeds}} {
		if x.kept != nil {
			lines = append(lines, habitText(x.what, x.kept))
		}
	}
	return lines
}

// wideS is how far a habit goes to each side that says little of one release, in s.
const wideS = 1.0

func habitText(what string, k *chain.Kept) string {
	text := fmt.Sprintf("%s within ±%.1f s of this vehicle's habit, by %s", what, k.WithinS, Plural(k.Releases, "release"))
	if k.Late > 0 {
		text += fmt.Sprintf(", of which %d are set aside as late", k.Late)
	}
	if k.WithinS >= wideS {
		text += ": a wide habit, by which what is late by less is not told"
	}
	return text
}

func chainText(c *calibrate.Summary) (lines []string) {
	if c == nil {
		return nil
	}
	switch {
	case !c.Aligned:
		lines = append(lines, "delay of engine against turbine speed: not known yet, so that intervals are wider")
	case c.DelayMs < 0:
		lines = append(lines, fmt.Sprintf("turbine speed comes %.0f ms after engine speed, ±%.0f ms, from %s", -c.DelayMs, c.UnsureMs, Plural(c.Windows, "window")))
	default:
		lines = append(lines, fmt.Sprintf("engine speed comes %.0f ms after turbine speed, behind a filter of %.0f ms, ±%.0f ms, from %s", c.DelayMs, c.FilterMs, c.UnsureMs, Plural(c.Windows, "window")))
	}
	if c.ClosedS > 0 {
		lines = append(lines, fmt.Sprintf("closed slip wanders by %.1f rpm (standard deviation over %.0f s)", c.RippleRPM, c.ClosedS))
	}
	if c.EngineStepRPM > 0 {
		step := fmt.Sprintf("engine speed in steps of %g rpm", c.EngineStepRPM)
		if c.TurbineStepRPM > 0 {
			step += fmt.Sprintf(", turbine speed of %g rpm", c.TurbineStepRPM)
		}
		lines = append(lines, step)
	}
	return lines
}
