package ratioline

import (
	"math"
	"slices"

	"joltwatch/bus"
)

// Pass is what one stop showed where a vehicle shifts down about when it lets go: whether
// the clutch held on through the shift from a line to the next lower gear's, or had let
// go by then. The faster the vehicle slows, the earlier it lets go, while it shifts at
// about the same turbine speed.
type Pass struct {
	// Ratio is that of the line that it left, Fall how fast the turbine fell, in rpm/s.
	Ratio float64 `json:"rpm_per_kmh"`
	Fall  float64 `json:"fall_rpm_s"`
	Held  bool    `json:"held,omitempty"`
	// Behind is by what share of its speed an engine that was let go stayed below the
	// lower gear's line at the nearest, 0 where that is not known.
	Behind float64 `json:"behind,omitempty"`
	// Late says that it was told as late.
	Late bool `json:"late,omitempty"`
}

// passes are the latest of them.
type passes struct {
	recent[Pass]
	held, free, behind [recentSize]float64
}

const (
	// Between the falls in which the clutch holds on through a shift and those in which
	// it lets go lies the one that parts the fewest wrongly. A clutch that holds on is
	// late from as far above it as passSpread times the lowest that let go lies below, and
	// passMargin of it at the least. passLeast must have let go above that, passOwn of
	// them from the same line, or passAgree from each of two others, and passFew times
	// as many as held on and were not told as late.
	passSpread = 1.5
	passMargin = 0.08
	passLeast  = habitLeast
	passOwn    = 2
	passAgree  = 3
	passFew    = 16
	// passNear is how near to the turbine speed of the usual shift the line is left, as
	// a share, in a stop that says whether it let go by then.
	passNear = 0.08
	// shiftLongest is the longest time from one line to the next gear's, followLeast how
	// long the engine must follow that, in followN points.
	shiftLongest = 900_000 * bus.Micros(1)
	followLeast  = 300_000 * bus.Micros(1)
	followN      = 4
	// sinksN points below its line are no noise, from sinksBefore before the last on it.
	sinksN      = 2
	sinksBefore = bus.Second / 2
)

// limit returns from which fall on, in rpm/s, a clutch that holds on through the shift
// from a line is late, and of how many passes that is said; 0 where they do not tell.
func (l *passes) limit(ratio float64) (fall float64, count int) {
	held, free, behind := l.held[:0], l.free[:0], l.behind[:0]
	for _, x := range l.all() {
		switch {
		case !x.Held:
			if free = append(free, x.Fall); x.Behind > 0 {
				behind = append(behind, x.Behind)
			}
		case !x.Late:
			held = append(held, x.Fall)
		}
	}
	if len(free) < passLeast || len(behind) < passAgree || median(behind) < behindShare {
		return 0, 0 // or an open converter keeps the engine on the line
	}
	slices.Sort(held)
	slices.Sort(free)
	at, least := 0.0, len(held)
	for i, x := range free { // as the limit lies just below this one
		over, _ := slices.BinarySearch(held, x)
		if wrong := i + len(held) - over; wrong <= least {
			at, least = x, wrong
		}
	}
	if at == 0 {
		return 0, 0
	}
	fall = at + max(float64(passMargin*at), float64(passSpread*(at-free[0])))
	i, _ := slices.BinarySearch(free, fall)
	over, _ := slices.BinarySearch(held, fall)
	if n := len(free) - i; n < passLeast || n < passFew*(len(held)-over) || !l.cover(ratio, fall) {
		return 0, 0
	}
	return fall, len(held) + len(free)
}

// cover reports whether enough of those that let go in such a fall say something of a line:
// its own, or those of others that agree.
func (l *passes) cover(ratio, fall float64) bool {
	gears := 0
	for i, x := range l.all() {
		n, first := 0, true
		for j, y := range l.all() {
			if !y.Held && y.Fall >= fall && math.Abs(y.Ratio/x.Ratio-1) < sameGear {
				first = first && j >= i
				n++
			}
		}
		if own := math.Abs(x.Ratio/ratio-1) < sameGear; own && n >= passOwn {
			return true
		}
		if first && n >= passAgree {
			gears++
		}
	}
	return gears >= agreeLeast
}

// shift looks for an engine that soon after the last point on a line follows the next lower
// gear's, and returns the last point at which it did, -1 where it did not; free reports
// whether it had fallen below the line that it was on first, or was as far below the other
// as an open converter lets it be, and behind by what share it was below at the nearest, 0
// where that is not known.
func (c *judgement) shift(p []Point, left int, upper, ratio float64) (last int, free bool, behind float64) {
	first, last := -1, -1
	var on, all fit
	rate, nearest := 0.0, 1.0
	for i := left + 1; i < len(p); i++ {
		x := &p[i]
		turbine := float64(ratio * x.Kmh)
		if x.At > c.stand || x.Pedal == PedalOn || x.At-p[i-1].At > lateSpacing || turbine <= float64(seenAbove*c.idle) {
			break
		}
		if since := x.At - p[left].At; since >= shiftSettle && since <= shiftLongest {
			all.add(turbine, x.RPM)
			rate += math.Abs(x.Rate)
			nearest = min(nearest, max(1-x.RPM/turbine, 1-p[i-1].RPM/float64(ratio*p[i-1].Kmh)))
		}
		if math.Abs(x.RPM-turbine) > c.known.tolerance(ratio, x) {
			if first >= 0 && i-last > 1 || x.At-p[left].At > shiftLongest {
				break
			}
			continue
		}
		if first < 0 {
			first = i
		}
		last = i
		on.add(turbine, x.RPM)
	}
	sinks := c.sinks(p, upper, left)
	if all.n < followN {
		return -1, sinks, 0
	}
	unsure := float64(ratio*rate/all.n*delayKnown)/all.middle() + lineKnown
	if sinks || first < 0 || on.n < followN || p[last].At-p[first].At < followLeast || on.span() < c.known.tolerance(ratio, &p[last]) || !on.follows() ||
		on.behind() > float64((behindShare-unsure)*on.middle()) {
		return -1, sinks || all.behind() > float64((behindShare+unsure)*all.middle()), nearest
	}
	return last, false, 0
}

