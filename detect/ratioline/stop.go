package ratioline

import (
	"math"

	"joltwatch/bus"
)

// Class is what a stop showed of the release.
type Class uint8

// The classes. NotSeen: no release could be told in it. Late is against this
// vehicle's own habit. Dragging: the engine was drawn below idle, still on its
// line. Stall: it died of that.
const (
	NotSeen Class = iota
	Normal
	Late
	Dragging
	Stall
)

// latenesses are by how much a release is made late to see whether it would have
// been found.
var latenesses = [...]bus.Micros{bus.Second / 2, bus.Second, 2 * bus.Second}

// Stop is one stop and what it shows.
type Stop struct {
	// At is the standstill.
	At    bus.Micros
	Class Class
	// Line is the number of the line that the engine left, from the lowest
	// gear on; 0 where it was drawn below idle on none that is known.
	Line int
	// On is the last instant on the line, Off the first at which the clutch is
	// seen open.
	On, Off bus.Micros
	// Kmh is the road speed, TurbineMin and TurbineMax the speeds in rpm that
	// the turbine had between, by the line.
	Kmh, TurbineMin, TurbineMax float64
	// EngineLow is the lowest engine speed on the line, Idle what idle is.
	EngineLow, Idle float64
	// Drawn is since when the engine was below idle, where it was.
	Drawn bus.Micros
	// LateMin and LateMax bound by how much later, in s, the line was left than
	// at the usual turbine speed: LateMin from where the clutch was certainly
	// closed still. Share is the share of the Count stops before that were less
	// late than the middle of both.
	LateMin, LateMax float64
	Share            float64
	Count            int
	// Seen says that the separation itself was seen. Where the engine runs down its
	// line and idles on at the end of it, an open converter may have done the
	// same: the clutch let go at Off at the latest, and nothing says when.
	Seen bool
	// Held says that the clutch was certainly closed, or nearly so, before the
	// standstill, Found whether a release late by latenesses[i] in this stop would have
	// been told as late or dragging, FoundDrag whether a clutch that held until
	// the engine was well below idle would have.
	Held      bool
	Found     [len(latenesses)]bool
	FoundDrag bool
	limit     float64 // from which LateMin is late, s
}

// The greatest periods, in s, of the two speeds at which a release that is late by 1 s is
// told in most stops, an engine drawn below idle is, and any time is on a line.
const (
	LatePeriodS    = 0.125
	DrawnPeriodS   = 0.55
	StretchPeriodS = 1.4
)

const (
	// stopBefore is how much before a standstill is looked at.
	stopBefore = 30 * bus.Second
	benchSize  = 768
	// unsureMost is the longest time between On and Off.
	unsureMost = 1300 * bus.Second / 1000
	// pressedAfter is how soon after On the pedal may still be pressed.
	pressedAfter = bus.Second / 4
	// dragTime and dragPoints are how long, in how many points, the engine must
	// be below idle on its line.
	dragTime   = 150_000 * bus.Micros(1)
	dragPoints = 2
	// stallWithin is how soon after the line is left the engine must die for
	// the clutch to have killed it.
	stallWithin = 1500 * bus.Second / 1000
	// runDown is how long an engine that is shut off takes from idle until it stands
	// (common practice, no source).
	runDown = 600_000 * bus.Micros(1)
)

// bench is where stops are judged, and judged again with a late release laid over
// them.
type bench struct {
	p, q [benchSize]Point
	k, x [benchSize]mark
	stop Stop
	// downs is where this vehicle shifts down as it slows.
	downs downshifts
	// shifts is when the stop that is judged shifted down, to lower rpm per km/h.
	shifts bus.Micros
	lower  float64
}

