package ratioline

import (
	"math"

	"joltwatch/bus"
)

// State is what the clutch does.
type State uint8

// Unknown to Coast are the states; Coast is a clutch in overrun that is closed or
// nearly so.
const (
	Unknown State = iota
	Open
	Partial
	Closed
	Coast
	numStates
)

// Pedal is what is known of the accelerator.
type Pedal uint8

// The accelerator's states.
const (
	PedalUnknown Pedal = iota
	PedalOff
	PedalOn
)

// Point is both speeds at one instant of the engine's.
type Point struct {
	At bus.Micros
	// RPM is the engine's speed, Kmh the road's at that instant with its
	// delay taken out, Rate how it changes in km/h/s.
	RPM, Kmh, Rate float64
	// Off is how far Kmh may be off, as a share of a step of the road speed.
	Off   float64
	Pedal Pedal
	// Press is the pedal in percent above its rest, where Pedal is known.
	Press float64
}

// mark is what is worked out of one point.
type mark struct {
	line  int8 // on which line, -1 on none
	state State
	slip  float64 // off the nearest line, rpm
	// weak is a state by signs that a shift may leave as well, light a run whose
	// slip under drive is as large as that of an open converter under little load.
	weak, light bool
}

const (
	// gap is the longest time between two points of one stretch.
	gap = 1500 * bus.Second / 1000
	// rippleRPM and rippleShare are how far a closed clutch's engine speed is
	// off its line apart from the road's steps: sensor noise, the filter of
	// the wheel speed and tyres.
	rippleRPM   = 12.0
	rippleShare = 0.008
	// stepShare is the share of a step of the road speed that a point may be
	// off between two changes of it.
	stepShare = 0.45
	// A run of points on one line shows a clutch that holds if the speeds moved
	// together by provenMove tolerances, in at least provenS, or if it lasts
	// for steadyS: slip of an open converter follows load and speed.
	provenS    = 1.0 * float64(bus.Second)
	provenN    = 4
	provenMove = 2.5
	steadyS    = 2.5 * float64(bus.Second)
	// Where one step of the road speed is more than coarseLine, in rpm, an open
	// converter's slip under drive is within the tolerance: the middle of the
	// run must be within meanSlip of the line.
	coarseLine = 60.0
	meanSlip   = 12.0
	// apartRPM of slip for apartS is no closed clutch and no shift: those take
	// less (cp).
	apartRPM = 80.0
	apartS   = 1.2 * float64(bus.Second)
	// flatWindow is the time over which engine speed that does not follow the
	// road's shows an open clutch, flatMove the least share by which the road
	// speed must have changed in it.
	flatWindow = 700 * bus.Second / 1000
	flatMove   = 0.10
	flatSlope  = 0.5
)

// tolerance is how far a closed clutch's engine speed may be off a line.
func (m *Map) tolerance(r float64, p *Point) float64 {
	road := float64(p.Off*m.Step) + math.Abs(float64(p.Rate*m.unsure))
	return rippleRPM + float64(rippleShare*p.RPM) + float64(r*road)
}

// Map is what the judgement of a point rests on.
type Map struct {
	// of are the lines, from the highest gear (the least ratio) on.
	of [maxLines]Line
	n  int
	// Step is the road speed's in km/h, Delay how much later than the engine's
	// it comes, in s.
	Step, Delay float64
	// unsure is how well the delay is known, in s.
	unsure float64
	// Idle is the engine's idle speed in rpm, 0 where not known.
	Idle float64
}

// Lines returns the lines from the highest gear on.
func (m *Map) Lines() []Line { return m.of[:m.n] }

// judge works out the marks of points in order of time, which have len(p) marks.
func (m *Map) judge(p []Point, out []mark) {
	prev := int8(-1)
	for i := range p {
		if i > 0 && p[i].At-p[i-1].At > gap {
			prev = -1
		}
		out[i] = m.place(&p[i], prev)
		prev = out[i].line
	}
	m.bridge(p, out)
	for a := 0; a < len(p); {
		b := stretch(p, out, a)
		if out[a].line >= 0 {
			m.settleOn(p[a:b], out[a:b])
		}
		a = b
	}
	for a := 0; a < len(p); {
		b := a + 1
		for b < len(p) && proven(out[b]) == proven(out[a]) && p[b].At-p[b-1].At <= gap {
			b++
		}
		if !proven(out[a]) {
			m.settleOff(p, out, a, b)
		}
		a = b
	}
}

