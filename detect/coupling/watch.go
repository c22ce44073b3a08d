package coupling

import (
	"math"

	"joltwatch/bus"
)

// Edge is an instant and the samples between which it lies.
type Edge struct{ Early, Late bus.Micros }

// Mid is its middle.
func (e Edge) Mid() bus.Micros { return e.Early + (e.Late-e.Early)/2 }

// Outcome is how a release ended.
type Outcome uint8

// The outcomes.
const (
	// Watching: it has not ended yet.
	Watching Outcome = iota
	Parted
	Stalled // the engine died with the speeds still together
	Held    // still together at the end of the watch
	Lost    // the signals did not last
	Taken   // the clutch was told to close again before they had parted
)

// Limits are what a Watch judges with.
type Limits struct {
	// PartedRPM is the least deviation of slip that counts as parted, WatchS
	// the longest watch.
	PartedRPM, WatchS float64
	// RangeRPM is how far the turbine must move before coupling can be told,
	// SpreadRPM how far the slip may wander meanwhile at the least, Spread the
	// share of the turbine's movement that it may besides.
	RangeRPM, SpreadRPM, Spread float64
	// DeadRPM is the engine speed below which it has died, DrawnRPM that below
	// which it has been drawn under its idle, IdleRPM its idle and SinksRPM how far it
	// sinks below that by itself; the three are 0 where idle is not known.
	DeadRPM, DrawnRPM, IdleRPM, SinksRPM float64
}

// Watch follows one release, point by point.
type Watch struct {
	set *Limits
	// Fall is the edge of the command.
	Fall Edge
	// Base is the slip before and Noise its deviation, in rpm; Moving is true
	// where it was under way already.
	Base, Noise float64
	Moving      bool
	proven
	// RanTo is the last instant at which the engine ran at its idle or above
	// with the speeds together.
	RanTo bus.Micros

	initial     float64 // base
	held        float64 // slip over a longer time before the fall, rpm
	below       float64 // how far below it the slip of a clutch that holds may lie
	baseRate    float64 // of the turbine in the base, rpm/s
	test, early apart
	heldLow     float64 // engine, before the excursion under way
	heldTurbine float64
	judged      bus.Micros
	line        line
	trailed     bool // see trails; of points that line has no more
	// guessed: what was last asked for a proof is one only if the open converter does not
	// take the engine along; unsure: so is what was proven after sure.
	guessed, unsure bool
	sure            proven
	lastAt          bus.Micros
	lastLate        bus.Micros
}

// proven is what has been seen of speeds that are together.
type proven struct {
	// EngineLow and TurbineLow are the lowest speeds while together, rpm.
	EngineLow, TurbineLow float64
	// Proven is set once the speeds have been seen to move together since the
	// fall; ProvenTo is the last such instant.
	Proven   bool
	ProvenTo bus.Micros
}

const (
	// baseS is how much before a fall makes the base.
	baseS = 0.25
	// farRelease is a slip at which no release begins: more than any regulated
	// slip (cp).
	farRelease = 450.0
	judgeS     = 0.1
	// driftS is how slowly the base follows the slip while together: slower
	// than any separation.
	driftS   = 1.5
	driftRPM = 8.0
)

// Begin starts a watch on the trail at the fall of the command; points after it
// that are in already are not taken yet. It reports whether there is something
// to watch.
func (w *Watch) Begin(set *Limits, t *Trail, fall Edge) bool {
	*w = Watch{set: set, Fall: fall}
	i0 := t.After(fall.Early - bus.Micros(baseS*1e6))
	i1 := t.After(fall.Late)
	for i1-i0 < 3 && i0 > t.First() {
		i0--
	}
	if i1-i0 < 2 {
		return false
	}
	w.base(t, i0, i1)
	// A short lag is judged with what came before it.
	for i := i0; i < i1; i++ {
		w.line.add(t.Get(i))
	}
	last := t.Get(i1 - 1)
	w.lastAt, w.lastLate = last.At, last.Late
	w.EngineLow, w.TurbineLow = last.Engine, last.Turbine
	w.heldLow, w.heldTurbine = w.EngineLow, w.TurbineLow
	if w.Moving {
		// In a shift, or as the pedal is lifted: a clutch that holds goes on to
		// its closed slip.
		w.Base = 0
	}
	w.initial = w.Base
	w.baseRate = w.line.rate()
	w.holds(t, i1)
	return w.Base <= farRelease && w.Base >= -overrunMost(last)
}