// judge works out the stop that ended in a standstill at t.stand.
func (b *bench) judge(t *Tracker) *Stop {
	from := len(t.points)
	for from > 0 && t.points[from-1].At > t.stand-stopBefore && len(t.points)-from < benchSize {
		from--
	}
	n := copy(b.p[:], t.points[from:])
	p, k := b.p[:n], b.k[:n]
	c := judgement{known: &t.known, habit: &t.habit, passes: &t.passes, downs: &b.downs, low: t.lows.limit(), running: t.set.RunningRPM, sag: t.set.DragSag, stand: t.stand}
	c.idle, c.idleKnown = t.idle.speed()
	if c.low > 0 { // a weak idle control sags
		c.sag = min(max(c.sag, 1-c.low), 2*c.sag)
	}
	t.known.Idle = c.idle
	left := c.decide(p, k, &b.stop)
	if at, share := c.dip(p); at >= 0 {
		t.lows.add(share)
	}
	b.stop.Held = left >= 0 || b.stop.Class != NotSeen
	if left < 0 {
		return &b.stop
	}
	ratio := t.known.of[k[left].line].Ratio
	step, sure := c.step, c.sure
	for _, x := range c.passed[:c.nPasses] {
		x.Late = x.Held && b.stop.Class >= Late
		t.passes.add(x)
	}
	b.downs.see(t.known.Lines(), p, k)
	b.shifts, b.lower = bus.Micros(math.MaxInt64), ratio
	if line := int(k[left].line) + 1; c.shifted && line < t.known.n {
		b.shifts, b.lower = p[left].At, t.known.of[line].Ratio
	}
	from, usually := b.usually(&c, p, left, sure, ratio)
	for i, late := range latenesses {
		b.stop.Found[i] = from >= 0 && b.finds(&c, n, from, ratio, usually+late, 0)
	}
	b.stop.FoundDrag = b.finds(&c, n, left, ratio, c.stand, float64(testDrag*(1-c.sag)*c.idle))
	if b.stop.Class == NotSeen {
		return &b.stop
	}
	if b.stop.Class <= Late && b.stop.Seen {
		t.habit.add(Release{ratio, round((b.stop.TurbineMin+b.stop.TurbineMax)/2, 0.1), round(fall(p, left, ratio), 0.1), round(step, 0.1), b.stop.Class == Late})
	}
	return &b.stop
}

// usually returns when this vehicle would have let go in a stop: as the turbine
// falls through its usual speed where that is known, else at the last certain
// point; and the last point on the line before that.
func (b *bench) usually(c *judgement, p []Point, left, sure int, ratio float64) (from int, at bus.Micros) {
	turbine, middle, ok := c.habit.usual(ratio)
	if !ok {
		if sure < 0 {
			return sure, 0
		}
		return sure, p[sure].At
	}
	i := left
	for i > 0 && float64(ratio*p[i].Kmh) < turbine {
		i--
	}
	for i+1 < len(p) && float64(ratio*p[i+1].Kmh) >= turbine && p[i].At < c.stand {
		i++
	}
	return min(i, left), p[i].At + seconds(middle)
}

// testDrag is how far below the limit of a drag, as a share of it, the engine is
// drawn in the test of whether that would have been found.
const testDrag = 0.85

// finds lays a release over the stop that came only at an instant, or once the
// turbine had fallen to a speed, and reports whether it would have been told.
func (b *bench) finds(c *judgement, n, left int, ratio float64, to bus.Micros, down float64) bool {
	var test Stop
	q := b.q[:copy(b.q[:n], b.p[:n])]
	b.layLate(q, left, ratio, c.idle, to, down)
	c.decide(q, b.x[:n], &test)
	return test.Class >= Late
}

// layLate keeps the engine on its line until an instant, or until the turbine has
// fallen to a speed, with the ripple that it had on it before; it shifts down where
// this vehicle does. What a shift down made of the engine's speed afterwards is cut
// off: an opened converter does not drive it above the turbine.
func (b *bench) layLate(p []Point, left int, ratio, idle float64, to bus.Micros, down float64) {
	back := left
	s := b.downs.sliding(p, left, ratio)
	if b.shifts < math.MaxInt64 {
		s.lower, s.shifts = b.lower, b.shifts
	}
	for i := left + 1; i < len(p); i++ {
		on := b.downs.slide(&s, &p[i])
		turbine := float64(on * p[i].Kmh)
		if p[i].Kmh < 0.5 || turbine < down {
			return
		}
		x := &p[max(back, 0)]
		switch {
		case p[i].At <= to:
			p[i].RPM = turbine + x.RPM - float64(ratio*x.Kmh)
		case b.lower > ratio:
			p[i].RPM = min(p[i].RPM, max(idle, turbine))
		}
		if back--; back < left-rippleKeep {
			back = left
		}
	}
}

