package find

import "math"

// speedTriple is a try: three series as engine, turbine and output speed, and how
// well they do together what those do.
type speedTriple struct {
	engine, turbine, output *series

	ladder          // turbine over output
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

// leastCoupled is the least share of the time in gear that the clutch is closed.
const leastCoupled = 0.03

// judge works out how well the three do together.
func (t *speedTriple) judge(step float64) {
	e, b, o := t.engine, t.turbine, t.output
	moving := where(len(o.grid), func(i int) bool { return o.grid[i] > 0.05*o.top && !math.IsNaN(e.grid[i]+b.grid[i]) })
	inGear, gear := t.gearsDriven(moving)
	peaks, points := ratios(e, b, inGear)
	if points < o.points(100) || len(peaks) == 0 {
		return
	}
	t.closing(peaks, inGear, gear)
	if t.coupled.share < leastCoupled {
		return
	}
	for _, p := range peaks {
		if math.Abs(p.log-t.coupled.log) > leastStep {
			t.stepped += p.share
		}
	}
	t.facing(moving, step)
	t.standing()
	t.runs, _ = share(moving, func(i int) bool { return e.grid[i] > 0.06*e.top })
	t.weigh(step)
}

// gearsDriven says at which instants of those moving the turbine turns at a gear's
// ratio to the output shaft, and at which gear's; -1 for none.
func (t *speedTriple) gearsDriven(moving []bool) (inGear []bool, gear []int8) {
	gear = make([]int8, len(moving))
	inGear = where(len(moving), func(i int) bool {
		gear[i] = -1
		if moving[i] {
			gear[i] = t.in[i]
		}
		return gear[i] >= 0
	})
	return inGear, gear
}

// closing chooses among the ratios at which engine and turbine stay. The clutch
// closes at one ratio, whatever the gear: it is the one seen in most gears.
func (t *speedTriple) closing(peaks []peak, inGear []bool, gear []int8) {
	e, b, o := t.engine, t.turbine, t.output
	var of nearby
	of.set(peaks)
	var held [14][16]int // points at each peak, by gear
	var all [16]int
	for i, in := range inGear {
		if !in || math.IsNaN(b.log[i]-e.log[i]) {
			continue
		}
		all[gear[i]]++
		if k := of.in(e, b, i); k >= 0 {
			held[k][gear[i]]++
		}
	}
	best := 0.0
	for at, p := range peaks {
		gears := 0
		for k, n := range held[at] {
			if n >= o.points(12) && float64(n) >= 0.03*float64(all[k]) {
				gears++
			}
		}
		if s := p.share * (0.3 + float64(min(gears, 3))); s > best {
			best, t.coupled, t.inGears = s, p, gears
		}
	}
}

// facing looks at the speeds well apart, and accelerating.
func (t *speedTriple) facing(moving []bool, step float64) {
	e, b, o, c := t.engine, t.turbine, t.output, t.coupled.log
	n, k := len(moving), max(1, int(0.3/step))
	apart := where(n, func(i int) bool {
		if !moving[i] || math.IsNaN(b.log[i]-e.log[i]) || i < k || i+k >= n {
			return false
		}
		rise := (o.grid[i+k] - o.grid[i-k]) / o.top
		return math.Abs(b.log[i]-e.log[i]-c) > 3*tolerance(e, b, i) && rise > 0.01*2*float64(k)*step
	})
	t.faces, t.facesN = share(apart, func(i int) bool { return b.log[i]-e.log[i] < c })
}

// standing looks at the standstills. Somewhere there the engine must run with the
// turbine held: a copy of the engine would pass otherwise.
func (t *speedTriple) standing() {
	e, b, o := t.engine, t.turbine, t.output
	still := where(len(o.grid), func(i int) bool { return math.Abs(o.grid[i]) < 0.004*o.top && !math.IsNaN(e.grid[i]+b.grid[i]) })
	ratio := math.Exp(t.coupled.log)
	t.stand, t.standN = share(still, func(i int) bool {
		if e.grid[i] < 0.06*e.top {
			return b.grid[i] < 0.06*b.top // both off
		}
		x := b.grid[i] / ratio / e.grid[i]
		return x < 0.12 || x > 0.9 && x < 1.03
	})
	t.held, _ = share(still, func(i int) bool { return e.grid[i] > 0.06*e.top && b.grid[i] < 0.12*ratio*e.grid[i] })
}

// weigh makes one score of what judge has seen.
func (t *speedTriple) weigh(step float64) {
	e, b, o := t.engine, t.turbine, t.output
	t.score = 0.35 * t.mass
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

// takes says whether one of the three shares bits with the run.
func (t *speedTriple) takes(id ID, r run) bool {
	for _, s := range [...]*series{t.engine, t.turbine, t.output} {
		if s.t.ID == id && s.run.bits()&r.bits() != 0 {
			return true
		}
	}
	return false
}

// told says whether turbine and engine were ever seen apart: if not, one may
// be a copy of the other.
func (t *speedTriple) told(step float64) bool {
	return t.facesN >= 25 && t.faces >= 0.6 || t.held >= 0.02 && t.stood(step)
}

// stood says whether the recording has a standstill long enough to judge by.
func (t *speedTriple) stood(step float64) bool { return float64(t.standN)*step >= 0.8 }

// ratios are turbine rpm over raw output in the gears.
func (t *speedTriple) ratios(turbineScale float64) (out []float64) {
	for _, g := range t.gears {
		out = append(out, math.Exp(g.log)*turbineScale)
	}
	return out
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
