package find

import (
	"fmt"
	"math"
	"slices"

	"joltwatch/stream"
)

// leastPedal is how many answers show which bits of a field are the pedal's: half
// a minute's.
const leastPedal = 150

// pedal finds the accelerator: by the answers, else as what rests at its end
// while the vehicle brakes or stands and leaves it to accelerate.
func (a *analysis) pedal() {
	res := RoleResult{Role: stream.Accelerator}
	defer func() { a.result.Roles = append(a.result.Roles, res) }()
	if a.pedalByAnswers(&res) {
		return
	}
	rate, speed, ok := a.motion()
	if !ok {
		res.Why = "no answers for the pedal, and no road or output speed to tell braking from accelerating"
		return
	}
	a.numbers(func(s *series) {
		if a.taken(s) {
			return
		}
		if p, ok := s.pedalByMotion(rate, speed); ok {
			res.Proposals = append(res.Proposals, p)
		}
	})
	res.rank()
	best := res.Proposals
	res.Found = len(best) > 0 && (best[0].Fit >= 60 || best[0].Fit >= 50 && (len(best) == 1 || best[1].Fit < best[0].Fit-10))
	if !res.Found {
		res.Why = "nothing rests while braking and standing and moves while accelerating as a pedal does"
	}
}

// pedalByAnswers fills in what follows the answers for the pedal, or for the
// throttle; false where nothing does.
func (a *analysis) pedalByAnswers(res *RoleResult) bool {
	for _, q := range []Parameter{ParamPedalD, ParamRelPedal, ParamPedalE, ParamThrottle} {
		ref := a.s.answers.get(q)
		if ref == nil {
			continue
		}
		a.numbers(func(s *series) {
			f := s.fitTo(ref)
			if f.r2 < 0.85 || f.scale <= 0 {
				return
			}
			p := s.proposal(100 * (f.r2 - 0.05 + 0.05*s.fineness()))
			p.Scale, p.Offset, p.Rounded = f.round(0.015, 100, percentScalings())
			p.Evidence = []string{f.evidence(q)}
			res.Proposals = append(res.Proposals, p)
		})
		res.rank()
		if len(res.Proposals) > 0 {
			res.Found = res.Proposals[0].Fit >= 90 && ref.seen >= leastPedal
			if !res.Found {
				res.Why = "not found: fields follow the answers for the pedal only roughly, or there are too few answers to tell which bits belong to it"
			}
			return true
		}
	}
	return false
}

// pedalByMotion proposes the series where it is at its lower end while the vehicle
// brakes or stands, off it while it accelerates, and the higher the more it does.
func (s *series) pedalByMotion(rate, speed []float64) (p Proposal, ok bool) {
	var resting, pressed tries
	var along correlation
	span := s.hi - s.lo
	for i, v := range s.grid {
		if math.IsNaN(v + rate[i] + speed[i]) {
			continue
		}
		switch {
		case rate[i] < -0.03 || speed[i] < 0.004 && rate[i] <= 0.002:
			resting.add(v <= s.lo+0.02*span)
		case rate[i] > 0.03 && speed[i] > 0.02:
			pressed.add(v > s.lo+0.05*span)
		}
		if speed[i] > 0.02 && rate[i] > -0.02 {
			along.add(v, rate[i])
		}
	}
	if resting.n < 50 || pressed.n < 50 || along.n < 50 {
		return p, false
	}
	informed := resting.share() + pressed.share() - 1
	score := 0.6*informed + 0.4*math.Max(0, along.coefficient())
	if informed < 0.5 || score < 0.5 {
		return p, false
	}
	p = s.proposal(85 * score)
	// A pedal goes to 100 %; a drive without full pedal leaves the scale
	// open.
	p.Scale, p.Guessed = 100/float64(s.full().mask()), true
	if s.run.length <= 8 {
		p.Scale, p.Rounded = 0.4, true
	}
	p.Offset = -s.lo * p.Scale
	p.Evidence = []string{fmt.Sprintf("at its lower end in %.0f %% of braking and standing, off it in %.0f %% of accelerating; the scale is a guess", resting.percent(), pressed.percent())}
	return p, true
}

// correlation gathers pairs for Pearson's coefficient.
type correlation struct{ n, x, y, xx, yy, xy float64 }

func (c *correlation) add(x, y float64) {
	c.n++
	c.x += x
	c.y += y
	c.xx += x * x
	c.yy += y * y
	c.xy += x * y
}

func (c *correlation) coefficient() float64 {
	return (c.n*c.xy - c.x*c.y) / math.Sqrt(math.Max(1e-30, (c.n*c.xx-c.x*c.x)*(c.n*c.yy-c.y*c.y)))
}

// taken says whether the series is one of the shaft speeds found.
func (a *analysis) taken(s *series) bool {
	for _, r := range []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed, stream.VehicleSpeed} {
		if p := a.result.Best(r); p != nil && p.s.overlaps(s) {
			return true
		}
	}
	return false
}

// numbers calls f with the series that may be a pedal: the pool, and shorter fields
// that step more than a speed does, one after another.
func (a *analysis) numbers(f func(*series)) {
	have := map[*traffic][]run{}
	var room []float64
	for _, s := range a.pool {
		have[s.t] = append(have[s.t], s.run)
		f(s)
	}
	for i := range a.ids {
		id := &a.ids[i]
		if a.s.answers.sender(id.ID) || id.Period > 300_000 {
			continue
		}
		id.candidates(func(t *traffic, m *Mux, value uint64, r run) {
			if r.length > 12 || r.signed {
				return
			}
			if slices.Contains(have[t], r) {
				return
			}
			s := newSeries(t, r, 12, &room)
			if s == nil || s.rough > 0.25 {
				return
			}
			s.v = slices.Clone(s.v)
			s.mux, s.muxValue = m, value
			s.onGrid(&a.grid)
			if s.top > 0 {
				f(s)
			}
		})
	}
}
