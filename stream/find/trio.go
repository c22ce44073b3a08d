package find

import (
	"math"
	"sort"
)

// trio is a try: three series as engine, turbine and output speed, and how
// well they do together what those do.
type trio struct {
	engine, turbine, output *series

	gears   []peak  // turbine over output
	ladder  float64 // share of moving time in one of the gears
	coupled peak    // turbine over engine with the clutch closed
	inGears int     // gears in which the clutch closes
	stepped float64 // share of time in gear at another gear's ratio to the engine
	stand   float64 // at standstill: engine idles, turbine stands or rides along
	standN  int
	held    float64 // at standstill: the engine runs and the turbine stands
	faces   float64 // while apart, the engine is the faster one under power
	facesN  int
	runs    float64 // the engine runs while moving
	judged  float64 // what judge made of all that
	score   float64 // the same, with what ranks rivals
}

const (
	leastLadder  = 0.55
	leastCoupled = 0.03

	// Steps between neighbouring gears, and the span from first to last, as
	// logarithms: 10 % to a factor of 2.3, and 12. Wider than any gearbox
	// known to us (common practice, no source).
	leastStep, mostStep = 0.095, 0.83
	mostSpan            = 2.5

	// leastMoved is the least spread of the logarithm of output speed within
	// a gear.
	leastMoved = 0.02
)

// ladderOf looks at b as turbine and o as output speed: while moving, a few
// ratios, one about as far from the next as gears are, the higher ones at
// lower speeds, each held for a time.
func ladderOf(o, b *series) (gears []peak, mass float64) {
	if !mayHaveLadder(o, b) {
		return nil, 0
	}
	peaks, n := ratios(o, b, nil)
	if n < o.points(200) {
		return nil, 0
	}
	// Neighbours closer than gears can be are one gear, seen through noise.
	for _, p := range peaks {
		if len(gears) >= 10 {
			break
		}
		near := false
		for k := range gears {
			if math.Abs(gears[k].log-p.log) < leastStep {
				near = true
				break
			}
		}
		if !near {
			gears = append(gears, p)
			mass += p.share
		}
	}
	if len(gears) < 2 || mass < leastLadder || gears[0].share > 0.985 {
		return nil, 0
	}
	sort.Slice(gears, func(i, j int) bool { return gears[i].log > gears[j].log })
	if gears[0].log-gears[len(gears)-1].log > mostSpan {
		return nil, 0
	}
	var of nearby
	of.set(gears)
	var speed, count, logs, squares [14]float64
	last, switches, neighbours, run, short := -1, 0, 0, 0, 0
	for i := range o.log {
		if math.IsNaN(b.log[i] - o.log[i]) {
			continue
		}
		g := of.in(o, b, i)
		if g < 0 {
			continue
		}
		speed[g] += o.grid[i]
		logs[g] += o.log[i]
		squares[g] += o.log[i] * o.log[i]
		count[g]++
		if last >= 0 && g != last {
			switches++
			if g-last == 1 || last-g == 1 {
				neighbours++
			}
			if run < o.points(8) {
				short++
			}
			run = 0
		}
		run++
		last = g
	}
	if switches == 0 || 2*neighbours < switches || 2*short > switches {
		return nil, 0
	}
	// A ratio counts as a gear's only as far as the speeds moved in it.
	moved := 0.0
	for k := range gears {
		if count[k] > 0 {
			mean := logs[k] / count[k]
			moved += gears[k].share * math.Sqrt(math.Max(0, squares[k]/count[k]-mean*mean))
		}
	}
	if moved < leastMoved*mass {
		return nil, 0
	}
	// Higher ratios at lower speeds, by pairs of gears weighed with their
	// shares; a little time in neutral may look like one gear more.
	right, pairs := 0.0, 0.0
	for k := range gears {
		for j := k + 1; j < len(gears); j++ {
			w := gears[k].share * gears[j].share
			pairs += w
			if count[k] > 0 && count[j] > 0 && speed[k]/count[k] < 0.98*speed[j]/count[j] {
				right += w
			}
		}
		if k+1 < len(gears) && gears[k].log-gears[k+1].log > mostStep && min(gears[k].share, gears[k+1].share) > 0.04 {
			return nil, 0
		}
	}
	if right < 0.8*pairs {
		return nil, 0
	}
	return gears, mass
}

