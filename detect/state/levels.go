package state

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// levels learns at which command this vehicle's clutch lets go and holds: the
// seconds of each command while the speeds show a clutch that is certainly open,
// and one that is certainly held under load. The level between the two is where
// fewest of those seconds are on the wrong side (a decision stump, as the
// one-rules of Holte, Machine Learning 11, 1993).
type levels struct {
	set *ClutchSettings
	of  [2]levelSums // of the duty and of the pressure
}

// levelBins is how finely commands are told apart: to 1 % of duty.
const levelBins = 128

type levelSums struct {
	width      float64 // of a bin, in the role's unit
	open, held [levelBins]float64
	opened     float64 // seconds in all
	heldS      float64
	since      float64 // seconds since the levels were last worked out
	rest       int     // highest bin that an open clutch is usually told

	ref    float64 // the command is steady about this one
	steady float64 // for so many seconds

	release, apply float64
	known          bool
}

// steadyShare is how far a command may move and still be steady. Structural: a
// command on its way to release or apply does so within some tenths of a second.
const steadyShare = 0.1

// sums returns those of a role, nil where it has no levels.
func (l *levels) sums(r stream.Role) *levelSums {
	switch r {
	case stream.ClutchCommand:
		return &l.of[0]
	case stream.ClutchPressureCommand:
		return &l.of[1]
	}
	return nil
}

// row takes what the speeds say of the clutch at the command of the row, and
// reports whether the levels are others now.
func (l *levels) row(m *Moment, r stream.Role) bool {
	c := l.sums(r)
	if c == nil || !m.Row.Has(r) {
		return false
	}
	v := max(0, m.Row.V[r])
	c.settle(v, m)
	if c.steady < l.set.LevelSteadyS || m.Shifting || m.SinceShiftS < l.set.LevelSteadyS || !m.Running || !m.HasSlip || m.TolRPM > TolUsableRPM/2 {
		return false
	}
	b := c.bin(v)
	switch {
	case m.SlipRPM > l.set.OpenRPM && m.Forward():
		c.open[b] += m.DtS
		c.opened += m.DtS
	case m.held(l.set.HeldRPM) && b > c.rest+1 && c.opened >= l.set.LevelOpenS:
		c.held[b] += m.DtS
		c.heldS += m.DtS
	default:
		return false
	}
	c.since += m.DtS
	if c.since < 1 {
		return false
	}
	c.since = 0
	return c.divide(l.set)
}

// held reports slip small under load, which an open converter does not have at a
// command above that of a standstill.
func (m *Moment) held(most float64) bool {
	return m.Loaded() && math.Abs(m.SlipRPM) <= most+m.TolRPM
}

// settle follows for how long the command has been steady.
func (c *levelSums) settle(v float64, m *Moment) {
	if m.Gap || math.Abs(v-c.ref) > max(float64(2*c.width), float64(steadyShare*c.ref)) {
		c.ref, c.steady = v, 0
		return
	}
	c.steady += m.DtS
}

// bin returns that of a command; bins grow wider as commands need it.
func (c *levelSums) bin(v float64) int {
	if c.width == 0 {
		c.width = 1
	}
	for v >= float64(levelBins*c.width) && v < 1e6 {
		c.width *= 2
		c.rest /= 2
		for i := range levelBins / 2 {
			c.open[i] = c.open[2*i] + c.open[2*i+1]
			c.held[i] = c.held[2*i] + c.held[2*i+1]
		}
		clear(c.open[levelBins/2:])
		clear(c.held[levelBins/2:])
	}
	return min(int(v/c.width), levelBins-1)
}

// divide works out the levels and reports whether they are others now.
func (c *levelSums) divide(set *ClutchSettings) bool {
	c.rest = c.usual(0.9)
	if c.opened < set.LevelOpenS || c.heldS < set.LevelHeldS {
		return false
	}
	// Seconds on the wrong side of a level below bin i; the best levels make a
	// stretch from the upper edge of open to the lower edge of held.
	wrong, best := c.opened, c.opened
	from, to := 0, 0
	for i := range levelBins {
		wrong += c.held[i] - c.open[i]
		switch {
		case wrong < best-1e-6:
			best, from, to = wrong, i+1, i+1
		case wrong <= best+1e-6 && to == i:
			to = i + 1
		}
	}
	if best > float64(levelWrong*min(c.opened, c.heldS)) || to-from < levelGap {
		changed := c.known
		c.known = false
		return changed
	}
	low, gap := float64(float64(from)*c.width), float64(float64(to-from)*c.width)
	release, apply := low+float64(set.LearnedRelease*gap), low+float64(max(set.LearnedApply, set.LearnedRelease)*gap)
	if c.known && math.Abs(release-c.release) <= c.width && math.Abs(apply-c.apply) <= c.width {
		return false
	}
	c.release, c.apply, c.known = release, apply, true
	return true
}

