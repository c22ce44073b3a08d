package coupling

import "joltwatch/bus"

// apart is a cumulative sum (Page 1954) of the log-likelihood ratio of parted
// against coupled: where the sum leaves nothing for good the speeds parted. It
// falls back as the speeds come together again, and at once where they then
// move together over more than an engine that does not follow could stay near;
// speeds that stood apart do so outside of shifts.
type apart struct {
	sum float64
	// from is the first point of the excursion under way, fromAt its instant.
	from   int
	fromAt bus.Micros
	// clearS is how long it has been apart outside of shifts, allS in all.
	clearS, allS float64
	// together is the last instant at which the speeds were near at a point
	// that could have told.
	together    bus.Micros
	hasTogether bool
	// What the turbine has covered in the points that have been near since.
	near                    int
	low, high, widest, most float64
	last                    bus.Micros
	// stood: the excursion has been a separation, from point stoodAt on; nearS
	// is how long it has not been one since.
	stood   bool
	stoodAt int
	nearS   float64
	// strayed: the slip has been off since the speeds last moved together, and
	// from when on.
	strayed   bool
	strayedAt bus.Micros
}

const (
	// rippleS is the time after which ripple of closed slip is another one:
	// points nearer to each other count less.
	rippleS = 0.03
	// even is half the square of the deviation, in standard deviations, that is
	// as likely of speeds that have parted: ln(100 rpm / 5 rpm) = 3, and 1 more
	// since a vehicle's ripple has tails. One point says no more than mostMore
	// for them.
	even     = 4.0
	mostMore = 6.0
	// standSum: e^6 times as likely parted as coupled. mostSum keeps it
	// possible to believe in speeds that come together again.
	standSum = 6.0
	mostSum  = 60.0
	nearSD   = 3.0
	// tellRPM is the standard deviation of slip above which a point says little.
	tellRPM = 14.0
	// coverSD is how far the turbine must go, in standard deviations of slip,
	// with the slip within nearSD of what it was: an engine that stands still
	// leaves in two thirds of that.
	coverSD = 9.0
	// longNearS is how long speeds must stay near that had parted, if the
	// turbine does not move, to be taken for coupled again.
	longNearS = 1.0
)

// step takes the next point, whose slip is off its base by d.
func (a *apart) step(p *Point, i int, d, needRPM float64) {
	dt := 0.0
	if a.last != 0 {
		dt = (p.At - a.last).Seconds()
	}
	a.last = p.At
	z := abs(d) / p.Sigma
	gain := min(float64(0.5*z*z)-even, mostMore)
	if gain < 0 {
		gain *= min(1, tellRPM/p.Sigma)
	}
	if a.sum == 0 && gain > 0 {
		a.from, a.fromAt, a.clearS, a.allS, a.most = i, p.At, 0, 0, 0
		if !a.strayed {
			a.strayed, a.strayedAt = true, p.At-micros(dt)
		}
	}
	a.sum = min(max(a.sum+float64(min(max(dt, 0.005)/rippleS, 1)*gain), 0), mostSum)
	if a.stood && a.sum < standSum {
		// Speeds that stood apart come together by moving together, or by
		// staying together for long.
		if a.nearS += dt; a.nearS < longNearS {
			a.sum = max(a.sum, 0.5)
		}
	} else {
		a.nearS = 0
	}
	if a.sum >= standSum && !a.stood {
		a.stoodAt = i
	}
	a.stood = a.sum > 0 && (a.stood || a.sum >= standSum)
	if a.sum > 0 {
		a.allS += dt
	}
	if z > nearSD {
		a.near = 0
		a.most = max(a.most, abs(d))
		if !p.Shifting && p.Sigma < tellRPM {
			a.clearS += min(dt, 0.15)
		}
		return
	}
	a.nearby(p, needRPM)
}

// nearby looks whether the speeds move together while they are near.
func (a *apart) nearby(p *Point, needRPM float64) {
	if a.stood && p.Shifting {
		a.near = 0 // a shift that lifts the turbine lifts an engine in the fluid as well
		return
	}
	if a.near == 0 {
		a.low, a.high, a.widest = p.Turbine, p.Turbine, p.Sigma
	}
	a.near++
	a.low, a.high, a.widest = min(a.low, p.Turbine), max(a.high, p.Turbine), max(a.widest, p.Sigma)
	if a.high-a.low >= max(needRPM, float64(coverSD*a.widest)) {
		a.sum, a.strayed, a.stood = 0, false, false
	}
	if p.Sigma < tellRPM && a.sum == 0 {
		a.together, a.hasTogether = p.At, true
	}
}

// stands reports whether the excursion is a separation for now.
func (a *apart) stands() bool { return a.sum >= standSum }

// lasts reports whether it has lasted: beyond what ripple, a shift or speeds
// that take each other up again make.
func (a *apart) lasts() bool {
	return a.stands() && (a.clearS >= lastS || a.clearS >= farS && a.most >= farRPM || a.allS >= shiftMostS)
}

const (
	lastS        = 0.3
	farS, farRPM = 0.15, 120.0
	// shiftMostS: no shift hides the speeds for longer (cp: light shifts take
	// up to a second).
	shiftMostS = 1.5
)
