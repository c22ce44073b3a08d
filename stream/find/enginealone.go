package find

import (
	"fmt"
	"math"
	"sort"
)

// leastAlone is how many answers tell which bits are the engine's: half a
// minute's.
const leastAlone = 150

// engineAlone proposes engine speed where no turbine was found: by the
// answers, else by its shape.
func (a *analysis) engineAlone(r *RoleResult) {
	if ref := a.s.answers.get(ParamEngineSpeed); ref != nil {
		for _, s := range a.pool {
			f := a.engineFit[s]
			if f.r2 < 0.9 || s.hi-s.lo < 30 {
				continue
			}
			p := s.proposal(100 * (f.r2 - 0.05 + 0.05*s.fineness()))
			p.Scale, p.Offset, p.Rounded = f.round(0.01, (s.hi-s.lo)*f.scale, scalings())
			p.Evidence = append(p.Evidence, f.evidence(ParamEngineSpeed))
			r.Proposals = append(r.Proposals, p)
		}
		r.rank()
		if len(r.Proposals) > 0 && a.engineFit[r.Proposals[0].s].r2 >= leastR2 && ref.seen >= leastAlone {
			r.Found = true
			return
		}
		r.Why = "no field follows the answers to the standard request for engine speed: not found, and perhaps not sent on this bus"
		return
	}
	for _, s := range quick(a.pool) {
		shape, idle := s.engineShape(a.step)
		if shape < 0.3 {
			continue
		}
		p := s.proposal(100 * shape * 0.6)
		p.Scale, _ = engineScale(idle, 0, 0)
		p.Guessed, p.Rounded = true, true
		p.Evidence = append(p.Evidence, fmt.Sprintf("never at nothing for long, comes back to one speed (idle?) again and again, rises and falls as an engine does; the scale is a guess from that speed (%.0f rpm)", idle*p.Scale))
		r.Proposals = append(r.Proposals, p)
	}
	r.rank()
	r.Why = "nothing to compare with: no answers to standard requests, and no turbine speed that joins it; what is listed has the shape of an engine's speed, no more"
}

// engineShape says, 0 to 1, how much the series looks like an engine's speed
// by itself: it dwells at one low speed and leaves it for up to ten times as
// much.
func (s *series) engineShape(step float64) (shape, idle float64) {
	var x []float64
	for _, v := range s.grid {
		if !math.IsNaN(v) && v > 0.05*s.top {
			x = append(x, v)
		}
	}
	if float64(len(x))*step < 20 {
		return 0, 0
	}
	sort.Float64s(x)
	low, high := quantile(x, 0.02), quantile(x, 0.98)
	if high < 1.4*low || high > 10*low {
		return 0, 0
	}
	// The fullest window of 8 % below the middle.
	mid := quantile(x, 0.6)
	best := 0
	for i, j := 0, 0; i < len(x) && x[i] < mid; i++ {
		for j < len(x) && x[j] < 1.08*x[i] {
			j++
		}
		if j-i > best {
			best, idle = j-i, x[(i+j)/2]
		}
	}
	dwell := float64(best) / float64(len(x))
	present := float64(len(x)) / float64(len(s.grid))
	return math.Min(1, dwell/0.15) * present * s.fineness(), idle
}