func proven(k mark) bool { return k.state == Closed || k.state == Coast }

// place finds the line of a point: the nearest within its tolerance; one that the
// point before was on is held a little longer.
func (m *Map) place(p *Point, prev int8) mark {
	k := mark{line: -1, slip: math.Inf(1)}
	if p.Kmh < lowKmh {
		return k
	}
	best := 1.0
	for g := range m.Lines() {
		r := m.of[g].Ratio
		slip := p.RPM - float64(r*p.Kmh)
		off := math.Abs(slip) / m.tolerance(r, p)
		if int8(g) == prev {
			off /= 1.4
		}
		if off <= best {
			best, k.line = off, int8(g)
		}
		if math.Abs(slip) < math.Abs(k.slip) {
			k.slip = slip
		}
	}
	if k.line >= 0 {
		k.slip = p.RPM - float64(m.of[k.line].Ratio*p.Kmh)
	}
	return k
}

// lowKmh is the road speed below which whole steps of it say nothing.
const lowKmh = 4.0

// bridge takes a single point a little off a line, between two on it, for noise.
func (m *Map) bridge(p []Point, out []mark) {
	for i := 1; i+1 < len(p); i++ {
		a := out[i-1].line
		if a < 0 || out[i].line == a || out[i+1].line != a || p[i+1].At-p[i-1].At > gap {
			continue
		}
		r := m.of[a].Ratio
		if slip := p[i].RPM - float64(r*p[i].Kmh); math.Abs(slip) <= float64(2*m.tolerance(r, &p[i])) {
			out[i].line, out[i].slip = a, slip
		}
	}
}

// stretch returns the end of the stretch on one line, or off all, that begins at a.
func stretch(p []Point, out []mark, a int) int {
	b := a + 1
	for b < len(p) && out[b].line == out[a].line && p[b].At-p[b-1].At <= gap {
		b++
	}
	return b
}

// settleOn judges a run on one line.
func (m *Map) settleOn(p []Point, out []mark) {
	n := len(p)
	line := &m.of[out[0].line]
	lasts := float64(p[n-1].At - p[0].At)
	var v, driven, overrun fit
	slowed, unsure := 0, 0.0
	for i := range p {
		turbine := float64(line.Ratio * p[i].Kmh)
		v.add(turbine, p[i].RPM)
		switch {
		case p[i].Pedal != PedalOff && p[i].Rate >= -slowing:
			driven.add(turbine, p[i].RPM)
			continue
		case p[i].Pedal == PedalOff || p[i].Rate < -slowing && p[i].Pedal != PedalOn:
			if p[i].Rate < -slowing {
				slowed++
			}
			if p[i].At-p[0].At >= shiftSettle && p[i].RPM > float64(seenAbove*m.Idle) {
				overrun.add(turbine, p[i].RPM)
				unsure += math.Abs(float64(line.Ratio * p[i].Rate * delayKnown))
			}
		}
	}
	tol := m.tolerance(line.Ratio, &p[n/2])
	alike := tol > float64(behindShare*v.middle())
	if alike && 2*slowed > n && overrun.n < provenN && v.lo > float64((1-idleSag)*m.Idle) {
		return // an open converter stays on the line for as long
	}
	if overrun.n >= provenN && overrun.behind() > float64(behindShare*overrun.middle()) {
		for i := range p {
			if p[i].Pedal != PedalOn {
				out[i].state = Open
			}
		}
		return
	}
	far := v.span() >= float64(provenMove*tol)
	moved := far && v.follows()
	steady := lasts >= steadyS && (!far || v.follows())
	if !(n >= provenN && lasts >= provenS && moved || n >= 3 && steady) {
		return
	}
	if 2*driven.n > v.n && float64(line.Ratio*m.Step) > coarseLine && -driven.behind() > meanSlip {
		return
	}
	unsure = unsure/max(overrun.n, 1) + float64(lineKnown*v.middle())
	coasts := overrun.n >= provenN && overrun.behind()+unsure < float64(behindShare*overrun.middle())
	light := driven.n >= provenN && -driven.behind() > lightSlip+float64(lightShare*v.middle())
	for i := range p {
		out[i].state = Closed
		out[i].light = light && p[i].Pedal != PedalOff
		if p[i].Pedal == PedalOff || p[i].Pedal == PedalUnknown && p[i].Rate < -slowing {
			out[i].state, out[i].weak = Coast, !coasts || out[i].slip < -float64(behindPoint*p[i].RPM)
		}
	}
}

