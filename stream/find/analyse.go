package find

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"joltwatch/stream"
)

// Progress is told how far the analysis is, in steps.
type Progress func(done, total int)

// Bounds of what counts as found, on the scale of trio.score (at most 1.17)
// and of the shares named.
const (
	mostScore  = 1.17
	leastScore = 1.0
	// roadScore is asked where no standstill was seen, which shows most.
	roadScore = 1.05
	// margin is by how much a claim has to be ahead of the next that is not
	// the same speed once more.
	margin     = 0.02
	clearScore = 1.05 // no other start needs to be tried
	leastR2    = 0.98
	// mostStepped is the share of time in gear that a turbine may stand at another
	// gear's ratio to the engine: a converter slips by no fixed ratio.
	mostStepped  = 0.09
	mostRivals   = 6
	enoughLooked = 1500 // instants, for the first look at all there is
	leastAnswers = 10
)

// analysis is one run over a survey.
type analysis struct {
	s      *Survey
	grid   instants
	step   float64 // s
	ids    []Identifier
	pool   []*series // all that may be numbers with inertia
	result *Result

	engineFit, roadFit map[*series]fit
	heldOf             *traffic // see heldFrames
	held               []int32
	// What the trio settled on; nil where none was found.
	trio                       *trio
	engines, turbines, outputs []*trio
}

// Analyse works out what the survey has seen. The survey may go on afterwards.
func (s *Survey) Analyse(progress Progress) *Result {
	if progress == nil {
		progress = func(int, int) {}
	}
	a := &analysis{s: s, grid: s.instants(), result: &Result{Duration: s.Duration(), Frames: s.Frames, Unfollowed: s.Unfollowed, Backwards: s.Backwards}}
	a.step = a.grid.step.Seconds()
	if d := s.Duration().Seconds(); d > 0 {
		a.result.Kept = math.Min(1, float64(len(a.grid.at))*a.step/d)
	}
	const steps = 6
	rs := rules()
	for _, t := range s.sorted() {
		a.ids = append(a.ids, t.identify(rs))
	}
	a.result.Identifiers = a.ids
	progress(1, steps)
	a.references()
	a.pool = speeds(a.ids, &a.grid, s.answers.sender)
	progress(2, steps)
	a.fits()
	a.search()
	progress(3, steps)
	a.shafts()
	a.road()
	progress(4, steps)
	a.gear()
	progress(5, steps)
	a.pedal()
	a.brake()
	a.traces()
	progress(6, steps)
	return a.result
}

// traces adds what plots need.
func (a *analysis) traces() {
	r := a.result
	for _, at := range a.grid.at {
		r.Times = append(r.Times, (at - a.s.first).Seconds())
	}
	for i := range r.Roles {
		for k := range r.Roles[i].Proposals {
			p := &r.Roles[i].Proposals[k]
			p.RawMax = runFromField(p.Field).mask()
			if p.s.codes {
				p.RawMax = p.s.run.mask() - 1
			}
			if k > 0 {
				continue
			}
			p.Trace = make([]float64, len(a.grid.at))
			if p.s.grid == nil {
				for j, v := range a.steps(p.s.t, p.s.run) {
					p.Trace[j] = float64(v)
					if v < 0 {
						p.Trace[j] = math.NaN()
					}
				}
				continue
			}
			for j, v := range p.s.grid {
				p.Trace[j] = (v+p.s.zero)*p.Scale + p.Offset
			}
		}
	}
}

func (a *analysis) references() {
	var ps []Parameter
	for p := range a.s.answers.ref {
		ps = append(ps, p)
	}
	sort.Slice(ps, func(i, j int) bool { return ps[i] < ps[j] })
	for _, p := range ps {
		r := a.s.answers.ref[p]
		seen := ReferenceSeen{Parameter: p, Name: parameters[p].name, Unit: parameters[p].unit, Answers: r.seen, Min: math.Inf(1), Max: math.Inf(-1)}
		for _, v := range r.v {
			seen.Min, seen.Max = math.Min(seen.Min, v), math.Max(seen.Max, v)
		}
		for i := 0; i < len(r.v); i += 1 + len(r.v)/600 {
			seen.At = append(seen.At, (r.at[i] - a.s.first).Seconds())
			seen.Values = append(seen.Values, r.v[i])
		}
		a.result.References = append(a.result.References, seen)
	}
}

