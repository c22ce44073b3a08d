package find

import (
	"fmt"
	"math"
	"math/bits"
	"sort"

	"joltwatch/bus"
	"joltwatch/stream"
)

// road finds road speeds: what follows the answers to the request for it, or,
// without those, what is a multiple of output speed.
func (a *analysis) road() {
	res := RoleResult{Role: stream.VehicleSpeed}
	nice := []scaling{}
	for _, v := range []float64{0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 1.0 / 8, 1.0 / 16, 1.0 / 32, 1.0 / 64, 1.0 / 128, 1.0 / 256} {
		nice = append(nice, scaling{v, 0})
	}
	known := a.s.answers.get(ParamRoadSpeed) != nil
	out := a.result.Best(stream.OutputSpeed)
	for _, s := range a.pool {
		if a.trio != nil && (s == a.trio.engine || s == a.trio.turbine || out != nil && out.s.overlaps(s)) || s.period > 1_000_000 {
			continue
		}
		p := a.proposal(s, stream.VehicleSpeed, 0)
		switch f := a.roadFit[s]; {
		case known:
			if f.r2 < 0.95 {
				continue
			}
			p.Fit = 100 * (f.r2 - 0.08 + 0.05*s.fineness())
			p.Scale, p.Offset = f.scale, f.offset
			if v, ok := plausible(f.scale, 0.012, nice); ok {
				p.Scale, p.Rounded = v, true
				p.Fit += 3
			}
			// The answers are cut to whole km/h, so half of one is no offset.
			if math.Abs(p.Offset) < 1.5 {
				p.Offset = 0
			}
			p.Evidence = append(p.Evidence, fmt.Sprintf("%d answers to the standard request for road speed fit with %.1f %% of their variance explained, within %.1f km/h", f.n, 100*f.r2, f.rms))
		case out != nil:
			if !roughly(out.s, s) {
				continue
			}
			p.Fit = 60 + 20*s.fineness() - min(20, 500*strays(out.s, s))
			k := ratioOf(out.s, s) // raw steps of s for one of output speed
			p.Scale = guessRoad(out.Scale / k)
			p.Guessed, p.Rounded = true, true
			p.Evidence = append(p.Evidence, "a multiple of output speed throughout; the scale is a guess: no answers to compare with")
		default:
			continue
		}
		res.Proposals = append(res.Proposals, p)
	}
	sort.SliceStable(res.Proposals, func(i, j int) bool { return res.Proposals[i].Fit > res.Proposals[j].Fit })
	res = cut(res)
	res.Found = len(res.Proposals) > 0 && (!known || a.roadFit[res.Proposals[0].s].r2 > leastR2)
	if !res.Found {
		res.Why = "no field follows the answers for road speed or is a multiple of output speed"
	}
	if best := first(&res); best != nil && out != nil && known {
		// Output rpm for 1 km/h, from the road speed found.
		k := ratioOf(best.s, out.s)
		a.result.OutputPerKmh = k * out.Scale / best.Scale
	}
	a.result.Roles = append(a.result.Roles, res)
}

// usualRoad are the steps of road speeds in km/h, with how much less usual each
// is than a hundredth, as a logarithm (common practice, no source).
var usualRoad = []struct{ step, less float64 }{
	{0.01, 0}, {1.0 / 256, 0.4}, {1.0 / 128, 0.7}, {0.0625, 0.4}, {0.1, 0.4}, {0.05, 0.9}, {0.02, 1}, {0.5, 1}, {1, 0.7}, {1.0 / 64, 1}, {1.0 / 32, 1}, {0.125, 1}, {0.2, 1.2},
}

// guessRoad is the most usual step of a road speed of which one raw step is rpm
// of the output shaft: 17 to 43 rpm make 1 km/h in most road vehicles (common
// practice, no source).
func guessRoad(rpm float64) (step float64) {
	best := math.Inf(1)
	for _, u := range usualRoad {
		d := math.Log(rpm/u.step/27) / 0.45
		if cost := d*d + u.less; cost < best {
			best, step = cost, u.step
		}
	}
	return step
}