// rippleKeep is how many points of ripple are laid over again and again.
const rippleKeep = 12

// fall is how fast the turbine of a line slows around a point, in rpm/s.
func fall(p []Point, i int, ratio float64) float64 {
	return fallIn(p, i, ratio, bus.Second, bus.Second/2)
}

// fallIn is the same from a time before the point to one after it.
func fallIn(p []Point, i int, ratio float64, before, after bus.Micros) float64 {
	a, b := i, i
	for a > 0 && p[i].At-p[a-1].At <= before {
		a--
	}
	for b+1 < len(p) && p[b+1].At-p[i].At <= after {
		b++
	}
	if a == b {
		return 0
	}
	return ratio * (p[a].Kmh - p[b].Kmh) / (p[b].At - p[a].At).Seconds()
}

// judgement is what a stop is judged by.
type judgement struct {
	known *Map
	habit *habit
	// passes are what earlier stops showed of shifts down, downs where they are.
	passes *passes
	downs  *downshifts
	// low is the share of idle below which this vehicle's engine is drawn down, 0 not known.
	low          float64
	running, sag float64
	idle         float64
	idleKnown    bool
	stand        bus.Micros
	// What decide worked out on the way: what the slip was on the line, how far
	// off that counts, and how far it went off, in rpm.
	base, limit, step float64
	// sure is the last point at which the clutch was closed for certain, or -1.
	sure int
	// shifted says that the line was left by a shift down, in or after which the
	// clutch let go unseen.
	shifted bool
	// passed is what the stop itself shows of shifts down, passCount of how many others
	// it was said that one was late.
	passed    [4]Pass
	nPasses   int
	passCount int
}

// decide fills in a stop and returns the last point on the line, -1 where no line tells
// of it; the marks are worked out on the way.
func (c *judgement) decide(p []Point, k []mark, s *Stop) int {
	left := c.byLine(p, k, s)
	if s.Class <= Late && c.stalled(p, s) || s.Class < Late && c.drawn(p, s) {
		return -1
	}
	return left
}

// byLine is decide by the lines that are known.
func (c *judgement) byLine(p []Point, k []mark, s *Stop) int {
	*s, c.shifted = Stop{At: c.stand, Idle: c.idle}, false
	c.known.judge(p, k)
	left := c.leaves(p, k, anyLine)
	if left >= 0 {
		c.drag(p, k, left, s)
	}
	if s.Drawn == 0 {
		// An open converter in overrun keeps a ratio as well.
		if left = c.leaves(p, k, (*Line).firm); left >= 0 {
			c.drag(p, k, left, s)
		}
	}
	if left < 0 {
		return left
	}
	line := k[left].line
	ratio := c.known.of[line].Ratio
	last := left
	left, off := c.parts(p, k, left, ratio)
	if s.Drawn > 0 {
		// An engine below idle on its line: what looked like a separation was none.
		left, off = last, c.opened(p, k, last)
	}
	if c.shifted = s.Drawn == 0 && c.rises(p, left); c.shifted {
		off = c.opened(p, k, left)
	}
	died := c.died(p, left)
	if died >= 0 && (off < 0 || died < off) {
		off = died
	}
	since, held, lower := c.passesOf(p, k, left)
	late := since > 0 && p[held].At-since >= seconds(lateLeast)
	if off < 0 || p[off].At-p[left].At > unsureMost {
		if !late {
			return left
		}
		off = held
	}
	s.Class = Normal
	s.Line = c.known.n - int(line)
	s.On, s.Off = p[left].At, p[off].At
	s.Kmh = (p[left].Kmh + p[off].Kmh) / 2
	s.TurbineMin, s.TurbineMax = float64(ratio*p[off].Kmh), float64(ratio*p[left].Kmh)
	s.Seen = off != died && !c.shifted && c.certain(&p[left], ratio) &&
		(s.TurbineMin > float64(seenAbove*c.idle) || p[off].RPM < s.TurbineMin+c.base-c.limit && s.TurbineMin > c.idle)
	c.step = 0
	for i := off; i < len(p) && p[i].At <= s.Off+stepWithin; i++ {
		c.step = max(c.step, math.Abs(p[i].RPM-float64(ratio*p[i].Kmh)-c.base))
	}
	sure := left
	for sure > 0 && k[sure].line == line && proven(k[sure]) && !c.certain(&p[sure], ratio) {
		sure--
	}
	c.sure = sure
	if k[sure].line != line || !proven(k[sure]) {
		c.sure = -1
	}
	c.habit.compare(s, p[sure].Kmh, fall(p, sure, ratio), ratio)
	switch {
	case s.Drawn > 0 && died >= 0 && p[died].At-s.Drawn < runDown:
		// One that is shut off as it rolls to a stop runs down as fast.
		s.Class = NotSeen
	case s.Drawn > 0 && died >= 0 && p[died].At-s.On <= stallWithin:
		s.Class = Stall
	case s.Drawn > 0:
		s.Class = Dragging
	case late:
		c.heldOn(p, s, since, held, lower)
	case c.shifted || c.drifts(p, k, left, ratio):
		// It let go in or after a shift down, or may have been open before, with an
		// engine that idles high.
	case s.Count >= habitLeast && c.sure > 0 && p[c.sure].At-p[c.sure-1].At <= lateSpacing && s.LateMin > s.limit:
		s.Class = Late
	}
	return left
}

