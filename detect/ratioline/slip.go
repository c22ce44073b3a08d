package ratioline

import (
	"math"

	"joltwatch/bus"
)

// Slip is a clutch that let the engine run ahead in top gear at a steady road speed
// with the pedal pressed, where this vehicle's clutch has held with more pedal at less
// speed: a controller that opens a clutch on purpose does so along such a border
// (common practice, no source).
type Slip struct {
	From, To bus.Micros
	// Line is the number of the line, from the lowest gear on.
	Line int
	// MeanRPM and PeakRPM are off the line, LeastRPM is what counts as slip.
	MeanRPM, PeakRPM, LeastRPM float64
	// Kmh is the mean road speed, Pedal the mean pedal, in percent above rest.
	Kmh, Pedal float64
	// HeldS is for how long the clutch held with as much pedal or more at that
	// speed or less, SlippedS for how long it slipped under about that load before.
	HeldS, SlippedS float64
}

const (
	// Slip counts from slipLeast rpm and lineKnown of the turbine's speed on, up to a
	// mean of slipMost, at slipKmh or more with a road speed that is steady within slipRate
	// km/h/s, for slipS seconds at the least (common practice, no source).
	slipLeast = 30.0
	slipMost  = 300.0
	slipKmh   = 30.0
	slipRate  = 1.0
	slipS     = 5.0
	// slipBack is the share of what counts from which on it holds again.
	slipBack = 0.6
	// slipFrom is how soon after a clutch that held slip begins that is of the
	// same clutch, still on; slipPause how long what is looked at may be unsteady.
	slipFrom  = 3 * bus.Second
	slipPause = bus.Second
	// slipNear is the share of the way to the next lower gear's line that slip may
	// go, hiddenSlip that of the turbine's speed from which a gear that is still
	// to be learned may be it, until slipKnown seconds were driven.
	slipNear   = 0.6
	hiddenSlip = 0.07
	slipKnown  = 3600.0
)

// slipWatch looks for slip among the points that are told.
type slipWatch struct {
	loads loads
	real  slipRun
	// test has slip laid over it, to see what would have been told.
	test slipRun
	// held is how long the clutch held since a test last came to an end, minute
	// what of a minute under load has gone by, would whether slip in it would have
	// been told.
	held, minute float64
	would        bool
	last         bus.Micros
}

// slipRun is what is followed of one course of slip.
type slipRun struct {
	on           bool
	now          float64 // slip of about the last second, rpm
	has          bool
	held, steady bus.Micros // when it last held, and was steady
	from, to     bus.Micros
	// Slip, road speed and pedal are summed over n seconds.
	sum, kmh, pedal float64
	n, peak, least  float64
	heldS, slipped  float64
}

const (
	// laidSlip is the slip of a test, in rpm, testAfter how long the clutch must
	// have held before it, in s.
	laidSlip  = 60.0
	testAfter = 3.0
	// opportunityS is how much time under load is one opportunity, in s.
	opportunityS = 60.0
)

// see takes the next point that is told, with what there is of the lines.
func (w *slipWatch) see(m *Map, p *Point, k *mark, drivenS float64, out Out) {
	dt := min((p.At - w.last).Seconds(), gap.Seconds())
	w.last = p.At
	if !m.slips(p) {
		w.pause(m, p.At, out)
		return
	}
	line := &m.of[0]
	turbine := float64(line.Ratio * p.Kmh)
	slip := p.RPM - turbine
	least := slipLeast + float64(lineKnown*turbine)
	holds, before := k.state == Closed && k.line == 0, k.state == Closed && k.line == 1
	far := m.n > 1 && slip > float64(slipNear*(m.of[1].Ratio-line.Ratio)*p.Kmh) || drivenS < slipKnown && slip > float64(hiddenSlip*turbine)
	if w.real.step(p, slip, least, dt, holds, before, far) {
		w.finish(m, &w.real, out)
	}
	if holds && !w.real.on && w.real.now < least {
		w.loads.add(p.Kmh, p.Press, load{held: dt})
		w.opportunity(p, dt, out)
	}
	w.try(m, p, slip, least, dt, holds)
}