// holds takes what this vehicle's slip was while the clutch held, as far as ripple
// lets the mean over heldS be told.
func (w *Watch) holds(t *Trail, i1 int) {
	r := max(t.noise.Known(), w.Noise)
	w.held, w.below = w.initial, BelowRPM(r)
	if w.Moving {
		return
	}
	sum, n := 0.0, 0
	for i := t.After(w.Fall.Early - micros(heldS)); i < i1; i++ {
		if p := t.Get(i); !p.Shifting && p.Sigma < tellRPM && abs(p.Slip-w.Base) < 4*r+closedLeastRPM {
			sum += p.Slip
			n++
		}
	}
	if n > 0 {
		w.held = sum / float64(n)
	}
}

// BelowRPM is how far below its mean the slip of a clutch that holds may lie with so
// much ripple, in rpm: what is further below is an open converter's.
func BelowRPM(ripple float64) float64 { return min(openRPM, max(openLeastRPM, openSD*ripple)) }

// overrunMost is the most negative slip of a clutch that holds, without sign: an
// open converter in overrun takes the engine along with the turbine, some tens
// of rpm behind it, on a slope of 1.
func overrunMost(p *Point) float64 { return overrunRPM + 3*p.Sigma + p.Tol }

const overrunRPM = 12.0

// base fits a line to the slip of the points [i0, i1).
func (w *Watch) base(t *Trail, i0, i1 int) {
	first := t.Get(i0)
	var sum, sum2, st, stt, sts, spread float64
	for i := i0; i < i1; i++ {
		p := t.Get(i)
		d, s := p.Slip-first.Slip, (p.At - first.At).Seconds()
		sum += d
		sum2 += float64(d * d)
		st += s
		stt += float64(s * s)
		sts += float64(s * d)
		spread = max(spread, p.Sigma)
	}
	n := float64(i1 - i0)
	mean := sum / n
	vt := stt/n - float64(st/n)*float64(st/n)
	slope, left := 0.0, max(0, sum2/n-float64(mean*mean))
	if vt > 1e-9 {
		slope = (sts/n - float64(st/n)*mean) / vt
		left = max(0, left-float64(slope*slope)*vt)
	}
	w.Noise = math.Sqrt(left)
	w.Base = first.Slip + mean
	w.Moving = abs(slope)*baseS > max(8, 4*w.Noise, 2.5*spread)
	if w.Moving {
		w.Base += float64(slope * ((t.Get(i1-1).At - first.At).Seconds() - st/n))
	}
}

// Step takes point i of the trail and reports how the release stands.
func (w *Watch) Step(t *Trail, i int) Outcome {
	p := *t.Get(i)
	return w.take(t, &p, i)
}

// take is Step for a point that may differ from the trail's.
func (w *Watch) take(t *Trail, p *Point, i int) Outcome {
	// The base is no surer than ripple lets it be, and what the trail knows of
	// ripple may be too little here.
	r := max(t.noise.RippleRPM, w.Noise)
	v := max(p.Sigma, r)
	p.Sigma = max(math.Sqrt(float64(v*v)+float64(0.4*r*r)), w.set.PartedRPM/3.5) + float64(0.3*p.Tol)
	dt := (p.At - w.lastAt).Seconds()
	w.sharp(t, p, i)
	w.test.step(p, i, p.Slip-w.Base, w.set.RangeRPM)
	w.lastAt, w.lastLate = p.At, p.Late
	if w.test.sum == 0 {
		w.heldLow, w.heldTurbine = min(w.heldLow, p.Engine), min(w.heldTurbine, p.Turbine)
		if p.Engine >= w.set.DrawnRPM {
			w.RanTo = p.At
		}
		w.prove(t, p)
		// A base drifts with the load that winds the driveline up.
		if p.Sigma < tellRPM {
			w.Base += float64(Share(dt, driftS) * (p.Slip - w.Base))
			w.Base = min(max(w.Base, w.initial-driftRPM), w.initial+driftRPM)
		}
	}
	switch {
	case w.test.lasts() && !w.dying(p):
		return Parted
	case (p.At - w.Fall.Early).Seconds() > w.set.WatchS:
		return Held
	}
	return Watching
}

// sharp runs the test for the earliest separation: with what the slip has been
// seen to do in place of all that it may do.
func (w *Watch) sharp(t *Trail, p *Point, i int) {
	q := *p
	q.Sigma = max(w.Noise, 1.2*t.noise.SeenRPM, sharpRPM) + float64(0.3*p.Tol)
	w.early.step(&q, i, p.Slip-w.Base, w.set.RangeRPM)
}