// fits compares every series with the references.
func (a *analysis) fits() {
	a.engineFit, a.roadFit = map[*series]fit{}, map[*series]fit{}
	engine, road := a.s.answers.get(ParamEngineSpeed), a.s.answers.get(ParamRoadSpeed)
	for _, x := range a.pool {
		if engine != nil {
			a.engineFit[x] = x.fitTo(engine)
		}
		if road != nil {
			a.roadFit[x] = x.fitTo(road)
		}
	}
}

// search finds the three shaft speeds. Wheels follow gears as an output shaft
// does, and each other as engine and turbine do, so they are left out.
func (a *analysis) search() {
	var fast []*series
	wheel := a.wheels()
	for _, s := range quick(a.pool) {
		if !wheel[s] {
			fast = append(fast, s)
		}
	}
	var heads []*series
	for _, c := range classes(fast) {
		heads = append(heads, c[0])
	}
	every := len(a.grid.at) / enoughLooked
	var thin []*series
	for _, s := range heads {
		thin = append(thin, s.thinned(every))
	}
	all := newTrials(a.step * float64(max(1, every))).all(thin)
	if len(all) == 0 {
		return
	}
	// Where answers tell the engine's speed, the engine must follow them.
	known := a.s.answers.get(ParamEngineSpeed) != nil
	var starts []*trio
	whole := newTrials(a.step)
	for _, t := range all {
		if known && a.engineFit[t.engine.whole()].r2 < 0.9 {
			continue
		}
		if w := whole.try(t.engine.whole(), t.turbine.whole(), t.output.whole()); w != nil {
			starts = append(starts, w)
		}
		if len(starts) == 3 {
			break
		}
	}
	for _, t := range starts {
		best, e, b, o := whole.settle(t, fast)
		if a.trio == nil || best.score > a.trio.score {
			a.trio, a.engines, a.turbines, a.outputs = best, e, b, o
		}
		if a.trio.score > clearScore {
			break
		}
	}
	if a.trio == nil {
		return
	}
	a.byRoad()
}

// byRoad puts road speeds behind output speed: of the series that follow the
// gears, one whose step is a plausible one in km/h is a road speed (the answers
// to requests tell), and so are several alike in one message.
func (a *analysis) byRoad() {
	var nice []scaling
	for k := -4; k <= 0; k++ {
		for _, m := range []float64{1, 2, 4, 5, 8, 16, 32, 64} {
			nice = append(nice, scaling{m * math.Pow10(k), 0})
		}
	}
	for k := -10; k <= 0; k++ {
		nice = append(nice, scaling{math.Ldexp(1, k), 0})
	}
	closest := math.Inf(1)
	for _, t := range a.outputs {
		if t.score > a.trio.score-0.1 {
			closest = math.Min(closest, t.width())
		}
	}
	es, _, _, _ := a.engineScaling()
	ts := a.turbineScale(a.trio, es)
	for _, t := range a.outputs {
		// Of a shaft's speed, some plausible scale makes gear ratios that are
		// known; a road speed is off by the final drive and the tyre.
		if _, near := outputScale(t.ratios(ts), ts, true); len(t.gears) >= 3 {
			t.score += 0.05 * math.Exp(-near/0.01)
		}
		if f := a.roadFit[t.output]; f.r2 > leastR2 {
			if _, ok := plausible(f.scale, 0.006, nice); ok {
				t.score -= 0.15
			}
		}
		alike := 0
		for _, o := range a.outputs {
			if o.output.t == t.output.t && !o.output.overlaps(t.output) && math.Abs(ratioOf(o.output, t.output)-1) < 0.012 {
				alike++
			}
		}
		if alike >= 2 {
			t.score -= 0.04
		}
		// Wheels and filtered speeds follow the gears less closely.
		t.score += 0.1 * (closest/t.width() - 1)
	}
	sort.SliceStable(a.outputs, func(i, j int) bool { return a.outputs[i].score > a.outputs[j].score })
	if len(a.outputs) > 0 && a.outputs[0].output != a.trio.output {
		t := *a.outputs[0]
		a.trio = &t
	}
}