// end ends what is under way.
func (w *slipWatch) end(m *Map, out Out) {
	if w.real.on {
		w.finish(m, &w.real, out)
	}
	w.real, w.test, w.held = slipRun{}, slipRun{}, 0
}

// slips reports whether slip could be seen at a point: under drive at a steady road
// speed, with the top gear's line known.
func (m *Map) slips(p *Point) bool {
	return m.n > 0 && m.of[0].firm() && m.stepped() && p.Pedal == PedalOn && p.Kmh >= slipKmh && math.Abs(p.Rate) <= slipRate
}

// pause ends what is under way once it has not been steady for some time.
func (w *slipWatch) pause(m *Map, at bus.Micros, out Out) {
	if w.real.on && at-w.real.steady > slipPause {
		w.finish(m, &w.real, out)
	}
	if at-w.real.steady > slipPause {
		w.real.has, w.test = false, slipRun{}
	}
}

// step takes a point and reports whether a course of slip has come to its end.
func (r *slipRun) step(p *Point, slip, least, dt float64, holds, before, far bool) (ended bool) {
	ended = r.on && p.At-r.steady > gap
	if p.At-r.steady > gap || !r.has || far {
		r.now, r.has = slip, true
	}
	r.steady = p.At
	r.now += float64(min(1, dt) * (slip - r.now))
	switch {
	case ended:
	case r.on && (far || slip > 2*slipMost || r.now < float64(slipBack*least)):
		return true
	case r.on:
		r.add(p, slip, dt)
	case r.now >= least && slip >= least && !far && r.held > 0 && p.At-r.held <= slipFrom:
		*r = slipRun{on: true, now: r.now, has: true, held: r.held, steady: r.steady, from: p.At, to: p.At, least: least}
		r.add(p, slip, dt)
	}
	if before || holds && r.now < least {
		r.held = p.At
	}
	return ended
}

func (r *slipRun) add(p *Point, slip, dt float64) {
	r.to = p.At
	r.sum += float64(slip * dt)
	r.n += dt
	r.peak = max(r.peak, slip)
	r.kmh += float64(p.Kmh * dt)
	r.pedal += float64(p.Press * dt)
}

// told reports whether a course is told: it has lasted, and it is an exception.
func (w *slipWatch) told(r *slipRun) bool {
	if r.n <= 0 || (r.to-r.from).Seconds() < slipS || r.sum/r.n < r.least || r.sum/r.n > slipMost {
		return false
	}
	kmh, pedal := r.kmh/r.n, r.pedal/r.n
	usual := w.loads.harder(kmh, pedal)
	near := w.loads.near(kmh, pedal)
	r.heldS, r.slipped = usual.held, near.slipped
	onPurpose := usual.slipped > float64(seldomShare*usual.held) && r.sum/r.n < float64(moreSlip*usual.sum/usual.slipped)
	return usual.held >= heldLeast && near.slipped <= float64(slippedShare*(near.held+near.slipped)) && !onPurpose
}

// finish ends a course of slip, and tells of it where it is none of this vehicle's
// habit; it is part of that from then on.
func (w *slipWatch) finish(m *Map, r *slipRun, out Out) {
	weight := 1.0
	if w.told(r) {
		weight = toldWeight
		out.Slipped(&Slip{From: r.from, To: r.to, Line: m.n, MeanRPM: r.sum / r.n, PeakRPM: r.peak, LeastRPM: r.least,
			Kmh: r.kmh / r.n, Pedal: r.pedal / r.n, HeldS: r.heldS, SlippedS: r.slipped})
	}
	if r.n > 0 {
		w.loads.add(r.kmh/r.n, r.pedal/r.n, load{slipped: weight * r.n, sum: weight * r.sum})
	}
	*r = slipRun{}
}

