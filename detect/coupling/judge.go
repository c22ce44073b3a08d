package coupling

import (
	"math"

	"joltwatch/bus"
)

// Verdict is what a window says about whether two speeds move together.
type Verdict uint8

// The verdicts.
const (
	// Untold: the turbine moved too little to tell.
	Untold Verdict = iota
	Coupled
	Apart
)

// Together is the judgement of one window.
type Together struct {
	Verdict Verdict
	// Slope is of engine speed on turbine speed, Residual the standard
	// deviation of the engine speed around it, in rpm.
	Slope, Residual float64
	// Mean and Spread are of slip, Moved the turbine's range, in rpm.
	Mean, Spread, Moved float64
	// Tol and StepRPM of a derived turbine speed, at most.
	Tol, StepRPM float64
	N            int
}

// slopeTol is how far the slope may be off 1: a noise of 2 rpm over the least
// range of 25 rpm makes about 0.1 with a dozen points.
const slopeTol = 0.2

// line adds up what a judgement needs: a straight line of slip on turbine speed.
type line struct {
	x0, s0                   float64
	sx, sy, sxx, sxy, ss, sv float64
	lo, hi, tol, step, nm    float64
	n                        int
	from, to                 bus.Micros
	last                     float64 // turbine
	driving, shifting        bool    // at some point: not in overrun, and in a shift
}

// spanS is the time from the first point to the last, in s.
func (l *line) spanS() float64 { return (l.to - l.from).Seconds() }

// mean is that of slip, engine that of the engine's speed, in rpm.
func (l *line) mean() float64   { return l.s0 + l.sy/float64(l.n) }
func (l *line) engine() float64 { return l.x0 + l.sx/float64(l.n) + l.mean() }

// torque is the mean of the engine's, in N·m; NaN where some point does not tell it.
func (l *line) torque() float64 { return l.nm / float64(l.n) }

// rate is the turbine's rate from the first point to the last, in rpm/s.
func (l *line) rate() float64 {
	if l.to <= l.from {
		return 0
	}
	return l.last / l.spanS()
}

func (l *line) add(p *Point) {
	if l.n == 0 {
		*l = line{x0: p.Turbine, s0: p.Slip, from: p.At}
	}
	x, y := p.Turbine-l.x0, p.Slip-l.s0
	l.to, l.last = p.At, x
	l.sx += x
	l.sy += y
	l.sxx += float64(x * x)
	l.sxy += float64(x * y)
	l.ss += float64(y * y)
	l.nm += p.Torque
	l.sv += float64(p.Sigma * p.Sigma)
	l.lo, l.hi = min(l.lo, x), max(l.hi, x)
	l.tol, l.step = max(l.tol, p.Tol), max(l.step, p.StepRPM)
	l.driving, l.shifting = l.driving || !p.Overrun, l.shifting || p.Shifting
	l.n++
}

// judge gives the verdict on what was added.
func (l *line) judge(set *Limits) Together {
	g := Together{N: l.n, Tol: l.tol, StepRPM: l.step}
	if g.N < 3 {
		return g
	}
	n := float64(g.N)
	g.Moved = l.hi - l.lo
	g.Mean = l.mean()
	vx := l.sxx/n - float64(l.sx/n)*float64(l.sx/n)
	vy := max(0, l.ss/n-float64(l.sy/n)*float64(l.sy/n))
	cov := l.sxy/n - float64(l.sx/n)*float64(l.sy/n)
	g.Spread = math.Sqrt(vy)
	g.Slope, g.Residual = 1, g.Spread
	if vx > 1e-9 {
		b := cov / vx
		g.Slope = 1 + b
		g.Residual = math.Sqrt(max(0, vy-float64(b*cov)))
	}
	g.settle(set, math.Sqrt(l.sv/n))
	return g
}

// Judge says whether engine and turbine moved together from one instant to
// another (both included): engine on turbine has a slope near 1 and a small
// residual, over a range that is large against noise. A slip near zero does not
// do: in a stop the turbine passes through engine speed.
func (t *Trail) Judge(set *Limits, from, to bus.Micros) Together {
	var l line
	for i := t.After(from); i < t.end; i++ {
		p := t.Get(i)
		if p.At > to {
			break
		}
		l.add(p)
	}
	return l.judge(set)
}

// settle gives the verdict. A derived turbine speed is wrong by a share of
// itself, which tilts the line by as much, and by the steps of the speed it
// comes from, whose standard deviation is 0.29 of a step.
func (g *Together) settle(set *Limits, sigma float64) {
	slack := max(set.SpreadRPM, 1.2*sigma) + float64(0.4*g.StepRPM)
	slack = min(slack, set.SpreadRPM+float64(0.15*g.Moved)+g.StepRPM)
	need := max(set.RangeRPM, 3*min(sigma, tellRPM)) + float64(3*g.StepRPM)
	switch {
	case g.Moved < need:
	case abs(g.Slope-1) <= slopeTol && g.Residual <= slack+float64(set.Spread*g.Moved):
		g.Verdict = Coupled
	default:
		g.Verdict = Apart
	}
}
