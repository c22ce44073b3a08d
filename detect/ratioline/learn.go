package ratioline

import (
	"math"

	"joltwatch/bus"
)

// learner learns the lines and the delay.
type learner struct {
	scale *scale
	focus focus
	last  bus.Micros
	// prior is what earlier drives have counted at priorDelay.
	prior      [ratioBins]float32
	priorDelay float64
	priorKnown bool
	priorS     float64 // in all of prior
	step       float64
	sum        [ratioBins]float32 // of both, as last looked at
	// Stretches on one ratio, taken at the delay that is sharpest by now.
	index int
	run   [numRuns]stretchRun
	seen  [numRuns][ratioBins]seen
	cloud cloud
}

// seen is what stretches on one ratio have shown.
type seen struct {
	Stretches float32
	lo, hi    float32 // road speed, km/h
	wide      float32 // the widest of one stretch, as a ratio
}

// stretchRun is the stretch under way.
type stretchRun struct {
	bin      int
	from, to bus.Micros
	lo, hi   float64
}

func newLearner() *learner { return &learner{scale: newScale(), index: usualDelay} }

const (
	// learnKmh is the road speed from which pairs are counted: below it one
	// step of it is wider than a line.
	learnKmh = 15.0
	// learnGap is the longest time that one pair stands for, in s.
	learnGap = 1.0
)

// pair counts an engine speed with the road speed at each delay.
func (l *learner) pair(r *road, at bus.Micros, rpm float64, p Pedal) {
	dt := min((at - l.last).Seconds(), learnGap)
	l.last = at
	if dt <= 0 {
		return
	}
	if r.step > 0 {
		l.step = r.step
	}
	for i := range delays {
		kmh, rate, ok := r.at(at + seconds(delayAt(i)))
		if !ok || kmh < learnKmh {
			continue
		}
		n, ok := l.scale.bin(rpm / kmh)
		if !ok {
			continue
		}
		l.focus.count(i, n, dt)
		if i == l.index {
			l.stretch(anyhow, at, n, kmh)
			switch {
			case p != PedalOff && rate >= -slowing:
				l.stretch(driving, at, n, kmh)
			case p != PedalOn:
				l.stretch(coasting, at, n, kmh)
			}
			l.cloud.add(kmh, rpm, dt)
		}
	}
}

const (
	// stretchBins is how far a ratio may wander in one stretch: 1.25 %.
	stretchBins = 5
	stretchMin  = 1500 * bus.Second / 1000
)

// Stretches are followed apart.
const (
	anyhow = iota
	driving
	coasting
	numRuns
)

// stretch follows the stretches of driving on one ratio.
func (l *learner) stretch(how int, at bus.Micros, i int, kmh float64) {
	x := &l.run[how]
	if at-x.to <= gap && max(i-x.bin, x.bin-i) <= stretchBins {
		x.to, x.lo, x.hi = at, min(x.lo, kmh), max(x.hi, kmh)
		return
	}
	if x.to-x.from >= stretchMin {
		s := &l.seen[how][x.bin]
		if s.Stretches == 0 {
			s.lo, s.hi = float32(x.lo), float32(x.hi)
		}
		s.Stretches++
		s.lo, s.hi = min(s.lo, float32(x.lo)), max(s.hi, float32(x.hi))
		s.wide = max(s.wide, float32(x.hi/x.lo))
	}
	*x = stretchRun{bin: i, from: at, to: at, lo: kmh, hi: kmh}
}

// around adds up what stretches of one kind have shown on a line.
func (l *learner) around(how, mid int) (all seen) {
	for i := max(0, mid-lineReach); i <= min(ratioBins-1, mid+lineReach); i++ {
		s := &l.seen[how][i]
		if s.Stretches == 0 {
			continue
		}
		if all.Stretches == 0 {
			all.lo, all.hi = s.lo, s.hi
		}
		all.Stretches += s.Stretches
		all.lo, all.hi = min(all.lo, s.lo), max(all.hi, s.hi)
		all.wide = max(all.wide, s.wide)
	}
	return all
}