// try lays slip over what is there, from a clutch that holds on, and sees whether it
// would have been told.
func (w *slipWatch) try(m *Map, p *Point, slip, least, dt float64, holds bool) {
	if w.held += dt; !holds {
		w.held = 0
	}
	if w.held >= testAfter || w.test.on {
		slip += laidSlip
	}
	if ended := w.test.step(p, slip, least, dt, holds && w.held < testAfter, false, false); ended || w.test.on && w.told(&w.test) {
		w.would = w.would || w.told(&w.test)
		w.test, w.held = slipRun{}, 0
	}
}

// opportunity counts time under load with the clutch on.
func (w *slipWatch) opportunity(p *Point, dt float64, out Out) {
	if w.minute += dt; w.minute >= opportunityS {
		out.Carried(w.would)
		w.minute, w.would = 0, false
	}
}

const (
	// heldLeast is for how long, in s, a clutch must have held against more for
	// slip to be an exception, slippedShare the share of the time under about that
	// load in which it may have slipped.
	heldLeast    = 30.0
	slippedShare = 0.2
	// Where it has slipped against more for longer than seldomShare of that time,
	// it does so on purpose, and moreSlip times as much is an exception.
	seldomShare = 0.05
	moreSlip    = 1.5
	// toldWeight is what slip that is told counts for of this: an exception is no
	// habit until it has come often.
	toldWeight  = 0.1
	loadPedals  = 20
	loadSpeeds  = 25
	loadPercent = 5.0
	loadKmh     = 10.0
	// loadKeep is what one cell keeps at the most, in s: what is usual may change.
	loadKeep = 3600.0
)

// Load is for how long the clutch held, and slipped, in top gear with that much pedal
// or up to 5 % more, in percent above its rest, at that road speed or up to 10 km/h
// more.
type Load struct {
	Kmh      float64 `json:"kmh"`
	Pedal    float64 `json:"pedal_percent"`
	HeldS    float64 `json:"held_s"`
	SlippedS float64 `json:"slipped_s"`
	// SlipRPM is by how much it slipped in the mean.
	SlipRPM float64 `json:"slip_rpm"`
}

// load is the same of one cell, sum the slip in rpm summed over the time.
type load struct{ held, slipped, sum float64 }

func (l *load) plus(x load) {
	l.held, l.slipped, l.sum = l.held+x.held, l.slipped+x.slipped, l.sum+x.sum
}

// loads are those of one vehicle.
type loads [loadSpeeds][loadPedals]load

func loadCell(kmh, pedal float64) (x, y int) {
	return min(max(int(kmh/loadKmh), 0), loadSpeeds-1), min(max(int(pedal/loadPercent), 0), loadPedals-1)
}

func (l *loads) add(kmh, pedal float64, x load) {
	i, j := loadCell(kmh, pedal)
	c := &l[i][j]
	c.plus(x)
	if c.held > loadKeep {
		c.held, c.slipped, c.sum = c.held/2, c.slipped/2, c.sum/2
	}
}

// harder adds up what was asked of the clutch with as much pedal or more at a road
// speed or less: of an engine that turns no faster it then carried as much.
func (l *loads) harder(kmh, pedal float64) (all load) {
	x, y := loadCell(kmh, pedal)
	for i := 0; i <= x; i++ {
		for j := y; j < loadPedals; j++ {
			all.plus(l[i][j])
		}
	}
	return all
}

// near adds up the time under about that load: up to 10 % more pedal and 10 km/h more or
// less. A clutch that slips on purpose does so there as well.
func (l *loads) near(kmh, pedal float64) (all load) {
	x, y := loadCell(kmh, pedal)
	for i := max(x-1, 0); i <= min(x+1, loadSpeeds-1); i++ {
		for j := y; j <= min(y+1, loadPedals-1); j++ {
			all.plus(l[i][j])
		}
	}
	return all
}

// list returns the cells that hold something.
func (l *loads) list() (out []Load) {
	for x := range l {
		for y, c := range l[x] {
			if c.held >= 0.1 || c.slipped >= 0.1 {
				out = append(out, Load{float64(x) * loadKmh, float64(y) * loadPercent, round(c.held, 0.1), round(c.slipped, 0.1), round(c.sum/max(c.slipped, 0.1), 0.1)})
			}
		}
	}
	return out
}