// fit is the straight line through engine over turbine speed, by least squares.
type fit struct {
	n, x, y, xx, xy float64
	x0, y0, lo, hi  float64
	left, right     float64 // the least and greatest x
}

func (v *fit) add(x, y float64) {
	if v.n == 0 {
		v.x0, v.y0, v.lo, v.hi, v.left, v.right = x, y, y, y, x, x
	}
	v.lo, v.hi = min(v.lo, y), max(v.hi, y)
	v.left, v.right = min(v.left, x), max(v.right, x)
	x, y = x-v.x0, y-v.y0
	v.n++
	v.x += x
	v.y += y
	v.xx += float64(x * x)
	v.xy += float64(x * y)
}

const (
	// slowing is the fall of the road speed, in km/h/s, from which it slows,
	// behindShare the share of its speed that an engine stays behind the turbine
	// in overrun at the least if the converter is open: its speed ratio is then
	// above 1.03 (common practice, no source).
	slowing     = 0.5
	behindShare = 0.035
	// A single point that is behindPoint of its speed behind may be of an open one.
	behindPoint = 0.022
	// delayKnown is how well the delay is known once its parabola is, in s, and
	// lineKnown how well a line, as a share.
	delayKnown = 0.03
	lineKnown  = 0.005
)

// middle is that of the engine's speed, behind how far it is below the turbine's.
func (v *fit) middle() float64 { return v.y/v.n + v.y0 }
func (v *fit) behind() float64 { return v.x/v.n + v.x0 - v.middle() }

// span is how far the engine speed moved.
func (v *fit) span() float64 { return v.hi - v.lo }

// Two speeds move together where the slope of the one over the other is near 1.
const (
	slopeLeast = 0.6
	slopeMost  = 1.5
)

// follows reports whether the engine moved with the turbine.
func (v *fit) follows() bool {
	d := v.n*v.xx - float64(v.x*v.x)
	if d <= 0 {
		return false
	}
	slope := (v.n*v.xy - float64(v.x*v.y)) / d
	return slope >= slopeLeast && slope <= slopeMost
}

// drift is how far the engine's speed went off the turbine's over all of them, in rpm.
func (v *fit) drift() float64 {
	d := v.n*v.xx - float64(v.x*v.x)
	if d <= 0 {
		return 0
	}
	return math.Abs(float64((v.n*v.xy-float64(v.x*v.y))/d-1) * (v.right - v.left))
}

// settleOff judges a stretch without a proven run.
func (m *Map) settleOff(p []Point, out []mark, a, b int) {
	if m.n == 0 {
		return
	}
	lasts := float64(p[b-1].At - p[a].At)
	for i := a; i < b; i++ {
		x := &p[i]
		switch {
		case flat(p[a:b], i-a):
			out[i].state = Open
			out[i].weak = !m.stepped() || x.Pedal != PedalOn && x.Rate < 0 && math.Abs(x.RPM-m.Idle) > float64(2*idleBand*m.Idle)
		case m.idles(p[a:b], i-a):
			out[i].state = Open
		case m.drifts(p[a:b], i-a):
			out[i].state, out[i].weak = Open, true
		case lasts < apartS:
		case out[i].line < 0 && m.apart(x) && (x.Pedal == PedalOff || !m.mayRegulate(x)):
			out[i].state, out[i].weak = Open, true
		case x.Pedal != PedalOff && m.regulated(x):
			out[i].state = Partial
		}
	}
}

const (
	// hiddenStep is the step between two lines from which a gear may lie
	// between that has not been learned yet; the largest step between two gears
	// in use is about this (cp). nextStep is the smallest, at either end.
	hiddenStep = 1.75
	nextStep   = 1.08
)

// apart reports whether a point is far from every line, and where no gear that is
// still to be learned can have one.
func (m *Map) apart(x *Point) bool {
	ratio := x.RPM / x.Kmh
	for i, l := range m.Lines() {
		if math.Abs(x.RPM-float64(l.Ratio*x.Kmh)) < apartRPM+float64(0.5*m.tolerance(l.Ratio, x)) {
			return false
		}
		if i > 0 && ratio < l.Ratio && ratio > m.of[i-1].Ratio && l.Ratio > float64(hiddenStep*m.of[i-1].Ratio) {
			return false
		}
	}
	return ratio > m.of[0].Ratio/nextStep && ratio < float64(nextStep*m.of[m.n-1].Ratio)
}

