package ratioline

import "joltwatch/bus"

// lows are how low the engine went around each of the latest stops, as shares of the
// speed at which it idled in that stop.
type lows struct {
	recent[float64]
	list [recentSize]float64
}

const (
	// lowsLeast stops must be remembered for the usual to be known.
	lowsLeast = 12
	// An engine is drawn down that goes lower than usual by lowsSpread times the usual
	// deviation and by lowsBelow of its idle speed at the least. Both are medians: a
	// faulty vehicle draws its engine down in many stops, but in less than half of them.
	lowsSpread = 6.0
	lowsBelow  = 0.08
	// lowBefore and lowAfter are how long before and after the standstill is looked at.
	lowBefore = 8 * bus.Second
	lowAfter  = bus.Second / 2
	// deadShare of the speed from which it runs by itself is that of an engine that stands;
	// ranDown is the longest that it takes from idle to there, in a vehicle that rolls on
	// (common practice, no source).
	deadShare = 0.6
	ranDown   = 1200 * bus.Second / 1000
	// An engine that dies was held by the clutch if it kept one ratio to the road's speed,
	// to within heldWithin of idle, from heldFrom times idle at the most, and from above
	// idle at the least, to heldTo times; what is below heldLow is not looked at.
	heldWithin = 0.1
	heldFrom   = 1.2
	heldTo     = 0.7
	heldLow    = 0.5
)

// limit returns below which share of idle this vehicle's engine is drawn down, 0 where
// too few stops say so.
func (l *lows) limit() float64 {
	all := l.all()
	n := len(all)
	if n < lowsLeast {
		return 0
	}
	copy(l.list[:], all)
	middle := median(l.list[:n])
	for i, x := range all {
		l.list[i] = max(middle-x, x-middle)
	}
	return middle - max(lowsBelow, float64(lowsSpread*1.4826*median(l.list[:n])))
}

// dies returns the first point of a stop at which the engine stands, or len(p).
func (c *judgement) dies(p []Point) int {
	i := 0
	for i < len(p) && (p[i].At < c.stand-lowBefore || p[i].RPM >= float64(deadShare*c.running)) {
		i++
	}
	return i
}

// dip is the lowest that a running engine went around a stop, -1 where that is not known:
// at the later of two points next to each other, as a share of the speed at which it
// idled after it.
func (c *judgement) dip(p []Point) (at int, share float64) {
	n := len(p)
	if died := c.dies(p); died < n {
		for n = died; n > 0 && p[died].At-p[n-1].At < ranDown; {
			n--
		}
	}
	if !c.idleKnown || n < 3 {
		return -1, 0
	}
	last := [...]float64{p[n-1].RPM, p[n-2].RPM, p[n-3].RPM}
	at = -1
	low := 0.0
	for i := n - 1; i > 0 && p[i-1].At > c.stand-lowBefore && p[i-1].RPM >= float64(deadShare*c.running) &&
		(p[i-1].Pedal != PedalOn || p[i-1].At > c.stand); i-- {
		if rpm := max(p[i-1].RPM, p[i].RPM); p[i].At <= c.stand+lowAfter && (at < 0 || rpm < low) {
			at, low = i, rpm
		}
	}
	return at, low / min(c.idle, median(last[:]))
}

// steepest is the most rpm per km/h that a gear can have, 0 where no line is known.
func (c *judgement) steepest() float64 {
	if c.known.n == 0 {
		return 0
	}
	return hiddenStep * c.known.of[c.known.n-1].Ratio
}

// drawn tells a stop in which the engine went well below what it does in the others: the
// line that it was on need not be known.
func (c *judgement) drawn(p []Point, s *Stop) bool {
	at, share := c.dip(p)
	if at < 0 || share >= min(c.low, 1-c.sag) || p[at].RPM > float64(c.steepest()*(p[at].Kmh+c.known.Step)) {
		return false // as usual, or it sagged with the vehicle slower than any gear has it
	}
	below := float64((1 - c.sag) * c.idle)
	first, off := at-1, at
	for first > 0 && p[first-1].RPM < below {
		first--
	}
	for off+1 < len(p) && p[off].RPM < below {
		off++
	}
	c.unplaced(s, Dragging, &p[first], &p[at], &p[off])
	s.EngineLow = min(p[at-1].RPM, p[at].RPM)
	return true
}

// stalled tells an engine that the road drew down until it stood: from above its idle
// speed on it kept one ratio to the road's, where one that is shut off idles first.
func (c *judgement) stalled(p []Point, s *Stop) bool {
	died := c.dies(p)
	if died == len(p) || !c.idleKnown {
		return false
	}
	first, last, below := died, -1, -1
	xy, xx := 0.0, 0.0
	for i := died - 1; i >= 0 && p[i].RPM < float64(heldFrom*c.idle) && p[i].Pedal != PedalOn && p[i+1].At-p[i].At < lateSpacing; i-- {
		if first = i; p[i].RPM < float64(heldLow*c.idle) {
			continue
		}
		last = max(last, i)
		if p[i].RPM < float64((1-c.sag)*c.idle) {
			below = i
		}
		xy += float64(p[i].RPM * p[i].Kmh)
		xx += float64(p[i].Kmh * p[i].Kmh)
	}
	if last-first < provenN || p[first].RPM < float64((1+idleBand)*c.idle) || p[last].RPM > float64(heldTo*c.idle) || xy > float64(c.steepest()*xx) {
		return false
	}
	for i := first; i <= last; i++ {
		if off := p[i].RPM - float64(xy/xx*p[i].Kmh); max(off, -off) > min(c.known.tolerance(xy/xx, &p[i]), float64(heldWithin*c.idle)) {
			return false
		}
	}
	c.unplaced(s, Stall, &p[below], &p[last], &p[died])
	return true
}

// unplaced fills in a stop whose line is not known: when the engine fell below idle, was
// last seen to be held, and was free or stood.
func (c *judgement) unplaced(s *Stop, class Class, below, last, free *Point) {
	*s = Stop{At: c.stand, Idle: c.idle, Class: class, On: last.At, Off: free.At, Kmh: last.Kmh, EngineLow: last.RPM, Drawn: below.At}
}
