package detect

import (
	"math"

	"joltwatch/bus"
)

// verdict is what a window says about whether two speeds move together.
type verdict uint8

const (
	// unobservable: the turbine moved too little to tell.
	unobservable verdict = iota
	coupled
	parted
)

// together is the judgement of one window.
type together struct {
	verdict verdict
	// slope is of engine speed on turbine speed, residual the standard
	// deviation of the engine speed around it, in rpm.
	slope, residual float64
	// spread is the standard deviation of slip, moved the turbine's range.
	spread, moved float64
	mean          float64 // of slip
	tol, grain    float64 // of the derived turbine speed, at most
	n             int
}

// judge says whether engine and turbine moved together from one instant to
// another (both included): engine on turbine has a slope near 1 and a small
// residual, over a range that is large against noise. A slip near zero does
// not do: in a stop the turbine passes through engine speed.
func (t *trail) judge(set *ClutchSettings, from, to bus.Micros) together {
	var g together
	var sx, sy, sxx, sxy, ss float64
	lo, hi := math.Inf(1), math.Inf(-1)
	tol, grain := 0.0, 0.0
	i := t.after(from)
	if i >= t.end {
		return g
	}
	first := t.get(i)
	x0, s0 := first.turbine, first.slip()
	for ; i < t.end; i++ {
		p := t.get(i)
		if p.at > to {
			break
		}
		x, s := p.turbine-x0, p.slip()-s0
		y := s // engine less turbine: the slope of it on turbine is slope-1
		sx += x
		sy += y
		sxx += float64(x * x)
		sxy += float64(x * y)
		ss += float64(y * y)
		lo, hi = min(lo, x), max(hi, x)
		tol, grain = max(tol, p.tol), max(grain, p.grain)
		g.n++
	}
	if g.n < 3 {
		return g
	}
	g.tol, g.grain = tol, grain
	n := float64(g.n)
	vx := sxx/n - float64(sx/n)*float64(sx/n)
	vy := max(0, ss/n-float64(sy/n)*float64(sy/n))
	cov := sxy/n - float64(sx/n)*float64(sy/n)
	g.moved = hi - lo
	g.mean = s0 + sy/n
	g.spread = math.Sqrt(vy)
	g.slope = 1
	g.residual = g.spread
	if vx > 1e-9 {
		b := cov / vx
		g.slope = 1 + b
		g.residual = math.Sqrt(max(0, vy-float64(b*cov)))
	}
	// A derived turbine speed is wrong by a share of itself, which tilts the
	// line by as much, and by the steps of the speed it comes from, whose
	// standard deviation is 0.29 of a step.
	slack := set.CoupledSpreadRPM + float64(0.4*grain)
	need := set.CoupledRangeRPM + float64(3*grain)
	switch {
	case g.moved < need:
	case abs(g.slope-1) <= slopeTol && g.residual <= slack+float64(set.CoupledSpread*g.moved):
		g.verdict = coupled
	default:
		g.verdict = parted
	}
	return g
}

// slopeTol is how far the slope may be off 1: a noise of 2 rpm over the least
// range of 25 rpm makes about 0.1 with a dozen points.
const slopeTol = 0.2