// stepped reports whether there are gears: where the ratio has no steps, an engine that
// stands while the road speed changes is no open clutch.
func (m *Map) stepped() bool {
	for i := 1; i < m.n; i++ {
		if m.of[i-1].firm() && m.of[i].firm() && m.of[i].Ratio < float64(hiddenStep*m.of[i-1].Ratio) {
			return true
		}
	}
	return false
}

// idles reports whether the engine idled around point i: at idle speed, within a
// little, for a second, with the pedal released. A clutch that held would be
// passing that speed.
func (m *Map) idles(p []Point, i int) bool {
	if m.Idle == 0 {
		return false
	}
	a, b := around(p, i, flatWindow)
	if p[b].At-p[a].At < flatWindow {
		return false
	}
	lo, hi := p[a].RPM, p[a].RPM
	for _, x := range p[a : b+1] {
		if x.Pedal == PedalOn {
			return false
		}
		lo, hi = min(lo, x.RPM), max(hi, x.RPM)
	}
	return hi-lo < float64(idleBand*m.Idle) && math.Abs(hi/2+lo/2-m.Idle) < float64(idleBand*m.Idle)
}

// drifts reports whether the ratio ran away around point i, more slowly than a
// shift makes it: a clutch that holds keeps it. It is asked in the lower gears only,
// whose steps are large enough to be told from that.
func (m *Map) drifts(p []Point, i int) bool {
	a, b := around(p, i, flatWindow)
	if b-a < 3 || p[b].At-p[a].At < flatWindow || p[i].Kmh < 2*lowKmh || p[i].RPM < float64(lowGears*m.of[0].Ratio*p[i].Kmh) {
		return false
	}
	lo, hi := math.Inf(1), 0.0
	for _, x := range p[a : b+1] {
		lo, hi = min(lo, x.RPM/x.Kmh), max(hi, x.RPM/x.Kmh)
	}
	tol := m.tolerance(p[i].RPM/p[i].Kmh, &p[i]) / p[i].RPM
	d := math.Log(hi / lo)
	return d > float64(1.5*tol)+driftLeast && d < driftMost
}

const (
	lowGears   = 1.8
	driftLeast = 0.03
	driftMost  = 0.17
)

// idleSag is how far a governor lets an engine sag below idle, as a share of it
// (common practice, no source).
const idleSag = 0.10

// idleBand is how far an idling engine strays, as a share of idle.
const idleBand = 0.07

// around returns the first and last point within a time of point i.
func around(p []Point, i int, within bus.Micros) (a, b int) {
	a, b = i, i
	for a > 0 && p[i].At-p[a-1].At <= within {
		a--
	}
	for b+1 < len(p) && p[b+1].At-p[i].At <= within {
		b++
	}
	return a, b
}

// regulateMost is the most slip that is regulated on purpose under drive, in rpm
// (common practice, no source).
const regulateMost = 250.0

// mayRegulate reports whether a point lies so little above a line that its slip may be
// regulated; an open converter under little load slips as much.
func (m *Map) mayRegulate(x *Point) bool {
	for _, l := range m.Lines() {
		if slip := x.RPM - float64(l.Ratio*x.Kmh); slip > 0 && slip < regulateMost {
			return true
		}
	}
	return false
}

// regulated reports whether a point lies as far above a line as slip is regulated.
func (m *Map) regulated(x *Point) bool {
	for _, l := range m.Lines() {
		tol := m.tolerance(l.Ratio, x)
		if slip := x.RPM - float64(l.Ratio*x.Kmh); slip > 0 && slip < apartRPM && tol < apartRPM/2 {
			return true
		}
	}
	return false
}

// flat reports whether engine speed around point i stood while the road speed
// changed: the slope of the one's logarithm over the other's is far from 1.
func flat(p []Point, i int) bool {
	a, b := around(p, i, flatWindow)
	if b-a < 2 || p[a].Kmh < 1 || p[b].Kmh < 1 {
		return false
	}
	lo, hi := p[a].RPM, p[a].RPM
	for _, x := range p[a : b+1] {
		lo, hi = min(lo, x.RPM), max(hi, x.RPM)
	}
	road := math.Abs(math.Log(p[b].Kmh / p[a].Kmh))
	return road >= flatMove && math.Log(hi/lo) <= float64(flatSlope*road)
}