// roughly is follows for a road speed, which may be filtered.
func roughly(a, b *series) bool {
	ratio := ratioOf(a, b)
	off, n := 0, 0
	for i, v := range a.grid {
		w := b.grid[i]
		if math.IsNaN(v + w) {
			continue
		}
		n++
		if math.Abs(w-ratio*v) > 0.03*b.top+1+ratio {
			off++
		}
	}
	return n > 0 && off <= n/30
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

func first(r *RoleResult) *Proposal {
	if !r.Found || len(r.Proposals) == 0 {
		return nil
	}
	return &r.Proposals[0]
}

// steps are the values of a short field, held, at the common instants; -1
// where not there.
func (a *analysis) steps(t *traffic, r run) []int16 {
	out := make([]int16, len(a.grid.at))
	at, value := int32(-1), int16(-1)
	for i, k := range a.heldFrames(t) {
		if k != at {
			at, value = k, -1
			if k >= 0 {
				value = int16(r.raw(t.rec.payload(int(k))))
			}
		}
		out[i] = value
	}
	return out
}

// heldFrames are the kept frames that hold at the common instants; -1 for none.
// The last traffic asked for is remembered: fields are tried one after another.
func (a *analysis) heldFrames(t *traffic) []int32 {
	if a.heldOf == t {
		return a.held
	}
	a.heldOf, a.held = t, make([]int32, len(a.grid.at))
	k := -1
	reach := max(4*t.intervals.quantile(0.5), 500_000)
	for i, at := range a.grid.at {
		for k+1 < t.rec.len() && t.rec.at[k+1] <= at {
			k++
		}
		a.held[i] = -1
		if k >= 0 && at-t.rec.at[k] <= reach {
			a.held[i] = int32(k)
		}
	}
	return a.held
}

// mostChanges is how often a second the bits of a gear change at most.
const mostChanges = 3

// restless says whether a bit of the run changes more often than a state does.
func (a *analysis) restless(t *traffic, r run) bool {
	most := int(mostChanges*a.s.Duration().Seconds()) + 20
	s, b := t.words[r.word], r.bits()
	for ; b != 0; b &= b - 1 {
		if s.flip.count(bits.TrailingZeros64(b)) > most {
			return true
		}
	}
	return false
}

// shorts calls f with each run of 2 to 5 bits, and each whole byte, that
// changes and may be a state.
func (a *analysis) shorts(f func(id *Identifier, r run)) {
	for i := range a.ids {
		id := &a.ids[i]
		for w, s := range id.t.words {
			if s == nil || id.t.intervals.quantile(0.5) > 1_000_000 {
				continue
			}
			active := id.usable[w] & s.active()
			if w == 0 && id.Mux != nil {
				active &^= id.Mux.bits
			}
			for b := 0; b < 64; b++ {
				if active>>b&1 == 0 {
					continue
				}
				for n := 2; n <= 5 && b+n <= 64; n++ {
					if active>>(b+n-1)&1 == 0 {
						continue
					}
					f(id, run{word: w, shift: b, length: n})
				}
			}
			for b := 0; b < min(8, id.t.maxLen-8*w); b++ {
				r := run{word: w, shift: 8 * b, length: 8}
				if bits.OnesCount64(r.bits()&active) >= 6 {
					f(id, r)
				}
			}
		}
	}
}

// gear finds the integer that switches with the ratio of turbine to output
// speed.
func (a *analysis) gear() {
	res := RoleResult{Role: stream.Gear}
	defer func() { a.result.Roles = append(a.result.Roles, res) }()
	out := a.result.Best(stream.OutputSpeed)
	if out == nil || a.result.Best(stream.TurbineSpeed) == nil {
		res.Why = "the gear is found by the ratio of turbine to output speed, and those were not found"
		return
	}
	t := a.trio
	n := len(a.grid.at)
	var of nearby
	of.set(t.gears)
	ladder := make([]int, n)
	inGear := 0
	for i := range ladder {
		ladder[i] = -1
		if !math.IsNaN(t.turbine.log[i]-t.output.log[i]) && t.output.grid[i] > 0.05*t.output.top {
			if ladder[i] = of.in(t.output, t.turbine, i); ladder[i] >= 0 {
				inGear++
			}
		}
	}
	if inGear < 200 {
		res.Why = "too little time in gear"
		return
	}
	var down []Proposal
	a.shorts(func(id *Identifier, r run) {
		if t.engine.run.bits()&r.bits() != 0 && t.engine.t.ID == id.ID || t.output.t.ID == id.ID && t.output.run.bits()&r.bits() != 0 ||
			t.turbine.t.ID == id.ID && t.turbine.run.bits()&r.bits() != 0 || a.restless(id.t, r) {
			return
		}
		v := a.steps(id.t, r)
		var count [14][256]int
		var seen [256]bool
		values, total := 0, 0
		for i, g := range ladder {
			if v[i] < 0 {
				continue
			}
			if !seen[v[i]] {
				seen[v[i]] = true
				values++
			}
			if g >= 0 {
				count[g][v[i]]++
				total++
			}
		}
		if total < inGear/2 || values > 20 {
			return
		}
		pure, used := 0, map[int]bool{}
		most := make([]int, len(t.gears))
		for g := range t.gears {
			for x, c := range count[g] {
				if c > count[g][most[g]] {
					most[g] = x
				}
			}
			if used[most[g]] && count[g][most[g]] > 0 {
				return // two gears, one value
			}
			used[most[g]] = true
			pure += count[g][most[g]]
		}
		purity := float64(pure) / float64(total)
		if purity < 0.8 {
			return
		}
		rising, falling, byOne := true, true, true
		for g := 1; g < len(most); g++ {
			rising = rising && most[g] > most[g-1]
			falling = falling && most[g] < most[g-1]
			byOne = byOne && most[g] == most[g-1]+1
		}
		p := Proposal{ID: id.ID, Field: r.field(), Scale: 1, Period: id.Period, Fit: 100 * purity}
		if !rising {
			p.Fit -= 20
			if falling && purity > 0.95 && len(most) > 2 {
				down = append(down, p)
			}
		} else if !byOne {
			p.Fit -= 3
		}
		// Of those that say the same, four bits first: there is more to say
		// than the gears (neutral, park), and a longer one takes in what is
		// beside it.
		p.Fit -= 0.3 * math.Abs(float64(min(r.length, 6)-4))
		p.States = map[int64]int64{}
		for g := range most {
			p.States[int64(most[g])] = int64(g + 1)
		}
		text := ""
		for g := range most {
			if g > 0 {
				text += ", "
			}
			text += fmt.Sprint(most[g])
		}
		p.Evidence = []string{fmt.Sprintf("has one value for each of the %d ratios of turbine to output speed in %.1f %% of the time in gear; from the lowest gear: %s", len(t.gears), 100*purity, text)}
		p.s = &series{t: id.t, run: r}
		res.Proposals = append(res.Proposals, p)
	})
	sort.SliceStable(res.Proposals, func(i, j int) bool { return res.Proposals[i].Fit > res.Proposals[j].Fit })
	res = cut(res)
	res.Found = len(res.Proposals) > 0
	if res.Found && len(down) > 0 && res.Proposals[0].Fit < 90 {
		a.upsideDown()
		res.Found, res.Why = false, "the only code that switches with the ratio counts down from the lowest gear: the speeds may be upside down"
	}
	for i := range res.Proposals {
		p := &res.Proposals[i]
		if r, ok := widen(p.s); ok {
			p.Field = r.field()
		}
	}
	if !res.Found {
		res.Why = "no field switches with the ratio of turbine to output speed"
	}
}

// upsideDown takes the claims of the speeds back.
func (a *analysis) upsideDown() {
	for i := range a.result.Roles {
		switch r := &a.result.Roles[i]; r.Role {
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

// motion is the acceleration of the output shaft (or the road speed) relative
// to its top, by half-second differences, NaN where unknown, and the speed.
func (a *analysis) motion() (rate, speed []float64, ok bool) {
	var s *series
	if p := a.result.Best(stream.OutputSpeed); p != nil {
		s = p.s
	} else if p := a.result.Best(stream.VehicleSpeed); p != nil {
		s = p.s
	} else {
		return nil, nil, false
	}
	k := max(1, int(0.25/a.step))
	rate = make([]float64, len(s.grid))
	speed = make([]float64, len(s.grid))
	for i := range rate {
		rate[i] = math.NaN()
		speed[i] = s.grid[i] / s.top
		if i >= k && i+k < len(rate) && a.grid.at[i+k]-a.grid.at[i-k] < 2*bus.Micros(k)*a.grid.step+10_000 {
			rate[i] = (s.grid[i+k] - s.grid[i-k]) / s.top / (2 * float64(k) * a.step)
		}
	}
	return rate, speed, true
}

// leastPedal is how many answers show which bits of a field are the pedal's: half
// a minute's.
const leastPedal = 150

// pedal finds the accelerator: by the answers, else as what rests at its end
// while the vehicle brakes or stands and leaves it to accelerate.
func (a *analysis) pedal() {
	res := RoleResult{Role: stream.Accelerator}
	defer func() { a.result.Roles = append(a.result.Roles, res) }()
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
			p := a.proposal(s, stream.Accelerator, 100*(f.r2-0.05+0.05*s.fineness()))
			p.Scale, p.Offset, p.Rounded = f.round(0.015, 100, percentScalings())
			p.Evidence = []string{fmt.Sprintf("%d answers to the standard request for %s fit with %.1f %% of their variance explained, within %.1f %%", f.n, parameters[q].name, 100*f.r2, f.rms)}
			res.Proposals = append(res.Proposals, p)
		})
		sort.SliceStable(res.Proposals, func(i, j int) bool { return res.Proposals[i].Fit > res.Proposals[j].Fit })
		res = cut(res)
		if len(res.Proposals) > 0 {
			res.Found = res.Proposals[0].Fit >= 90 && ref.seen >= leastPedal
			if !res.Found {
				res.Why = "not found: fields follow the answers for the pedal only roughly, or there are too few answers to tell which bits belong to it"
			}
			return
		}
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
		rest, left, nRest, nLeft := 0.0, 0.0, 0, 0
		var sp, sr, spp, srr, spr, n float64
		span := s.hi - s.lo
		for i, v := range s.grid {
			v += s.zero
			if math.IsNaN(v + rate[i] + speed[i]) {
				continue
			}
			switch {
			case rate[i] < -0.03 || speed[i] < 0.004 && rate[i] <= 0.002:
				nRest++
				if v <= s.lo+0.02*span {
					rest++
				}
			case rate[i] > 0.03 && speed[i] > 0.02:
				nLeft++
				if v > s.lo+0.05*span {
					left++
				}
			}
			if speed[i] > 0.02 && rate[i] > -0.02 {
				n++
				sp += v
				sr += rate[i]
				spp += v * v
				srr += rate[i] * rate[i]
				spr += v * rate[i]
			}
		}
		if nRest < 50 || nLeft < 50 || n < 50 {
			return
		}
		informed := rest/float64(nRest) + left/float64(nLeft) - 1
		corr := (n*spr - sp*sr) / math.Sqrt(math.Max(1e-30, (n*spp-sp*sp)*(n*srr-sr*sr)))
		score := 0.6*informed + 0.4*math.Max(0, corr)
		if informed < 0.5 || score < 0.5 {
			return
		}
		p := a.proposal(s, stream.Accelerator, 85*score)
		// A pedal goes to 100 %; a drive without full pedal leaves the scale
		// open.
		p.Scale, p.Guessed = 100/float64(s.full().mask()), true
		if s.run.length <= 8 {
			p.Scale, p.Rounded = 0.4, true
		}
		p.Offset = -s.lo * p.Scale
		p.Evidence = []string{fmt.Sprintf("at its lower end in %.0f %% of braking and standing, off it in %.0f %% of accelerating; the scale is a guess", 100*rest/float64(nRest), 100*left/float64(nLeft))}
		res.Proposals = append(res.Proposals, p)
	})
	sort.SliceStable(res.Proposals, func(i, j int) bool { return res.Proposals[i].Fit > res.Proposals[j].Fit })
	res = cut(res)
	res.Found = len(res.Proposals) > 0 && (res.Proposals[0].Fit >= 60 ||
		res.Proposals[0].Fit >= 50 && (len(res.Proposals) == 1 || res.Proposals[1].Fit < res.Proposals[0].Fit-10))
	if !res.Found {
		res.Why = "nothing rests while braking and standing and moves while accelerating as a pedal does"
	}
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
			for _, h := range have[t] {
				if h == r {
					return
				}
			}
			s := newSeries(t, r, 12)
			if s == nil || s.rough > 0.25 {
				return
			}
			s.mux, s.muxValue = m, value
			s.onGrid(&a.grid)
			if s.top > 0 {
				f(s)
			}
		})
	}
}