// ratios are turbine rpm over raw output in the gears.
func (t *trio) ratios(turbineScale float64) (out []float64) {
	for _, g := range t.gears {
		out = append(out, math.Exp(g.log)*turbineScale)
	}
	return out
}

// engineScaling is rpm for one raw step of the trio's engine speed, and how it
// is known.
func (a *analysis) engineScaling() (scale, offset float64, rounded bool, note string) {
	e := a.trio.engine
	if f := a.engineFit[e]; f.r2 >= leastR2 {
		scale, offset, rounded = f.round(0.01, (e.hi-e.lo)*f.scale, scalings())
		return scale, offset, rounded, fmt.Sprintf("%d answers to the standard request for engine speed fit with %.1f %% of their variance explained, within %.1f rpm", f.n, 100*f.r2, f.rms)
	}
	idle, working := a.engineSpeeds(a.trio)
	scale, note = engineScale(idle, working, math.Exp(a.trio.coupled.log))
	return scale, 0, true, note
}

// turbineScale is the turbine's scale that the closed clutch makes of the
// engine's.
func (a *analysis) turbineScale(t *trio, engine float64) float64 {
	measured := engine / math.Exp(t.coupled.log)
	if v, ok := plausible(measured, 0.025, scalings()); ok {
		return v
	}
	return measured
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
			p := a.proposal(s, stream.VehicleSpeed, 0)
			p.Evidence = []string{fmt.Sprintf("runs and stands like %d others of its message", len(alike))}
			a.result.Wheels = append(a.result.Wheels, p)
		}
	}
	return out
}

// proved says whether the recording has shown that the three are what they
// seem: at standstill the engine idles and the turbine is held; or the answers
// tell the engine, or on the road the three do all that can be seen there.
func (a *analysis) proved(t *trio) bool {
	if t.stepped > mostStepped || t.runs < 0.97 || t.coupled.share > 0.95 || t.judged < leastScore {
		return false
	}
	if float64(t.standN)*a.step >= 0.8 {
		return t.stand >= 0.9 && t.held >= 0.2
	}
	if t.judged < roadScore {
		return false
	}
	return a.engineFit[t.engine].r2 >= 0.99 || len(t.gears) >= 3 && t.facesN >= 25 && a.ahead(t)
}

// ahead reports whether no other speed does nearly as well as the engine.
func (a *analysis) ahead(t *trio) bool {
	for _, x := range a.engines {
		if x.judged > t.judged-margin && !x.engine.overlaps(t.engine) && !roughly(t.engine, x.engine) {
			return false
		}
	}
	return true
}

// told says whether turbine and engine were ever seen apart: if not, one may
// be a copy of the other.
func (t *trio) told(step float64) bool {
	return t.facesN >= 25 && t.faces >= 0.6 || t.held >= 0.02 && float64(t.standN)*step >= 0.8
}

