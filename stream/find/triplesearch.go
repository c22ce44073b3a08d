package find

import (
	"math"
	"slices"
	"sort"
)

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
	// Where answers tell the engine's speed, the engine must follow them.
	engines := thin
	if a.s.answers.get(ParamEngineSpeed) != nil {
		engines = slices.DeleteFunc(slices.Clone(thin), func(s *series) bool { return a.engineFit[s.whole()].r2 < 0.9 })
	}
	var starts []*speedTriple
	whole := newTrials(a.step)
	for _, t := range newTrials(a.step*float64(max(1, every))).all(engines, thin) {
		if w := whole.try(t.engine.whole(), t.turbine.whole(), t.output.whole()); w != nil {
			starts = append(starts, w)
		}
		if len(starts) == 3 {
			break
		}
	}
	for _, t := range starts {
		best, e, b, o := whole.settle(t, fast)
		if a.triple == nil || best.score > a.triple.score {
			a.triple, a.engines, a.turbines, a.outputs = best, e, b, o
		}
		if a.triple.score > clearScore {
			break
		}
	}
	if a.triple == nil {
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
		if t.score > a.triple.score-0.1 {
			closest = math.Min(closest, t.width())
		}
	}
	es, _, _, _ := a.engineScaling()
	ts := a.triple.turbineScale(es)
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
	if len(a.outputs) > 0 && a.outputs[0].output != a.triple.output {
		t := *a.outputs[0]
		a.triple = &t
	}
}

// trials are the triples tried so far, and the gears of their pairs: settling tries
// most of them again.
type trials struct {
	step    float64
	triples map[[3]*series]*speedTriple // nil where it cannot be
	ladders map[[2]*series]ladder
}

func newTrials(step float64) *trials {
	return &trials{step, map[[3]*series]*speedTriple{}, map[[2]*series]ladder{}}
}

// try judges a triple; it returns nil where it cannot be.
func (x *trials) try(e, b, o *series) *speedTriple {
	key := [3]*series{e, b, o}
	t, known := x.triples[key]
	if !known {
		t = x.judge(e, b, o)
		x.triples[key] = t
	}
	return t
}

func (x *trials) judge(e, b, o *series) *speedTriple {
	if e == o || e == b || b == o || e.overlaps(o) || e.overlaps(b) || b.overlaps(o) {
		return nil
	}
	l := x.ladderOf(o, b)
	if l.mass < leastLadder {
		return nil
	}
	t := &speedTriple{engine: e, turbine: b, output: o, ladder: l}
	t.judge(x.step)
	if t.score == 0 {
		return nil
	}
	return t
}

// ladderOf looks at b as turbine and o as output speed.
func (x *trials) ladderOf(o, b *series) ladder {
	key := [2]*series{o, b}
	l, known := x.ladders[key]
	if !known {
		l = ladderOf(o, b)
		x.ladders[key] = l
	}
	return l
}

// settle improves the triple by trying every series of the pool in each place,
// until nothing better is found, and returns what was tried last in each.
func (x *trials) settle(t *speedTriple, pool []*series) (best *speedTriple, engines, turbines, outputs []*speedTriple) {
	for range 4 {
		engines, turbines, outputs = nil, nil, nil
		best = t
		for _, s := range pool {
			for k, y := range []*speedTriple{x.try(s, t.turbine, t.output), x.try(t.engine, s, t.output), x.try(t.engine, t.turbine, s)} {
				if y == nil {
					continue
				}
				switch k {
				case 0:
					engines = append(engines, y)
				case 1:
					turbines = append(turbines, y)
				case 2:
					o := *y // their scores change after
					outputs = append(outputs, &o)
				}
				if y.score > best.score {
					best = y
				}
			}
		}
		if best == t {
			break
		}
		t = best
	}
	for _, l := range [][]*speedTriple{engines, turbines, outputs} {
		sort.SliceStable(l, func(i, j int) bool { return l[i].score > l[j].score })
	}
	return best, engines, turbines, outputs
}

// all tries all triples that can be, the best first. The series are those of
// different classes; copies would only multiply the work.
func (x *trials) all(engines, pool []*series) []*speedTriple {
	type pair struct {
		output, turbine *series
		mass            float64
	}
	var pairs []pair
	for _, o := range pool {
		for _, b := range pool {
			if o == b || o.overlaps(b) {
				continue
			}
			if l := x.ladderOf(o, b); l.mass >= leastLadder {
				pairs = append(pairs, pair{o, b, l.mass})
			}
		}
	}
	// The tightest first; a bound, in case a bus is full of look-alikes.
	sort.SliceStable(pairs, func(i, j int) bool { return pairs[i].mass > pairs[j].mass })
	if len(pairs) > 200 {
		pairs = pairs[:200]
	}
	var out []*speedTriple
	for _, p := range pairs {
		for _, e := range engines {
			if t := x.try(e, p.turbine, p.output); t != nil {
				out = append(out, t)
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score > out[j].score })
	return out
}