// sinks reports whether the engine fell below its line, against what its slip had been
// on it, before a shift could have it rise.
func (c *judgement) sinks(p []Point, ratio float64, left int) bool {
	slip := func(i int) float64 { return p[i].RPM - float64(ratio*p[i].Kmh) }
	from := left
	for from > 0 && p[left].At-p[from].At < sinksBefore {
		from--
	}
	var b [partBase]float64
	n := 0
	for i := from; i >= 0 && n < partBase && p[from].At-p[i].At < gap; i-- {
		b[n] = slip(i)
		n++
	}
	base := median(b[:n])
	for i := range n {
		b[i] = math.Abs(b[i] - base)
	}
	limit := max(partLeast, float64(partStep*ratio*c.known.Step), float64(partSpread*1.4826*median(b[:n])))
	below := 0
	for i := from; i < len(p) && p[i].At-p[left].At <= shiftSettle && slip(i) <= base+limit; i++ {
		if below++; slip(i) >= base-limit {
			below = 0
		}
		if below == sinksN {
			return true
		}
	}
	return false
}

// closed reports whether a line is a closed clutch's: an open converter in overrun keeps to
// a line of its own, but not to the same under drive.
func (x *Line) closed() bool {
	return x.firm() || x.Driven >= bothStretches && x.Coasts >= bothCoasts && x.Driven >= x.Coasts
}

// below is the next lower gear's line, -1 where none is known.
func (m *Map) below(line int8) int8 {
	for i := int(line) + 1; i < m.n; i++ {
		if m.of[i].closed() {
			return int8(i)
		}
	}
	return -1
}

// passesOf works out what a stop that left its last line at a point says of shifts with the
// clutch closed as the vehicle braked, and since when it was late by that; held is the last
// point at which it was closed for certain, on a line.
func (c *judgement) passesOf(p []Point, k []mark, left int) (since bus.Micros, held int, line int8) {
	c.nPasses = 0
	from := left
	for from > 0 && p[from-1].Pedal != PedalOn {
		from--
	}
	e, near := -1, false
	for i := from; i <= left+1; i++ {
		switch {
		case i > left && e >= 0:
			ratio := c.known.of[k[e].line].Ratio
			x := c.downs.find(ratio)
			near = x != nil && math.Abs(float64(ratio*p[e].Kmh)/x.Turbine-1) <= passNear
		case i > left || !proven(k[i]) || !c.known.of[k[i].line].closed():
			continue
		default:
			near = e >= 0 && k[i].line == c.known.below(k[e].line) && p[i].At-p[e].At <= gap && p[i].Kmh < p[e].Kmh
		}
		if near {
			last, late := c.pass(p, k[e].line, e)
			if last < 0 {
				return since, held, line
			}
			if late && since == 0 {
				since = p[e].At
			}
			held, line = last, c.known.below(k[e].line)
		}
		e = i
	}
	return since, held, line
}

// heldOn fills in a stop that was late as the clutch held on through a shift.
func (c *judgement) heldOn(p []Point, s *Stop, since bus.Micros, held int, line int8) {
	off := min(held+1, len(p)-1)
	ratio := c.known.of[line].Ratio
	s.Class, s.Line, s.Seen = Late, c.known.n-int(line), false
	s.On, s.Off, s.Kmh = p[held].At, p[off].At, p[held].Kmh
	s.TurbineMin, s.TurbineMax = float64(ratio*p[off].Kmh), float64(ratio*p[held].Kmh)
	s.LateMin, s.LateMax = max(0, (s.On-since-shiftSettle).Seconds()), (s.Off - since).Seconds()
	s.Count, s.Share = c.passCount, 1
}

// pass notes what the shift after the last point on a line says, and returns until when
// the clutch held after it, -1 where it did not, and whether it is late by that.
func (c *judgement) pass(p []Point, line int8, e int) (last int, late bool) {
	lower := c.known.below(line)
	if lower < 0 || c.nPasses == len(c.passed) {
		return -1, false
	}
	ratio := c.known.of[line].Ratio
	last, free, behind := c.shift(p, e, ratio, c.known.of[lower].Ratio)
	lo, hi := c.falls(p, e, ratio)
	if last < 0 && !free || lo < slowest {
		return last, false
	}
	limit, n := c.passes.limit(ratio)
	if late = last >= 0 && n > 0 && lo > limit; late {
		c.passCount = n
	}
	c.passed[c.nPasses] = Pass{Ratio: ratio, Fall: round(hi, 0.1), Held: last >= 0, Late: late, Behind: round(max(0, behind), 0.001)}
	c.nPasses++
	return last, late
}

// falls is how fast the turbine of a line slows before a point and around it, in rpm/s, the
// less first.
func (c *judgement) falls(p []Point, i int, ratio float64) (lo, hi float64) {
	x, y := fallIn(p, i, ratio, bus.Second, 0), fallIn(p, i, ratio, bus.Second/2, bus.Second/2)
	return min(x, y), max(x, y)
}