const (
	// levelWrong is the most of the seconds that may be on the wrong side:
	// structural, more shows that the command is not what closes the clutch.
	levelWrong = 0.1
	// levelGap is the fewest bins between open and held: structural, one bin
	// of margin on either side of a level with hysteresis.
	levelGap = 4
)

// usual returns the bin up to which an open clutch is told for a share of the time.
func (c *levelSums) usual(share float64) int {
	sum := 0.0
	for i := range levelBins {
		sum += c.open[i]
		if sum >= float64(share*c.opened) {
			return i
		}
	}
	return levelBins - 1
}

// drift follows a command that comes down slowly and stays low: until the levels
// are learned it is one that is regulated, and no release before it is next to
// nothing.
type drift struct {
	since bus.Micros
	low   bool
}

// take returns the level below which the command releases.
func (d *drift) take(at bus.Micros, v, release, floor, seconds float64) float64 {
	if v > 2*release {
		d.low = false
		return release
	}
	if !d.low {
		d.low, d.since = true, at
	}
	if (at - d.since).Seconds() >= seconds {
		return max(floor, release/2)
	}
	return release
}

// LevelsMemory is what is kept of the commands from drive to drive.
type LevelsMemory struct {
	Duty     *CommandMemory `json:"duty,omitempty"`
	Pressure *CommandMemory `json:"pressure,omitempty"`
}

// CommandMemory is what is kept of one command: the highest seen, the width of a
// bin, both in the unit of its role, and the seconds in each bin in which the
// clutch was certainly open, and held.
type CommandMemory struct {
	High  float64   `json:"high"`
	Width float64   `json:"bin"`
	OpenS []float64 `json:"open_s"`
	HeldS []float64 `json:"held_s"`
}

const (
	// rememberedMost bounds the seconds that are kept of each clutch: what a
	// stay showed lately counts, not what a year did.
	rememberedMost = 3600.0
	// widthMost is the widest bin that may be: no command goes further.
	widthMost = 1e6
)

// memory is what is to be kept, to 10 ms; nil where that shows no levels.
func (c *levelSums) memory(high float64, set *ClutchSettings) *CommandMemory {
	if !c.known {
		return nil
	}
	opened, held := remembered(c.opened), remembered(c.heldS)
	m := &CommandMemory{High: high, Width: c.width}
	for i := range levelBins {
		m.OpenS = append(m.OpenS, Round(float64(opened*c.open[i]), 0.01))
		m.HeldS = append(m.HeldS, Round(float64(held*c.held[i]), 0.01))
	}
	var x levelSums
	if _, ok := x.recall(m, set); !ok || !x.known {
		return nil
	}
	return m
}

// remembered is the share of so many seconds that is kept.
func remembered(s float64) float64 {
	if s <= 1.01*rememberedMost { // what was kept before stays as it is
		return 1
	}
	return rememberedMost / s
}

// recall takes up what was kept and returns the highest command seen; ok is false
// where it is out of range, and nothing changed then.
func (c *levelSums) recall(m *CommandMemory, set *ClutchSettings) (high float64, ok bool) {
	if m == nil || !(m.Width > 0 && m.Width <= widthMost && m.High > 0 && m.High <= widthMost*levelBins) ||
		len(m.OpenS) != levelBins || len(m.HeldS) != levelBins {
		return 0, false
	}
	x := levelSums{width: m.Width}
	for i := range levelBins {
		open, held := m.OpenS[i], m.HeldS[i]
		if !(open >= 0 && held >= 0 && open <= 2*rememberedMost && held <= 2*rememberedMost) {
			return 0, false
		}
		x.open[i], x.held[i] = open, held
		x.opened += open
		x.heldS += held
	}
	x.divide(set)
	*c = x
	return m.High, true
}

// memory is what is to be kept of the commands; nil where nothing was learned.
func (c *commandTrack) memory() *LevelsMemory {
	of := func(r stream.Role) *CommandMemory { return c.learned.sums(r).memory(c.high[r], c.set) }
	m := LevelsMemory{Duty: of(stream.ClutchCommand), Pressure: of(stream.ClutchPressureCommand)}
	if m == (LevelsMemory{}) {
		return nil
	}
	return &m
}

// recall takes up what was kept of them.
func (c *commandTrack) recall(m *LevelsMemory) {
	if m == nil {
		return
	}
	take := func(r stream.Role, x *CommandMemory) {
		if high, ok := c.learned.sums(r).recall(x, c.set); ok {
			c.high[r] = high
		}
	}
	take(stream.ClutchCommand, m.Duty)
	take(stream.ClutchPressureCommand, m.Pressure)
}
