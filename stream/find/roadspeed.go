package find

import (
	"fmt"
	"math"
	"slices"

	"joltwatch/stream"
)

// road finds road speeds: what follows the answers to the request for it, or,
// without those, what is a multiple of output speed.
func (a *analysis) road() {
	res := RoleResult{Role: stream.VehicleSpeed}
	known := a.s.answers.get(ParamRoadSpeed) != nil
	out := a.result.Best(stream.OutputSpeed)
	for _, s := range a.pool {
		if a.triple != nil && (s == a.triple.engine || s == a.triple.turbine || out != nil && out.s.overlaps(s)) || s.period > 1_000_000 {
			continue
		}
		p, ok := s.proposal(0), false
		switch {
		case known:
			ok = p.roadByAnswers(a.roadFit[s])
		case out != nil:
			ok = p.roadByOutput(out)
		}
		if ok {
			res.Proposals = append(res.Proposals, p)
		}
	}
	res.rank()
	res.Found = len(res.Proposals) > 0 && (!known || a.roadFit[res.Proposals[0].s].r2 > leastR2)
	if !res.Found {
		res.Why = "no field follows the answers for road speed or is a multiple of output speed"
	} else if best := &res.Proposals[0]; out != nil && known {
		// Output rpm for 1 km/h, from the road speed found.
		a.result.OutputPerKmh = ratioOf(best.s, out.s) * out.Scale / best.Scale
	}
	a.result.Roles = append(a.result.Roles, res)
}

// roadByAnswers fills in what the fit to the answers says; false where it is none.
func (p *Proposal) roadByAnswers(f fit) bool {
	if f.r2 < 0.95 {
		return false
	}
	p.Fit = 100 * (f.r2 - 0.08 + 0.05*p.s.fineness())
	p.Scale, p.Offset = f.scale, f.offset
	if v, ok := plausible(f.scale, 0.012, usualRoad); ok {
		p.Scale, p.Rounded = v, true
		p.Fit += 3
	}
	// The answers are cut to whole km/h, so half of one is no offset.
	if math.Abs(p.Offset) < 1.5 {
		p.Offset = 0
	}
	p.Evidence = append(p.Evidence, f.evidence(ParamRoadSpeed))
	return true
}

// roadByOutput fills in what output speed says; false where it is no multiple.
func (p *Proposal) roadByOutput(out *Proposal) bool {
	if !roughly(out.s, p.s) {
		return false
	}
	p.Fit = 60 + 20*p.s.fineness() - min(20, 500*strays(out.s, p.s))
	k := ratioOf(out.s, p.s) // raw steps of s for one of output speed
	p.Scale = guessRoad(out.Scale / k)
	p.Guessed, p.Rounded = true, true
	p.Evidence = append(p.Evidence, "a multiple of output speed throughout; the scale is a guess: no answers to compare with")
	return true
}

// usualRoad are the steps of road speeds in km/h; the doubt is how much less usual
// each is than a hundredth, as a logarithm (common practice, no source).
var usualRoad = []scaling{
	{0.01, 0}, {1.0 / 256, 0.4}, {1.0 / 128, 0.7}, {0.0625, 0.4}, {0.1, 0.4}, {0.05, 0.9}, {0.02, 1}, {0.5, 1}, {1, 0.7}, {1.0 / 64, 1}, {1.0 / 32, 1}, {0.125, 1}, {0.2, 1.2},
}

// guessRoad is the most usual step of a road speed of which one raw step is rpm
// of the output shaft: 17 to 43 rpm make 1 km/h in most road vehicles (common
// practice, no source).
func guessRoad(rpm float64) (step float64) {
	best := math.Inf(1)
	for _, u := range usualRoad {
		d := math.Log(rpm/u.value/27) / 0.45
		if cost := d*d + u.doubt; cost < best {
			best, step = cost, u.value
		}
	}
	return step
}

// roughly is follows for a road speed, which may be filtered.
func roughly(a, b *series) bool {
	ratio := ratioOf(a, b)
	return within(a, b, ratio, 0.03*b.top+1+ratio, 30)
}

// strays is how far b lies from a multiple of a in the mean, as a share of its top:
// bits of something else at its lower end show.
func strays(a, b *series) float64 {
	ratio := ratioOf(a, b)
	sum, n := 0.0, 0
	for i, v := range a.grid {
		if w := b.grid[i]; !math.IsNaN(v + w) {
			sum += math.Abs(w - ratio*v)
			n++
		}
	}
	return sum / b.top / float64(max(n, 1))
}

// ratioOf is the ratio of b to a in raw steps, where both are well above 0.
func ratioOf(a, b *series) float64 {
	var sa, sb float64
	for i, v := range a.grid {
		if w := b.grid[i]; v > 0.2*a.top && w > 0 {
			sa += v
			sb += w
		}
	}
	if sa == 0 || sb == 0 {
		return b.top / a.top
	}
	return sb / sa
}

// wheels finds wheel speeds: three or more fields of one message that stand and
// run alike.
func (a *analysis) wheels() map[*series]bool {
	out := map[*series]bool{}
	for _, s := range a.pool {
		var alike []*series
		for _, o := range a.pool {
			if o.t != s.t || o == s || o.overlaps(s) || math.Abs(ratioOf(s, o)-1) > 0.03 || !roughly(s, o) {
				continue
			}
			if !slices.ContainsFunc(alike, o.overlaps) {
				alike = append(alike, o)
			}
		}
		if len(alike) < 2 {
			continue
		}
		out[s] = true
		if !slices.ContainsFunc(a.result.Wheels, func(p Proposal) bool { return p.s.overlaps(s) }) {
			p := s.proposal(0)
			p.Evidence = []string{fmt.Sprintf("runs and stands like %d others of its message", len(alike))}
			a.result.Wheels = append(a.result.Wheels, p)
		}
	}
	return out
}