// shafts turns the trio into proposals with scales.
func (a *analysis) shafts() {
	r := a.result
	engine := RoleResult{Role: stream.EngineSpeed}
	turbine := RoleResult{Role: stream.TurbineSpeed}
	output := RoleResult{Role: stream.OutputSpeed}
	t := a.trio
	known := a.s.answers.get(ParamEngineSpeed) != nil
	good := t != nil && t.told(a.step) && a.proved(t)

	if !good {
		why := "not found: no three speeds do together what engine, turbine and output shaft do; what is listed is the nearest to it. They may not be sent on this bus, there may be no converter (a manual or twin-clutch gearbox, an electric drive), or the drive did not show them apart (see --recipe)"
		if t != nil && t.coupled.share > 0.95 {
			why = "not found: the nearest to engine and turbine turn as one throughout, so no converter is to be seen; see --recipe for a drive that would show one"
		} else if t != nil && t.stepped > mostStepped {
			why = "not found: the nearest to engine and turbine stand at ratios a gear's step apart, as the shafts of a gearbox with two clutches do, so no converter is to be seen"
		} else if t != nil && !t.told(a.step) {
			why = "two speeds follow the gears of a third, but engine and turbine were never seen apart: record a standstill in gear and a pull-away (see --recipe)"
		}
		turbine.Why, output.Why = why, why
		a.engineAlone(&engine)
		r.Roles = append(r.Roles, engine, turbine, output)
		if t != nil {
			// Shown as what was tried, not as found.
			a.proposeTrio(&r.Roles[1], &r.Roles[2], 0, 0)
		}
		return
	}

	e := t.engine
	es, eo, rounded, note := a.engineScaling()
	guessed := a.engineFit[e].r2 < leastR2
	for _, x := range a.engines {
		p := a.proposal(x.engine, stream.EngineSpeed, 100*x.score/mostScore)
		if x.engine == e {
			p.Scale, p.Offset, p.Rounded, p.Guessed = es, eo, rounded, guessed
			p.Evidence = append(p.Evidence, note)
		} else if g := a.engineFit[x.engine]; known && g.r2 >= 0.9 {
			p.Scale, p.Offset, p.Rounded = g.round(0.01, (x.engine.hi-x.engine.lo)*g.scale, scalings())
			p.Evidence = append(p.Evidence, fmt.Sprintf("answers to the standard request fit with %.1f %% of their variance explained", 100*g.r2))
		} else {
			k := ratioOf(e, x.engine)
			p.Scale, p.Guessed = es/k, true
		}
		p.Evidence = append(p.Evidence, x.engineEvidence(a.step)...)
		engine.Proposals = append(engine.Proposals, p)
	}
	engine.Found = true
	r.Roles = append(r.Roles, cut(engine), turbine, output)
	a.proposeTrio(&r.Roles[1], &r.Roles[2], es, eo)
	r.Roles[1].Found, r.Roles[2].Found = len(r.Roles[1].Proposals) > 0, len(r.Roles[2].Proposals) > 0
	idle, _ := a.engineSpeeds(t)
	if idle > 0 {
		r.IdleRPM = math.Round((idle*es+eo)/10) * 10
	}
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

// engineSpeeds are the idle speed and the middle speed while moving, in raw
// steps; 0 where not seen.
func (a *analysis) engineSpeeds(t *trio) (idle, working float64) {
	var still, moving []float64
	for i, v := range t.output.grid {
		x := t.engine.grid[i]
		switch {
		case math.IsNaN(v + x), x < 0.06*t.engine.top:
		case v < 0.004*t.output.top:
			still = append(still, x)
		case v > 0.1*t.output.top:
			moving = append(moving, x)
		}
	}
	if float64(len(still))*a.step > 1 {
		sort.Float64s(still)
		idle = quantile(still, 0.3)
	}
	if len(moving) > 0 {
		sort.Float64s(moving)
		working = quantile(moving, 0.5)
	}
	return idle, working
}

// proposeTrio fills in turbine and output speed; es is the engine's scale, 0
// where nothing is known of it.
func (a *analysis) proposeTrio(turbine, output *RoleResult, es, eo float64) {
	t := a.trio
	var ts float64
	for _, x := range a.turbines {
		p := a.proposal(x.turbine, stream.TurbineSpeed, 100*x.score/mostScore)
		measured := es / math.Exp(x.coupled.log)
		p.Scale = a.turbineScale(x, es)
		p.Rounded = p.Scale != measured
		if x.turbine == t.turbine {
			ts = p.Scale
			if es > 0 && eo == 0 {
				p.Evidence = append(p.Evidence, fmt.Sprintf("scale from the closed clutch, where it must read as the engine does (%.5g measured)", measured))
			}
		}
		p.Evidence = append(p.Evidence, x.turbineEvidence()...)
		turbine.Proposals = append(turbine.Proposals, p)
	}
	launch := float64(t.standN)*a.step >= 0.8
	for _, x := range a.outputs {
		p := a.proposal(x.output, stream.OutputSpeed, 100*x.score/mostScore)
		if ts > 0 {
			ratio := x.ratios(ts)
			scale, near := outputScale(ratio, ts, launch)
			if scale == 0 {
				continue // no scale makes gear ratios of it
			}
			p.Scale, p.Rounded, p.Guessed = scale, true, true
			text := ""
			for i := range ratio {
				if i > 0 {
					text += ", "
				}
				text += fmt.Sprintf("%.3g", ratio[i]/scale)
			}
			why := "the most usual gear ratios"
			if near < 0.03 {
				why = "a pattern of gear ratios that has been published"
			}
			p.Evidence = append(p.Evidence, "scale guessed: it makes "+why+": "+text)
			if x.output == t.output {
				for i := range ratio {
					a.result.Ratios = append(a.result.Ratios, ratio[i]/scale)
				}
				a.result.FirstGear = launch
			}
		}
		p.Evidence = append(p.Evidence, x.outputEvidence()...)
		output.Proposals = append(output.Proposals, p)
	}
	*turbine, *output = cut(*turbine), cut(*output)
}

// cut leaves the best proposal of each place and its strongest rivals.
func cut(r RoleResult) RoleResult {
	var out []Proposal
next:
	for _, p := range r.Proposals {
		for _, q := range out {
			if q.s != nil && p.s != nil && q.s.overlaps(p.s) {
				continue next
			}
		}
		if len(out) < mostRivals {
			out = append(out, p)
		}
	}
	r.Proposals = out
	return r
}

func (a *analysis) proposal(s *series, role stream.Role, fit float64) Proposal {
	return Proposal{ID: s.t.ID, Field: s.full().field(), Mux: s.mux, MuxValue: s.muxValue, Period: s.period,
		Scale: 1, Fit: math.Max(0, math.Min(100, fit)), s: s}
}

// full is the run with the bits above it that were never set, up to 16: a
// faster drive would set them.
func (s *series) full() run {
	r := s.run
	w := s.t.words[r.word]
	size := 8 * min(8, s.t.maxLen-8*r.word)
	for !r.signed && r.length < 16 && r.shift+r.length < 64 {
		x := r
		x.length++
		above := x.bits() &^ r.bits()
		if above&w.everSet != 0 || r.oneByte() && s.run.length <= 8 && (r.shift+r.length)%8 == 0 {
			break
		}
		if size < 64 && above>>size != 0 {
			break
		}
		r = x
	}
	return r
}

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
			p := a.proposal(s, stream.EngineSpeed, 100*(f.r2-0.05+0.05*s.fineness()))
			p.Scale, p.Offset, p.Rounded = f.round(0.01, (s.hi-s.lo)*f.scale, scalings())
			p.Evidence = append(p.Evidence, fmt.Sprintf("%d answers to the standard request for engine speed fit with %.1f %% of their variance explained, within %.1f rpm", f.n, 100*f.r2, f.rms))
			r.Proposals = append(r.Proposals, p)
		}
		sort.SliceStable(r.Proposals, func(i, j int) bool { return r.Proposals[i].Fit > r.Proposals[j].Fit })
		*r = cut(*r)
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
		p := a.proposal(s, stream.EngineSpeed, 100*shape*0.6)
		p.Scale, _ = engineScale(idle, 0, 0)
		p.Guessed, p.Rounded = true, true
		p.Evidence = append(p.Evidence, fmt.Sprintf("never at nothing for long, comes back to one speed (idle?) again and again, rises and falls as an engine does; the scale is a guess from that speed (%.0f rpm)", idle*p.Scale))
		r.Proposals = append(r.Proposals, p)
	}
	sort.SliceStable(r.Proposals, func(i, j int) bool { return r.Proposals[i].Fit > r.Proposals[j].Fit })
	*r = cut(*r)
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