// sharpRPM is the least noise of slip (sensors and interpolation).
const sharpRPM = 1.5

// dying reports whether the engine may still be on its way to a stall: it was
// drawn far down when the speeds parted.
func (w *Watch) dying(p *Point) bool {
	return w.set.DrawnRPM > 0 && w.heldLow < w.set.DrawnRPM && p.Engine < w.set.DrawnRPM && w.test.allS < 1.5
}

// prove adds a point at which the speeds were together, and looks now and then
// whether coupling shows in what has passed.
func (w *Watch) prove(t *Trail, p *Point) {
	// What comes after a gap stands for itself: the clutch may have let go in it. So does
	// overrun: what held under drive would prove what came after it.
	if gap := p.At-w.line.to > micros(t.gapS()); w.line.n > 0 && (gap || w.line.driving && p.Overrun) {
		w.trailed = gap || w.trails(t)
		w.line = line{}
		if gap {
			w.heldLow, w.heldTurbine = p.Engine, p.Turbine
		}
	}
	if w.line.n == 0 {
		w.judged = p.At
	}
	w.line.add(p)
	if (p.At - w.judged).Seconds() < judgeS {
		return
	}
	switch {
	case w.proof(t):
		w.count(t)
		w.line = line{}
	case w.line.n >= proofLen || t.Overrun.told(&w.line) && w.line.spanS() >= overrunS && w.far():
		// In overrun what held at first would prove what came after it.
		w.trailed = w.trails(t)
		w.line = line{}
	}
}

// count takes what has been added for a proof: the lowest speeds are those of speeds
// that are together. In overrun the clutch may have let go shortly before the end.
func (w *Watch) count(t *Trail) {
	to := w.line.to
	if t.Overrun.told(&w.line) {
		to -= micros(returnS)
	}
	if w.guessed && !w.unsure {
		w.sure = w.proven
	}
	w.unsure = w.guessed
	w.Proven, w.ProvenTo, w.trailed = true, max(w.ProvenTo, to), false
	w.EngineLow, w.TurbineLow = min(w.EngineLow, w.heldLow), min(w.TurbineLow, w.heldTurbine)
}

// settle takes back what was guessed of a converter that is not known, but where a
// release, this one or another, has let the engine fall plainly behind.
func (w *Watch) settle(t *Trail) {
	if w.unsure && !t.Overrun.m.Loose {
		w.proven, w.unsure, w.trailed = w.sure, false, true
	}
}

// Parts takes the last point for that at which a release was seen to have parted: an
// engine that is far behind the turbine by then is one that the open converter does not
// take along.
func (t *Trail) Parts() {
	p := t.Get(t.end - 1)
	if p.Overrun && !p.Shifting && p.Slip < -float64(plainly*BelowRPM(t.noise.Known()))-p.Tol {
		t.Overrun.m.Loose = true
	}
}

// plainly is so many times what tells one from a clutch that holds. Structural.
const plainly = 3.0

// proof reports whether what has been added since the last proof is one: the
// speeds moved together, and not as those of an open converter, which takes the
// engine along some tens of rpm behind the turbine in overrun, and under little load
// the turbine as far behind the engine as slip that is regulated. What is not
// known of the alignment counts as far as the turbine's rate is not what it was
// in the base.
func (w *Watch) proof(t *Trail) bool {
	g := w.line.judge(w.set)
	return g.Verdict == Coupled && w.holding(t, &g)
}

// holding reports whether the points since the last proof have the slip of a clutch that
// holds, whether they could tell that the speeds move together or not.
func (w *Watch) holding(t *Trail, g *Together) bool {
	skew := float64(abs(w.line.rate()-w.baseRate) * t.chain.UnsureS)
	if most := closedRPM + g.Tol; w.initial > most && g.Mean > most+skew {
		return false
	}
	return g.Mean-w.held-skew >= -w.below-g.Tol && g.Mean-w.initial <= regulatedRPM+skew+g.Tol && w.heldRather(t, skew)
}