// judge works out how well the three do together.
func (t *trio) judge(step float64) {
	e, b, o := t.engine, t.turbine, t.output
	n := len(o.grid)
	moving := where(n, func(i int) bool { return o.grid[i] > 0.05*o.top && !math.IsNaN(e.grid[i]+b.grid[i]) })
	gear := make([]int8, n)
	var of nearby
	of.set(t.gears)
	inGear := where(n, func(i int) bool {
		gear[i] = -1
		if !moving[i] || math.IsNaN(b.log[i]-o.log[i]) {
			return false
		}
		gear[i] = int8(of.in(o, b, i))
		return gear[i] >= 0
	})
	peaks, points := ratios(e, b, inGear)
	if points < o.points(100) || len(peaks) == 0 {
		return
	}
	// The clutch closes at one ratio, whatever the gear: of the ratios at
	// which engine and turbine stay, the one seen in most gears.
	bestScore := 0.0
	of.set(peaks)
	var held [14][16]int // points at each peak, by gear
	var all [16]int
	for i := range n {
		if !inGear[i] || math.IsNaN(b.log[i]-e.log[i]) {
			continue
		}
		all[gear[i]]++
		if k := of.in(e, b, i); k >= 0 {
			held[k][gear[i]]++
		}
	}
	for at, p := range peaks {
		in := &held[at]
		g := 0
		for k := range all {
			if in[k] >= o.points(12) && float64(in[k]) >= 0.03*float64(all[k]) {
				g++
			}
		}
		if s := p.share * (0.3 + float64(min(g, 3))); s > bestScore {
			bestScore, t.coupled, t.inGears = s, p, g
		}
	}
	if t.coupled.share < leastCoupled {
		return
	}
	c := t.coupled.log
	for _, p := range peaks {
		if math.Abs(p.log-c) > leastStep {
			t.stepped += p.share
		}
	}
	k := max(1, int(0.3/step))
	apart := where(n, func(i int) bool {
		// Well apart, and accelerating.
		if !moving[i] || math.IsNaN(b.log[i]-e.log[i]) || i < k || i+k >= n {
			return false
		}
		rise := (o.grid[min(i+k, n-1)] - o.grid[i-k]) / o.top
		return math.Abs(b.log[i]-e.log[i]-c) > 3*tolerance(e, b, i) && rise > 0.01*2*float64(k)*step
	})
	t.faces, t.facesN = share(apart, func(i int) bool { return b.log[i]-e.log[i] < c })
	still := where(n, func(i int) bool { return math.Abs(o.grid[i]) < 0.004*o.top && !math.IsNaN(e.grid[i]+b.grid[i]) })
	ratio := math.Exp(c)
	t.stand, t.standN = share(still, func(i int) bool {
		if e.grid[i] < 0.06*e.top {
			return b.grid[i] < 0.06*b.top // both off
		}
		x := b.grid[i] / ratio / e.grid[i]
		return x < 0.12 || x > 0.9 && x < 1.03
	})
	// Somewhere at standstill, the engine must run with the turbine held:
	// a copy of the engine would pass otherwise.
	t.held, _ = share(still, func(i int) bool { return e.grid[i] > 0.06*e.top && b.grid[i] < 0.12*ratio*e.grid[i] })
	t.runs, _ = share(moving, func(i int) bool { return e.grid[i] > 0.06*e.top })

	t.score = 0.35 * t.ladder
	t.score += 0.25 * math.Min(1, t.coupled.share/0.2) * []float64{0.2, 0.5, 0.9, 1}[min(t.inGears, 3)]
	switch {
	case t.standN*int(step*1000) < 800:
		t.score += 0.2 * 0.6 // not to be seen in this recording
	case t.held < 0.02:
		t.score += 0.2 * 0.3 * t.stand
	default:
		t.score += 0.2 * t.stand
	}
	if t.facesN < o.points(25) {
		t.score += 0.15 * 0.6
	} else {
		t.score += 0.15 * t.faces
	}
	t.score += 0.05 * t.runs
	t.score += 0.04*e.fineness() + 0.04*b.fineness() + 0.04*o.fineness()
	// A shaft's own sensor follows the gears more closely than a wheel's.
	t.score += 0.05 * math.Exp(-t.width()/0.002)
	if b.t == o.t {
		t.score += 0.02
	}
	t.judged = t.score
}

// fineness prefers, of two that say the same, the one with more steps and more
// often: 0 to 1.
func (s *series) fineness() float64 {
	steps := math.Min(1, math.Log2(1+s.hi-s.lo)/13)
	often := 1.0
	if p := s.period.Seconds(); p > 0.012 {
		often = math.Max(0, 1-math.Log2(p/0.012)/6)
	}
	return 0.6*steps + 0.4*often
}

// trials are the triples tried so far, and the gears of their pairs: settling tries
// most of them again.
type trials struct {
	step    float64
	trios   map[[3]*series]*trio // nil where it cannot be
	ladders map[[2]*series]ladder
}

type ladder struct {
	gears []peak
	mass  float64
}

func newTrials(step float64) *trials {
	return &trials{step, map[[3]*series]*trio{}, map[[2]*series]ladder{}}
}

// try judges a triple; it returns nil where it cannot be.
func (x *trials) try(e, b, o *series) *trio {
	key := [3]*series{e, b, o}
	t, known := x.trios[key]
	if !known {
		t = x.judge(e, b, o)
		x.trios[key] = t
	}
	return t
}

func (x *trials) judge(e, b, o *series) *trio {
	if e == o || e == b || b == o || e.overlaps(o) || e.overlaps(b) || b.overlaps(o) {
		return nil
	}
	l := x.ladderOf(o, b)
	if l.mass < leastLadder {
		return nil
	}
	t := &trio{engine: e, turbine: b, output: o, gears: l.gears, ladder: l.mass}
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
		l.gears, l.mass = ladderOf(o, b)
		x.ladders[key] = l
	}
	return l
}

// settle improves the trio by trying every series of the pool in each place,
// until nothing better is found, and returns what was tried last in each.
func (x *trials) settle(t *trio, pool []*series) (best *trio, engines, turbines, outputs []*trio) {
	for range 4 {
		engines, turbines, outputs = nil, nil, nil
		best = t
		for _, s := range pool {
			for k, y := range []*trio{x.try(s, t.turbine, t.output), x.try(t.engine, s, t.output), x.try(t.engine, t.turbine, s)} {
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
	for _, l := range [][]*trio{engines, turbines, outputs} {
		sort.SliceStable(l, func(i, j int) bool { return l[i].score > l[j].score })
	}
	return best, engines, turbines, outputs
}

// all tries all triples that can be, the best first. The series are those of
// different classes; copies would only multiply the work.
func (x *trials) all(pool []*series) []*trio {
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
	var out []*trio
	for _, p := range pairs {
		for _, e := range pool {
			if t := x.try(e, p.turbine, p.output); t != nil {
				out = append(out, t)
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score > out[j].score })
	return out
}