// rises reports whether the engine sped up as it left the line, to above its idle: a
// shift down does that, while an opened converter lets the engine fall.
func (c *judgement) rises(p []Point, left int) bool {
	most := max(p[left].RPM+c.limit, float64((1+idleBand)*c.idle))
	for i := left + 1; i < len(p) && p[i].At-p[left].At <= stepWithin; i++ {
		if p[i].RPM > most && p[i].Pedal != PedalOn {
			return true
		}
	}
	return false
}

// slipDrift is the share of the tolerance by which the slip of a closed clutch drifts
// as its engine runs down the line.
const slipDrift = 0.5

// drifts reports whether the slip drifted on the last run on a line, up to a point on
// it: the engine of an open converter that idles high nears the turbine from above.
func (c *judgement) drifts(p []Point, k []mark, left int, ratio float64) bool {
	var v fit
	i := left
	for ; i > 0 && k[i-1].line == k[left].line && proven(k[i-1]) && p[i].At-p[i-1].At <= gap && p[i-1].Pedal != PedalOn; i-- {
	}
	for begin := p[i].At; i <= left; i++ {
		if p[i].At-begin >= shiftSettle {
			v.add(float64(ratio*p[i].Kmh), p[i].RPM)
		}
	}
	return v.n >= provenN && v.drift() > float64(slipDrift*c.known.tolerance(ratio, &p[left]))
}

const (
	// seenAbove times idle is a turbine speed well above what an open converter
	// lets the engine idle on at.
	seenAbove = 1.1
	// stepWithin is how soon after a separation the slip is as far off as it goes,
	// stepShare the share of that which must have counted as off for a closed
	// clutch to be told from an open one in overrun.
	stepWithin   = 800 * bus.Second / 1000
	resolveShare = 0.45
	// The base is the middle of what the slip was in up to partBase points
	// before; partSpread times its deviation, and at least partLeast rpm and
	// partStep steps of the road speed, is off it.
	partBase   = 16
	partSpread = 4.0
	partLeast  = 15.0
	partStep   = 0.25
	// backFor is how long the speeds must be together again for a separation to be
	// withdrawn.
	backFor = 500_000 * bus.Micros(1)
	// lateSpacing is the longest time between two points from which a release
	// can be called late: with longer ones a separation hides between them.
	lateSpacing = 450_000 * bus.Micros(1)
	// shiftSettle is how long after a shift the slip still swings.
	shiftSettle = 400_000 * bus.Micros(1)
)

