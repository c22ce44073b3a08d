// Package coupling tells whether engine and turbine move together: from aligned
// slip, by sequential tests of its likelihood (Basseville and Nikiforov,
// Detection of Abrupt Changes, 1993), through shifts and over what a vehicle's
// own ripple does to closed slip.
//
// A Trail keeps the aligned speeds of the last seconds, a Watch follows one
// release from the fall of the command to the separation of the speeds, and
// Judge says of a window whether it proves coupling.
package coupling

import (
	"math"

	"joltwatch/bus"
)

// Point is the speeds at one row.
type Point struct {
	// At is the row's instant; Early and Late bound when its values were true.
	At, Early, Late bus.Micros
	// Engine and Turbine as they were seen, in rpm.
	Engine, Turbine float64
	// Slip is engine less turbine with the two aligned, in rpm, and Sigma its
	// standard deviation while the clutch holds: ripple, steps, and what is
	// not known of the alignment at the rate at which the turbine turns.
	Slip, Sigma float64
	// Rate is the fastest change of the turbine's speed that the measuring
	// chain still remembers, in rpm/s.
	Rate float64
	// Tol is the half-width of a derived turbine speed, in rpm, StepRPM the part
	// of it that differs from row to row; 0 where it is measured.
	Tol, StepRPM float64
	// Torque is the engine's, in N·m; NaN where it is not told.
	Torque float64
	// Shifting is true in a shift and just after one.
	Shifting bool
	// Overrun is true where the vehicle is known to drive the engine.
	Overrun bool
}

// Chain is how the engine's speed comes in against the turbine's.
type Chain struct {
	// DelayS is how much later the engine's speed arrives, negative where it
	// is the turbine's that is late; FilterS the time constant of a
	// first-order filter that the engine's speed has passed besides; UnsureS
	// how far the sum of both may be off (half-width). All in s.
	DelayS, FilterS, UnsureS float64
}

// LaterS is by how much the later of the two speeds comes behind the other.
func (c Chain) LaterS() float64 {
	if c.DelayS < 0 {
		return -c.DelayS
	}
	return c.DelayS
}

// Noise is what is known of closed slip.
type Noise struct {
	// RippleRPM is the standard deviation of closed slip, as large as it may
	// be; SeenRPM what of it has been seen, 0 nothing. StepRPM is the larger
	// quantisation step of the two speeds.
	RippleRPM, SeenRPM, StepRPM float64
}

// Known is the ripple that has been seen, or as large as it may be where none was.
func (n Noise) Known() float64 {
	if n.SeenRPM == 0 {
		return n.RippleRPM
	}
	return n.SeenRPM
}

const (
	// trailLen points at least pitchMin apart are 16 s and more.
	trailLen = 2048
	pitchMin = 8000 * bus.Micros(1)
	// apartMost is the longest gap that a stretch goes over: two coast
	// downshifts with a derived turbine speed hide it so long.
	apartMost = 4 * bus.Second
	// skewS is what interpolation and jitter leave between two speeds that
	// are aligned as well as can be.
	skewS = 0.004
)

// Trail keeps the points of the last seconds. The zero value is ready.
type Trail struct {
	p    [trailLen]Point
	end  int // counting all ever added
	from int // the first of the present stretch

	// Overrun is what this vehicle's open converter does in overrun.
	Overrun Overrun

	last   Point // taken, kept or not
	chain  Chain
	noise  Noise
	follow float64 // the turbine as the engine's chain would show it
	input  float64 // what it follows
	lost   float64 // how far follow may be off since a gap, rpm
	rate   float64
	pitch  float64 // usual, s
}

// Calibrate sets what is known of the vehicle from now on.
func (t *Trail) Calibrate(c Chain, n Noise) { t.chain, t.noise = c, n }

// Chain returns what was last set.
func (t *Trail) Chain() Chain { return t.chain }

// Noise returns what was last set.
func (t *Trail) Noise() Noise { return t.noise }

// PitchS is the usual time between points, in s.
func (t *Trail) PitchS() float64 { return t.pitch }

// Len is the number of points kept of the present stretch.
func (t *Trail) Len() int { return t.end - t.from }

// First and End bound the indices that are kept.
func (t *Trail) First() int { return t.from }

// End is one past the last index.
func (t *Trail) End() int { return t.end }

// Get returns the point of an index that is kept.
func (t *Trail) Get(i int) *Point { return &t.p[uint(i)%trailLen] }

// Forget ends the stretch: what comes next has no connection with it.
func (t *Trail) Forget() { t.from = t.end }

// Add takes the speeds of a row, works out Slip, Sigma and Rate in it, and
// reports whether it was kept: rows that are denser than 8 ms are thinned.
func (t *Trail) Add(p *Point) bool {
	if t.end > t.from && (p.At < t.last.At || p.At-t.last.At > apartMost) {
		t.from = t.end
	}
	t.align(p)
	t.last = *p
	if t.end > t.from && p.At-t.Get(t.end-1).At < pitchMin {
		return false
	}
	t.p[t.end%trailLen] = *p
	t.end++
	t.from = max(t.from, t.end-trailLen)
	return true
}

