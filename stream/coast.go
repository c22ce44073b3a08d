package stream

import (
	"math"

	"joltwatch/bus"
)

// Where no controller says that the clutch is closed, rolling with the pedal
// released shows it: engine and road then slow down together, and the straight
// line through engine speed over road speed passes through nothing at nothing.
// With the clutch open the engine runs below the turbine by an amount that does
// not shrink with speed, so that the line misses the origin. What was found so
// counts only once driving under load has the same ratio: through an open
// converter the engine is below the turbine on one side and above it on the
// other.
const (
	// rollSettle is left out after the pedal has moved from one side to the
	// other: the driveline takes up its play (common practice, no source).
	rollSettle = 500 * bus.Second / 1000
	rollMin    = 1200 * bus.Second / 1000
	loadMin    = 2 * bus.Second
	// The pedal is released below one value and presses above the other, in %.
	rollPedal, loadPedal = 1.0, 5.0
	// originSure is the most by which the line may be unsure at nothing, as a
	// share of the engine speed, and rollSteps how many steps of the speed it
	// may miss by besides: a speed that is cut off is half a step low.
	originSure, rollSteps = 0.045, 0.75
	aloneCount            = 3
	loadAgrees            = 2
	loadSpread            = 0.02
)

// rolling is the stretch under way, for one of the two speeds.
type rolling struct {
	from, to             bus.Micros
	side                 int8 // -1 rolling, +1 under load, 0 neither
	n                    int
	x0, y0               float64
	sx, sy, sxx, sxy, yy float64

	// late are the latest points, which do not count yet: the gear may be
	// reported some time after the shift has begun.
	late       [rollLate]rollPoint
	first, end int
}

type rollPoint struct {
	at   bus.Micros
	x, y float64
}

// rollLate points, at least rollPitch apart, cover gearAhead.
const (
	rollLate  = 32
	rollPitch = 20_000 * bus.Micros(1)
)

// ObserveAlone takes a row where nothing says whether the clutch is closed;
// steps are one raw step of output and road speed in their units. It returns the
// n ratios that the row has completed: of the gear, and where the gear's ratio to
// the output shaft is stated (see State) of that shaft to the road.
func (l *RatioLearner) ObserveAlone(r *Row, outputStep, roadStep float64) (done [2]LearnedRatio, n int) {
	l.alone = true
	shifting := r.Has(Shifting) && r.V[Shifting] != 0
	gear := GearNeutral
	if r.Has(Gear) && r.V[Gear] == math.Trunc(r.V[Gear]) && r.V[Gear] >= GearReverse && r.V[Gear] <= maxGear {
		gear = int(r.V[Gear])
	}
	if shifting || gear != l.gear {
		l.changing = r.At + gearSettle
	}
	side := int8(0)
	if r.Has(Accelerator) && gear > GearNeutral && gear == l.gear && r.At >= l.changing && r.Has(EngineSpeed) && r.V[EngineSpeed] > 0 {
		switch a := r.V[Accelerator]; {
		case a < rollPedal:
			side = -1
		case a >= loadPedal:
			side = 1
		}
	}
	if side != l.side {
		l.side, l.settled = side, r.At+rollSettle
	}
	if l.hasLast && (r.At-l.last > episodeGap || r.At < l.last) || r.At < l.settled {
		side = 0
	}
	for i := range l.rolls {
		e := &l.rolls[i]
		base, least := learnBase(i)
		now := side
		if !r.Has(base) || r.V[base] < least {
			now = 0
		}
		if e.side != 0 && (now != e.side || gear != l.gear || e.to-e.from >= episodeMax) {
			step := outputStep
			if base == VehicleSpeed {
				step = roadStep
			}
			if l.gear > GearNeutral && l.gears[i][l.gear+1].roll(e, step, 1) && n < len(done) {
				done[n] = l.ratio(i, l.gear)
				n++
			}
			if by := l.stated[l.gear+1]; l.gear > GearNeutral && base == VehicleSpeed && by > 0 && l.gears[i][GearNeutral+1].roll(e, step, by) && n < len(done) {
				done[n] = l.ratio(i, GearNeutral)
				n++
			}
			*e = rolling{}
		}
		if now != 0 {
			e.add(r.At, now, r.V[base], r.V[EngineSpeed])
		}
	}
	l.gear, l.last, l.hasLast = gear, r.At, true
	return done, n
}

// State tells the ratio of a gear to the output shaft, as the vehicle file has
// it: what one gear teaches of the tyres then holds in all.
func (l *RatioLearner) State(gear int, ratio float64) {
	if gear > GearNeutral && gear <= maxGear {
		l.stated[gear+1] = ratio
	}
}

func (e *rolling) add(at bus.Micros, side int8, x, y float64) {
	e.side = side
	if e.end > e.first && at-e.late[(e.end-1)%rollLate].at < rollPitch {
		return
	}
	for e.end > e.first && (at-e.late[e.first%rollLate].at >= gearAhead || e.end-e.first == rollLate) {
		e.count(&e.late[e.first%rollLate])
		e.first++
	}
	e.late[e.end%rollLate] = rollPoint{at, x, y}
	e.end++
}

func (e *rolling) count(p *rollPoint) {
	if e.n == 0 {
		e.from, e.x0, e.y0 = p.at, p.x, p.y
	}
	x, y := p.x-e.x0, p.y-e.y0
	e.sx += x
	e.sy += y
	e.sxx += float64(x * x)
	e.sxy += float64(x * y)
	e.yy += float64(y * y)
	e.to = p.at
	e.n++
}

// roll counts a stretch that is over, its ratio taken by another one. It reports
// whether it said anything.
func (x *learning) roll(e *rolling, step, by float64) bool {
	n := float64(e.n)
	if e.n < 6 {
		return false
	}
	mx, my := e.x0+e.sx/n, e.y0+e.sy/n
	k := my / mx
	if e.side > 0 {
		if e.to-e.from < loadMin || x.n == 0 {
			return false
		}
		mid, _ := x.middle()
		if math.Abs(k/by/mid-1) > loadSpread {
			return false
		}
		x.loads++
		return true
	}
	vx := e.sxx/n - float64(e.sx/n)*float64(e.sx/n)
	if e.to-e.from < rollMin || vx <= 0 {
		return false
	}
	cov := e.sxy/n - float64(e.sx/n)*float64(e.sy/n)
	vy := e.yy/n - float64(e.sy/n)*float64(e.sy/n)
	b := cov / vx
	resid := max(0, vy-float64(b*cov)) + float64(float64(step*k)*float64(step*k))/12
	// The line at nothing, and the standard deviation of that.
	origin := my - float64(b*mx)
	sd := math.Sqrt(resid/n) * math.Sqrt(1+float64(mx*mx)/vx)
	if sd > float64(originSure*my) || math.Abs(origin) > float64(rollSteps*step*k)+float64(1.5*sd) {
		return false
	}
	x.ratios[x.n%episodeKeep] = k / by
	x.n++
	x.seconds += (e.to - e.from).Seconds()
	return true
}