// certain reports whether a point on the line shows a closed clutch: an open one
// lets the engine fall behind the turbine by the usual step, until it idles.
func (c *judgement) certain(x *Point, ratio float64) bool {
	turbine := float64(ratio * x.Kmh)
	if math.Abs(x.RPM-turbine-c.base) > c.limit {
		return false
	}
	if turbine > float64(seenAbove*c.idle) {
		usual := c.habit.usualStep()
		return usual == 0 || max(c.limit, math.Abs(c.base)) <= float64(resolveShare*usual)
	}
	return x.RPM < c.idle-float64(2*c.limit)
}

// parts goes through the last run on a line for the point at which the slip left
// what it had been: an open converter in overrun may stay within the line's
// tolerance. It returns the last point before and the first after.
func (c *judgement) parts(p []Point, k []mark, left int, ratio float64) (on, off int) {
	first := left
	for first > 0 && proven(k[first-1]) && k[first-1].line == k[left].line && p[first].At-p[first-1].At <= gap {
		first--
	}
	for begin := p[first].At; first < left && p[first].At-begin < shiftSettle; {
		first++
	}
	c.base, c.limit = 0, c.known.tolerance(ratio, &p[left])
	slip := func(i int) float64 { return p[i].RPM - float64(ratio*p[i].Kmh) }
	var b [partBase]float64
	for i := first; i <= left; i++ {
		n := 0
		for j := i - 1; j >= first && n < partBase; j-- {
			b[n] = slip(j)
			n++
		}
		if n < 4 {
			continue
		}
		base := median(b[:n])
		for j := range n {
			b[j] = math.Abs(b[j] - base)
		}
		c.base = base
		c.limit = max(partLeast, float64(partStep*ratio*c.known.Step), float64(partSpread*1.4826*median(b[:n])))
		if math.Abs(slip(i)-base) <= c.limit {
			continue
		}
		// Away: until when?
		back := i
		for j := i; j <= left; j++ {
			if math.Abs(slip(j)-base) > c.limit {
				back = j + 1
			} else if p[j].At-p[back].At >= backFor {
				break
			}
		}
		if back > left || p[left].At-p[back].At < backFor {
			return i - 1, i
		}
		i = back
	}
	return left, c.opened(p, k, left)
}

func anyLine(*Line) bool { return true }

// leaves returns the last point before the standstill at which the clutch was
// certainly closed or nearly so on a line of that kind, -1 where there is none, or
// where the driver pressed the pedal after it.
func (c *judgement) leaves(p []Point, k []mark, is func(*Line) bool) int {
	left := -1
	for i := range p {
		if p[i].At > c.stand {
			break
		}
		if proven(k[i]) && is(&c.known.of[k[i].line]) {
			left = i
		}
	}
	if left < 0 {
		return left
	}
	for i := left; i < len(p) && p[i].At <= c.stand; i++ {
		if p[i].Pedal == PedalOn && p[i].At-p[left].At > pressedAfter {
			return -1
		}
	}
	return left
}

// opened returns the first point after one at which the clutch is seen open, or the
// engine on what may be an open converter's line; or -1.
func (c *judgement) opened(p []Point, k []mark, left int) int {
	for i := left + 1; i < len(p); i++ {
		other := proven(k[i]) && k[i].line != k[left].line && !c.shifted
		if k[i].state == Open || other || p[i].Kmh < 1 && p[i].RPM > c.running {
			return i
		}
	}
	return -1
}

// died returns the first point after one at which the engine stands, or -1.
func (c *judgement) died(p []Point, left int) int {
	for i := left + 1; i < len(p); i++ {
		if p[i].RPM < float64(deadShare*c.running) {
			return i
		}
	}
	return -1
}

// drag looks for an engine below idle on its line.
func (c *judgement) drag(p []Point, k []mark, left int, s *Stop) {
	s.EngineLow = p[left].RPM
	below := float64((1 - c.sag) * c.idle)
	n, first := 0, left
	for i := left; i >= 0 && proven(k[i]) && k[i].line == k[left].line; i-- {
		s.EngineLow = min(s.EngineLow, p[i].RPM)
		if p[i].RPM < below && p[i].Pedal != PedalOn {
			n++
			first = i
		}
	}
	if c.idleKnown && n >= dragPoints && p[left].At-p[first].At >= dragTime {
		s.Drawn = p[first].At
	}
}