// brake finds the bit that is set while the vehicle slows down hard.
func (a *analysis) brake() {
	res := RoleResult{Role: stream.Brake}
	defer func() { a.result.Roles = append(a.result.Roles, res) }()
	rate, speed, ok := a.motion()
	if !ok {
		res.Why = "no road or output speed to tell braking by"
		return
	}
	var falls []float64
	for i, r := range rate {
		if r < -0.01 && speed[i] > 0.05 {
			falls = append(falls, r)
		}
	}
	if float64(len(falls))*a.step < 3 {
		res.Why = "the vehicle hardly slowed down in this recording"
		return
	}
	sort.Float64s(falls)
	hard := quantile(falls, 0.25)
	for i := range a.ids {
		id := &a.ids[i]
		if a.s.answers.sender(id.ID) || id.Period > 500_000 {
			continue
		}
		for w, s := range id.t.words {
			if s == nil {
				continue
			}
			active := id.usable[w] & s.active()
			if w == 0 && id.Mux != nil {
				active &^= id.Mux.bits
			}
			for b := range 64 {
				if active>>b&1 == 0 || s.flip.count(b) < 2 || s.flip.count(b) > s.n/15+8 {
					continue
				}
				r := run{word: w, shift: b, length: 1}
				v := a.steps(id.t, r)
				on, off, nOn, nOff := 0.0, 0.0, 0, 0
				for i := range v {
					if v[i] < 0 || math.IsNaN(rate[i]) {
						continue
					}
					switch {
					case rate[i] <= hard && speed[i] > 0.05:
						nOn++
						on += float64(v[i])
					case rate[i] > 0.005 && speed[i] > 0.05:
						nOff++
						off += float64(v[i])
					}
				}
				if nOn < 60 || nOff < 60 {
					continue
				}
				informed := on/float64(nOn) - off/float64(nOff)
				if informed < 0.75 {
					continue
				}
				p := Proposal{ID: id.ID, Field: r.field(), Scale: 1, Period: id.Period, Fit: 100*informed - 5*float64(id.inNumber(w, b))}
				p.Evidence = []string{fmt.Sprintf("set in %.0f %% of hard slowing down and in %.0f %% of speeding up", 100*on/float64(nOn), 100*off/float64(nOff))}
				p.s = &series{t: id.t, run: r}
				res.Proposals = append(res.Proposals, p)
			}
		}
	}
	sort.SliceStable(res.Proposals, func(i, j int) bool { return res.Proposals[i].Fit > res.Proposals[j].Fit })
	res = cut(res)
	res.Found = len(res.Proposals) > 0 && res.Proposals[0].Fit >= 80
	if !res.Found {
		res.Why = "no bit is set while slowing down and clear while speeding up"
	}
}

// inNumber is 1 where the bit lies in a field of five bits or more.
func (id *Identifier) inNumber(word, bit int) int {
	for _, f := range id.Fields {
		if f.Length < 5 {
			continue
		}
		r := runFromField(f)
		if r.word == word && r.bits()>>bit&1 != 0 {
			return 1
		}
	}
	return 0
}

// runFromField is the inverse of run.field.
func runFromField(f Field) run {
	r := run{word: f.Start / 64, length: f.Length, big: f.BigEndian, signed: f.Signed}
	at := f.Start % 64
	if !f.BigEndian {
		r.shift = at
		return r
	}
	top := (7-at/8)*8 + at%8
	r.shift = top - f.Length + 1
	return r
}
