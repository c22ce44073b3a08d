package find

import (
	"fmt"
	"math"

	"joltwatch/stream"
)

// gear finds the integer that switches with the ratio of turbine to output
// speed.
func (a *analysis) gear() {
	res := RoleResult{Role: stream.Gear}
	defer func() { a.result.Roles = append(a.result.Roles, res) }()
	if a.result.Best(stream.OutputSpeed) == nil || a.result.Best(stream.TurbineSpeed) == nil {
		res.Why = "the gear is found by the ratio of turbine to output speed, and those were not found"
		return
	}
	driven, inGear := a.gearsDriven()
	if inGear < 200 {
		res.Why = "too little time in gear"
		return
	}
	down := false // a code that counts down from the lowest gear
	var c codeCounts
	a.shorts(func(id *Identifier, r run) {
		if a.triple.takes(id.ID, r) || a.restless(id.t, r) || id.t.words[r.word].changes(r) < len(a.triple.gears)-1 {
			return
		}
		c.count(a.steps(id.t, r), driven)
		if c.total < inGear/2 || c.values > mostCodes {
			return
		}
		codes, purity := c.codes(len(a.triple.gears))
		if codes == nil || purity < 0.8 {
			return
		}
		res.Proposals = append(res.Proposals, gearProposal(id, r, codes, purity))
		down = down || len(codes) > 2 && purity > 0.95 && falling(codes)
	})
	res.rank()
	for i := range res.Proposals {
		p := &res.Proposals[i]
		if r, ok := widen(p.s); ok {
			p.Field = r.field()
		}
	}
	switch {
	case len(res.Proposals) == 0:
		res.Why = "no field switches with the ratio of turbine to output speed"
	case down && res.Proposals[0].Fit < 90:
		a.upsideDown()
		res.Why = "a code that switches with the ratio of turbine to output speed counts down from the lowest gear, so engine and output may be upside down"
	default:
		res.Found = true
	}
}

// gearsDriven is the gear that the ratio of turbine to output speed shows at each
// instant, -1 for none, and how often it shows one.
func (a *analysis) gearsDriven() (driven []int8, inGear int) {
	o := a.triple.output
	_, driven = a.triple.gearsDriven(where(len(o.grid), func(i int) bool { return o.grid[i] > 0.05*o.top }))
	for _, g := range driven {
		if g >= 0 {
			inGear++
		}
	}
	return driven, inGear
}

// mostCodes is how many values a gear has at most.
const mostCodes = 20

// codeCounts is how often a field held each of its values in each gear.
type codeCounts struct {
	in            [14][256]int
	values, total int // different values at all; instants in gear
}

func (c *codeCounts) count(v []int16, driven []int8) {
	*c = codeCounts{}
	var seen [256]bool
	for i, g := range driven {
		if v[i] < 0 {
			continue
		}
		if !seen[v[i]] {
			seen[v[i]] = true
			if c.values++; c.values > mostCodes {
				return
			}
		}
		if g >= 0 {
			c.in[g][v[i]]++
			c.total++
		}
	}
}

// codes are the values that the field held most of the time in each of the gears,
// and the share of the time that it did; nil where two gears have one value.
func (c *codeCounts) codes(gears int) (most []int, purity float64) {
	pure, used := 0, map[int]bool{}
	for g := range gears {
		code := 0
		for x, n := range c.in[g] {
			if n > c.in[g][code] {
				code = x
			}
		}
		n := c.in[g][code]
		if used[code] && n > 0 {
			return nil, 0
		}
		used[code] = true
		most = append(most, code)
		pure += n
	}
	return most, float64(pure) / float64(c.total)
}

// gearProposal proposes a field that holds one of the codes in each gear.
func gearProposal(id *Identifier, r run, codes []int, purity float64) Proposal {
	p := Proposal{ID: id.ID, Field: r.field(), Scale: 1, Period: id.Period, Fit: 100 * purity, States: map[int64]int64{}, s: &series{t: id.t, run: r}}
	rising, byOne := true, true
	for g, code := range codes {
		p.States[int64(code)] = int64(g + 1)
		if g > 0 {
			rising = rising && code > codes[g-1]
			byOne = byOne && code == codes[g-1]+1
		}
	}
	switch {
	case !rising:
		p.Fit -= 20
	case !byOne:
		p.Fit -= 3
	}
	// Of those that say the same, four bits first: there is more to say
	// than the gears (neutral, park), and a longer one takes in what is
	// beside it.
	p.Fit -= 0.3 * math.Abs(float64(min(r.length, 6)-4))
	p.Evidence = []string{fmt.Sprintf("has one value for each of the %d ratios of turbine to output speed in %.1f %% of the time in gear; from the lowest gear: %s", len(codes), 100*purity, list("%d", codes))}
	return p
}

func falling(codes []int) bool {
	for g := 1; g < len(codes); g++ {
		if codes[g] >= codes[g-1] {
			return false
		}
	}
	return true
}

// upsideDown takes the claims of the speeds back, and what they told of the vehicle.
func (a *analysis) upsideDown() {
	res := a.result
	res.IdleRPM, res.OutputPerKmh, res.Ratios, res.FirstGear = 0, 0, nil, false
	for i := range res.Roles {
		switch r := &res.Roles[i]; r.Role {
		case stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed, stream.VehicleSpeed:
			r.Found, r.Why = false, "not found: a gear code counts down where the gears go up, so engine and output may be upside down"
		}
	}
}

// widen extends a state to four bits, or to its byte's end, over bits that were
// never set.
func widen(s *series) (run, bool) {
	r := s.run
	for r.length < 4 && (r.shift+r.length)%8 != 0 && s.t.words[r.word].everSet>>(r.shift+r.length)&1 == 0 {
		r.length++
	}
	return r, r.length != s.run.length
}