// trust counts the stretches on a line, and reports whether it may be used: one
// ratio at one speed may be an open converter on a long straight; through a wide
// range of speeds only a closed clutch keeps it.
func (l *learner) trust(x *Line) bool {
	mid, ok := l.scale.bin(x.Ratio)
	if !ok {
		return false
	}
	all, driven, coasts := l.around(anyhow, mid), l.around(driving, mid), l.around(coasting, mid)
	x.Stretches, x.Driven, x.Coasts = int(all.Stretches), int(driven.Stretches), int(coasts.Stretches)
	x.KmhMin, x.KmhMax = round(float64(all.lo), 0.1), round(float64(all.hi), 0.1)
	x.Wide = round(float64(all.wide), 0.01)
	x.DrivenMin, x.DrivenMax = round(float64(driven.lo), 0.1), round(float64(driven.hi), 0.1)
	x.DrivenWide = round(float64(driven.wide), 0.01)
	return x.Wide >= trustWide || x.Stretches >= trustStretches && x.KmhMax >= float64(trustSpeeds*x.KmhMin)
}

// firm reports whether time may be told by a line: in overrun an open converter keeps
// a ratio as well, some percent behind the turbine, so what was driven on it counts.
func (x *Line) firm() bool {
	speeds := x.DrivenMax / max(x.DrivenMin, 1)
	both := x.Driven >= bothStretches && x.Coasts >= bothCoasts && x.Driven >= x.Coasts && speeds >= bothSpeeds
	return x.DrivenWide >= trustWide || x.Driven >= trustStretches && speeds >= firmSpeeds || both
}

const (
	trustStretches = 3
	trustSpeeds    = 1.1
	trustWide      = 1.25
	firmSpeeds     = 1.25
	// Fewer do where stretches in overrun lie on the same line: those of an open
	// converter lie apart from what it does under drive.
	bothStretches = 4
	bothCoasts    = 2
	bothSpeeds    = 1.1
	// calmTime is how many seconds of driving show the lines of most gears.
	calmTime = 1200.0
)

// drivenS is how much driving the lines rest on.
func (l *learner) drivenS() float64 {
	s := l.focus.n[l.index]
	if l.priorKnown {
		s += l.priorS
	}
	return s
}

// calm reports whether judgements need not wait for more lines.
func (l *learner) calm() bool { return l.priorKnown || l.focus.n[l.index] >= calmTime }

// lines returns what judgements can rest on by now.
func (l *learner) lines() (Map, bool) {
	m := Map{Step: max(l.step, minStep)}
	delay, index, ok := l.focus.sharpest()
	off := l.priorKnown && ok && math.Abs(delay-l.priorDelay) > delayAgrees
	switch {
	case off && l.focus.n[index] >= delayDoubt:
		l.priorKnown = false // asked or connected in another way
	case l.priorKnown && (off || !ok):
		delay = l.priorDelay
		index = delayNumber(delay)
	case !ok:
		return m, false
	}
	m.Delay, m.unsure = delay, delayStep
	l.index = index
	l.sum = l.focus.bins[index]
	if l.priorKnown {
		for i, c := range l.prior {
			l.sum[i] += c
		}
	}
	var found [maxLines]Line
	n := findLines(l.scale, &l.sum, &found)
	for i := range found[:n] {
		if l.trust(&found[i]) {
			m.of[m.n] = found[i]
			m.n++
		}
	}
	return m, m.n > 0
}

const (
	// usualDelay is the number of the delay that road speed has as a rule (cp).
	usualDelay  = 6
	minStep     = 0.05
	delayAgrees = 0.15 // s
	// delayDoubt is how many seconds of driving must say another delay than the
	// drives before: in a few minutes of shifts a wrong one may be sharpest.
	delayDoubt = 600.0
)

// delayNumber is the number of the delay tried that is nearest.
func delayNumber(s float64) int {
	return min(max(int(math.Round((s-delayFirst)/delayStep)), 0), delays-1)
}