// heldRather reports whether the points since the last proof are so much likelier
// of a clutch that holds than of an open converter; where what this vehicle's does is not
// known it may be guessed, which settle takes back. Below idle a governor that gives fuel
// may take an engine past the turbine's speed, but not along with it for far unless a shift
// does; below what it lets the engine sink to only the clutch draws it.
func (w *Watch) heldRather(t *Trail, skew float64) bool {
	l := &w.line
	engine := l.engine()
	w.guessed = false
	if l.driving && !t.Overrun.told(l) || l.x0+l.last+l.mean() < w.set.SinksRPM {
		return true
	}
	if engine < w.set.IdleRPM && (l.shifting || !w.far()) {
		return false
	}
	r := max(t.noise.SeenRPM, w.Noise, sharpRPM)
	one := float64(r*r) / (1 + l.spanS()/wanderS)
	open, ok := t.Overrun.odds(l.mean(), l.rate(), l.torque(), engine, one)
	hv := one + float64(r*r)/(1+heldS/wanderS) + float64(skew*skew)
	h := l.mean() - w.held
	held := -0.5 * (float64(h*h)/hv + math.Log(hv))
	if !ok {
		w.guessed = l.to > w.Fall.Late+micros(ordinaryS) && held+math.Log(anywhereRPM) < heldOdds
		return true
	}
	return held-open >= heldOdds
}

// far reports whether the turbine has moved further than speeds that pass each other stay
// near.
func (w *Watch) far() bool { return w.line.hi-w.line.lo >= 4*w.set.RangeRPM }

const (
	// heldOdds is the logarithm of how much likelier it must be: 55 times, as it is
	// looked for again and again.
	heldOdds = 4.0
	// anywhereRPM is over how much the slip of a converter that is not known may lie: an
	// engine that is let go turns anywhere between its idle and the turbine (cp).
	anywhereRPM = 160.0
	// ordinaryS is within what a healthy clutch lets go (cp): a proof by then makes none late.
	ordinaryS = 0.3
	// wanderS is over how long ripple of closed slip is the same one: that long again and
	// again gives the mean of as many.
	wanderS = 0.6
)

const (
	// openRPM is how far below the slip of a clutch that holds the slip of an open
	// converter in overrun may lie at the least, and regulatedRPM how far above that of
	// one that slips under control (cp). Where this vehicle's own ripple, openSD of it,
	// lets less than that be told, less tells: some converters are tight.
	openRPM, regulatedRPM = 20.0, 50.0
	openLeastRPM, openSD  = 8.0, 2.0
	// heldS is over how long the slip of a clutch that holds is taken: ripple goes on for
	// some tenths of a second.
	heldS, closedLeastRPM = 1.0, 4.0
	// closedRPM is a slip under drive that an open converter does not keep (cp).
	closedRPM = 20.0
)

// Proof reports whether the speeds have been seen to move together.
func (w *Watch) Proof(t *Trail) bool {
	if w.proof(t) {
		w.count(t)
	}
	w.settle(t)
	return w.Proven
}

// trails reports whether the engine has followed the turbine since the last proof as it
// does in an open converter: the clutch may have let go any time since.
func (w *Watch) trails(t *Trail) bool {
	if w.trailed {
		return true
	}
	g := w.line.judge(w.set)
	return (g.Verdict == Coupled || g.Verdict == Untold && w.line.spanS() >= ordinaryS) && !w.holding(t, &g)
}

// proofLen bounds the points of one proof.
const proofLen = 400

// Quiet reports whether the speeds have not been heard of for too long.
func (w *Watch) Quiet(now bus.Micros) bool { return now-w.lastAt > apartMost || now < w.lastAt }

// Away reports whether the speeds are apart for now.
func (w *Watch) Away() bool { return w.test.stands() }

// AwaySince is the instant of the first point at which the speeds counted as
// apart.
func (w *Watch) AwaySince(t *Trail) bus.Micros { return t.Get(w.kept(t, w.test.stoodAt)).At }

// Died tells the watch that the engine stands, and returns how that ended it.
func (w *Watch) Died() Outcome {
	held := !w.test.stands() || w.test.allS < diesS
	if held && (w.set.DrawnRPM <= 0 || w.heldLow < w.set.DrawnRPM) {
		return Stalled
	}
	if w.test.stands() {
		return Parted
	}
	return Lost
}

// diesS is how long an engine that a clutch has drawn down takes at most to
// stand still once it is beyond help (cp).
const diesS = 1.5

// Rose tells the watch that the clutch is told to close again.
func (w *Watch) Rose() Outcome {
	if w.test.stands() && w.test.clearS >= roseS {
		return Parted
	}
	return Taken
}

const roseS = 0.06

// Seen is where the speeds parted.
type Seen struct {
	Onset
	// Hidden is true where the separation lies in a shift or between points
	// that say nothing: the lag is at least that to Early.
	Hidden bool
}