// align works out the slip of a row that comes next.
func (t *Trail) align(p *Point) {
	if t.end == t.from {
		t.follow, t.input, t.rate, t.lost = p.Turbine, p.Turbine, 0, 0
		p.Slip = p.Engine - p.Turbine
		p.Sigma = t.sigma(p)
		return
	}
	dt := (p.At - t.last.At).Seconds()
	if dt <= 0 {
		p.Slip, p.Rate, p.Sigma = t.last.Slip, t.last.Rate, t.last.Sigma
		return
	}
	if t.pitch == 0 {
		t.pitch = dt
	}
	t.pitch += float64(0.02 * (min(dt, 2*t.pitch) - t.pitch))
	t.remember(t.rateTo(p), dt)
	engine, turbine := p.Engine, p.Turbine
	switch d := t.chain.DelayS; {
	case d > 0:
		turbine = t.back(p, d, false)
	case d < 0:
		engine = t.back(p, -d, true)
	}
	// Nobody has seen how it went in a gap.
	if t.lost -= float64(t.lost * Share(dt, t.chain.FilterS)); dt > t.gapS() {
		t.lost = 2 * Behind(dt, t.chain.FilterS) * abs(turbine-t.input)
	}
	t.follow = Pass(t.follow, t.input, turbine, dt, t.chain.FilterS)
	t.input = turbine
	p.Slip = engine - t.follow
	p.Rate = t.rate
	p.Sigma = t.sigma(p)
}

// rateS is the least time over which a rate is taken, so that noise makes none.
const rateS = 0.04

// rateTo is how fast the turbine has turned up or down towards a row.
func (t *Trail) rateTo(p *Point) float64 {
	for i := t.end - 1; ; i-- {
		q := t.Get(i)
		if dt := (p.At - q.At).Seconds(); dt >= rateS || i == t.from {
			return abs(p.Turbine-q.Turbine) / max(dt, rateS)
		}
	}
}

// remember keeps the fastest rate for as long as delay and filter show it.
func (t *Trail) remember(rate, dt float64) {
	memory := 0.05 + t.chain.LaterS() + 2*t.chain.FilterS + t.chain.UnsureS
	t.rate -= float64(t.rate * Share(dt, memory))
	t.rate = max(t.rate, rate)
}

// back returns a speed as it was d seconds before a point that is not in yet.
func (t *Trail) back(p *Point, d float64, engine bool) float64 {
	at := p.At - bus.Micros(d*1e6)
	next := p
	for i := t.end - 1; i >= t.from; i-- {
		q := t.Get(i)
		if q.At <= at {
			return between(q, next, at, engine)
		}
		next = q
	}
	if engine {
		return next.Engine
	}
	return next.Turbine
}

func between(a, b *Point, at bus.Micros, engine bool) float64 {
	share := float64(at-a.At) / float64(b.At-a.At)
	if engine {
		return a.Engine + float64(share*(b.Engine-a.Engine))
	}
	return a.Turbine + float64(share*(b.Turbine-a.Turbine))
}

// Share is how far a first-order filter of a time constant goes towards its
// input in dt: 1-exp(-dt/tau) by its Padé approximant, the same on every
// machine.
func Share(dt, tau float64) float64 {
	if tau <= 0 || dt >= 2*tau {
		return 1
	}
	x := dt / tau
	return x / (1 + 0.5*x)
}

// Pass returns what a first-order filter of a time constant shows after dt in which
// its input went from was to now along a straight line, where it showed y before.
// After long steps, across a gap too, it is behind by what the line does in that time.
func Pass(y, was, now, dt, tau float64) float64 {
	if tau <= 0 {
		return now
	}
	behind := Behind(dt, tau)
	return y + float64(Share(dt, tau)*(now-float64(behind*(now-was))-y))
}

// Behind is the share of a step of dt by which the input that counts for a filter's
// is behind the last.
func Behind(dt, tau float64) float64 {
	if dt <= 2*tau {
		return 0.5
	}
	return tau / dt
}

// sigma is the standard deviation of a point's slip while the clutch holds. A
// step that is unknown is uniform, whose deviation is 0.29 of it.
func (t *Trail) sigma(p *Point) float64 {
	unsure := skewS + float64(0.06*t.pitch) + float64(0.5*t.chain.UnsureS)
	skew := float64(p.Rate * unsure)
	step := 0.4 * t.noise.StepRPM
	quantum := 0.4 * p.StepRPM
	r := t.noise.RippleRPM
	return math.Sqrt(float64(r*r) + float64(t.lost*t.lost) + float64(skew*skew) + float64(step*step) + float64(quantum*quantum) + 1)
}

// After returns the index of the first point at or after an instant.
func (t *Trail) After(at bus.Micros) int {
	lo, hi := t.from, t.end
	for lo < hi {
		mid := lo + (hi-lo)/2
		if t.p[mid%trailLen].At < at {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}