// Separation returns where the speeds parted, on the instants of the prompter
// speed, once Step, Died or Rose has said Parted.
func (w *Watch) Separation(t *Trail) Seen {
	i := w.kept(t, w.test.from)
	s := Seen{}
	if p := t.Get(i); p.Shifting && p.Rate > shiftRate || p.Sigma > tellRPM || t.afterGap(i) {
		s.Hidden = true
		s.Onset = w.hidden(t, i)
	} else {
		s.Onset = w.onset(t, i)
		// It was under way before the fall and has not been proven since: the
		// clutch had let go by then, nobody saw when.
		s.Hidden = w.Moving && !w.Proven
	}
	if w.trails(t) {
		s.Hidden = true
		s.Early = min(s.Early, max(w.ProvenTo, w.Fall.Early))
	}
	for _, a := range [...]*apart{&w.test, &w.early} {
		if a.strayed {
			s.Early = min(s.Early, a.strayedAt)
		}
	}
	s.Onset = w.unlag(t.chain, s.Onset)
	return s
}

// gapS is a time between points in which anything may have happened.
func (t *Trail) gapS() float64 { return max(0.25, 3*t.pitch) }

// afterGap reports whether a point is the first after a gap.
func (t *Trail) afterGap(i int) bool {
	return i > t.First() && t.Get(i).At-t.Get(i-1).At > micros(t.gapS())
}

// kept is the index nearest to i that the trail still has.
func (w *Watch) kept(t *Trail, i int) int { return min(max(i, t.First()), t.End()-1) }

// onset fits where the slip left its base. Where it had left before by what was
// seen of it, though not by all that it may do, that is the better instant, and
// the other one bounds it.
func (w *Watch) onset(t *Trail, i int) Onset {
	o := t.Onset(w.Fall.Early, w.kept(t, w.test.stoodAt), w.before(t, i), max(w.Noise, t.noise.RippleRPM))
	if j := w.kept(t, w.early.from); w.early.stands() && j < i && w.early.fromAt > w.Fall.Early {
		late := o.Late
		o = t.Onset(w.Fall.Early, w.kept(t, w.early.stoodAt), w.before(t, j), max(w.Noise, t.noise.SeenRPM))
		o.Late = max(o.Late, late)
	}
	if w.Moving && !w.Proven {
		o.Early = w.Fall.Early
		o.At = min(o.At, w.Fall.Mid())
	}
	return o
}

// before is the slip some time before point i: late enough for the base to have
// drifted there, early enough not to take part in a slow separation.
func (w *Watch) before(t *Trail, i int) float64 {
	at := t.Get(i).At
	j := t.After(max(at-bus.Second, w.Fall.Early-micros(baseS)))
	sum, n := 0.0, 0
	for ; j < i && t.Get(j).At < max(at-bus.Second*2/5, w.Fall.Late); j++ {
		sum += t.Get(j).Slip
		n++
	}
	if n < 3 {
		return w.Base
	}
	return sum / float64(n)
}

// unlag takes the delay of the later speed off an instant, on which the engine's
// filter has been reckoned with; where it is the turbine that is late the
// separation may show in the engine's speed in time.
func (w *Watch) unlag(c Chain, o Onset) Onset {
	d := c.DelayS
	if d < 0 {
		o.At -= micros(-0.5 * d)
		o.Early -= micros(-d + c.UnsureS)
		o.Late += micros(c.UnsureS)
	} else {
		o.At -= micros(d)
		o.Early -= micros(d + c.FilterS + c.UnsureS)
		o.Late -= micros(d - c.UnsureS)
	}
	o.Early = max(o.Early, w.Fall.Early)
	o.Late = max(o.Late, w.Fall.Early)
	o.At = min(max(o.At, o.Early), o.Late)
	return o
}

// shiftRate is a rate of the turbine, in rpm/s, that only a shift has.
const shiftRate = 800.0

// hidden brackets a separation that a shift hides.
func (w *Watch) hidden(t *Trail, i int) Onset {
	o := Onset{Early: w.Fall.Early, Late: t.Get(t.End() - 1).Late}
	if w.test.hasTogether {
		o.Early = max(o.Early, w.test.together)
	}
	for ; i < t.End(); i++ {
		if p := t.Get(i); p.Sigma < tellRPM && abs(p.Slip-w.Base) > 4*p.Sigma {
			o.Late = p.Late
			break
		}
	}
	o.At = o.Early + (o.Late-o.Early)/2
	return o
}

func micros(s float64) bus.Micros { return bus.Micros(s * 1e6) }
