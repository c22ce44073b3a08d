package stream

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"joltwatch/bus"
)

// What a ratio must rest on before it is used. An episode is a stretch of
// driving in one gear with the clutch closed; several of them, apart in time,
// show that the ratio stands still.
const (
	episodeMin   = 2 * bus.Second  // shorter ones say little
	episodeMax   = 10 * bus.Second // longer ones are cut, so that long driving counts more
	episodeGap   = bus.Second      // between two rows
	stableCount  = 4
	stableTime   = 20.0 // s
	stableSpread = 0.015
	episodeKeep  = 16 // the latest that count
	// closeSettle is how long after the clutch is said to be closed slip may
	// still be falling: an apply takes about a second (common practice, no
	// source).
	closeSettle = 1500 * bus.Second / 1000
	// Below these speeds one step of the signal and the filter of the wheel
	// sensors weigh too much.
	learnRoad   = 15.0  // km/h
	learnOutput = 300.0 // rpm
)

// RatioLearner estimates, gear by gear, engine speed over output or road speed
// from driving with the clutch closed, when engine and turbine turn as one.
type RatioLearner struct {
	gears    [2][maxGear + 2]learning // by what it is the ratio to; gear + 1
	gear     int
	open     [2]episode
	last     bus.Micros
	hasLast  bool
	changing bus.Micros // until when a shift may still be going on
	closed   bool
	settled  bus.Micros // from when on a closed clutch has no slip left

	// Where nothing says that the clutch is closed.
	alone  bool
	stated [maxGear + 2]float64 // turbine over output, by gear + 1
	side   int8
	rolls  [2]rolling
}

type episode struct {
	engine, speed float64 // sums
	from, to      bus.Micros
	n             int
}

type learning struct {
	ratios  [episodeKeep]float64
	n       int // ever
	seconds float64
	loads   int // stretches under load that agreed
}

func learnBase(i int) (Role, float64) {
	if i == 0 {
		return OutputSpeed, learnOutput
	}
	return VehicleSpeed, learnRoad
}

// ReportedClosed reports whether the controller says that the clutch is closed. A
// command does not say so: the top of a duty is 60 to 100 %, by vehicle.
func ReportedClosed(r *Row) bool { return r.Has(LockupState) && r.V[LockupState] == LockupClosed }

// Observe takes a row and whether the clutch is closed, which the caller knows:
// see ReportedClosed. It returns the ratio that the row has completed, if any.
func (l *RatioLearner) Observe(r *Row, closed bool) (LearnedRatio, bool) {
	shifting := r.Has(Shifting) && r.V[Shifting] != 0
	gear := GearNeutral
	if r.Has(Gear) && r.V[Gear] == math.Trunc(r.V[Gear]) && r.V[Gear] >= GearReverse && r.V[Gear] <= maxGear {
		gear = int(r.V[Gear])
	}
	if shifting || gear != l.gear {
		l.changing = r.At + gearSettle
	}
	if closed && !l.closed {
		l.settled = r.At + closeSettle
	}
	l.closed = closed
	gap := l.hasLast && (r.At-l.last > episodeGap || r.At < l.last)
	steady := closed && gear != GearNeutral && gear == l.gear && !gap && r.At >= l.changing && r.At >= l.settled && r.Has(EngineSpeed) && r.V[EngineSpeed] > 0
	var done LearnedRatio
	var ok bool
	for i := range l.open {
		e := &l.open[i]
		base, least := learnBase(i)
		use := steady && r.Has(base) && r.V[base] >= least
		if e.n > 0 && (!use || e.to-e.from >= episodeMax) {
			if e.to-e.from >= episodeMin && l.gear != GearNeutral {
				l.gears[i][l.gear+1].add(e)
				// Both bases may complete at once; the shaft's ratio is
				// the better one and comes first.
				if x := l.ratio(i, l.gear); !ok {
					done, ok = x, true
				}
			}
			*e = episode{}
		}
		if use {
			if e.n == 0 {
				e.from = r.At
			}
			e.engine += r.V[EngineSpeed]
			e.speed += r.V[base]
			e.to = r.At
			e.n++
		}
	}
	l.gear, l.last, l.hasLast = gear, r.At, true
	return done, ok
}

func (x *learning) add(e *episode) {
	x.ratios[x.n%episodeKeep] = e.engine / e.speed
	x.n++
	x.seconds += (e.to - e.from).Seconds()
}

// middle is the middle of the latest episodes, and half their range as a share
// of it.
func (x *learning) middle() (mid, spread float64) {
	var kept [episodeKeep]float64
	n := copy(kept[:], x.ratios[:min(x.n, episodeKeep)])
	slices.Sort(kept[:n])
	mid = kept[n/2]
	if n%2 == 0 {
		mid = (kept[n/2-1] + kept[n/2]) / 2
	}
	return mid, (kept[n-1] - kept[0]) / 2 / mid
}

// ratio is what is known of one gear.
func (l *RatioLearner) ratio(i, gear int) LearnedRatio {
	x := &l.gears[i][gear+1]
	base, _ := learnBase(i)
	mid, spread := x.middle()
	r := LearnedRatio{Gear: gear, Of: base, Episodes: x.n,
		Ratio: sixDigits(mid), Spread: sixDigits(max(spread, gearSpread)), Seconds: round1(x.seconds)}
	r.Stable = x.n >= stableCount && x.seconds >= stableTime && spread <= stableSpread
	if l.alone {
		r.Stable = x.n >= aloneCount && x.loads >= loadAgrees && spread <= stableSpread
	}
	return r
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }

// sixDigits rounds to six significant digits, the same on every machine.
func sixDigits(v float64) float64 {
	r, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 5, 64), 64)
	return r
}

// Text says the ratio with its spread and what it rests on, in one line.
func (r LearnedRatio) Text() string {
	what, unit := "turbine over "+r.Of.String(), ""
	if r.Of == VehicleSpeed {
		unit = " rpm for 1 km/h"
	}
	of := "gear " + strconv.Itoa(r.Gear)
	switch r.Gear {
	case GearReverse:
		of = "reverse"
	case GearNeutral:
		of, what = "all gears", "output over "+r.Of.String()
	}
	use := "in use"
	if !r.Stable {
		use = "not stable yet, not used"
	}
	return fmt.Sprintf("%s: %s %.4g%s ± %.1f %%, from %d stretches of %.0f s; %s", of, what, r.Ratio, unit, 100*r.Spread, r.Episodes, r.Seconds, use)
}

// Ratios returns what has been learned so far, stable or not, shaft ratios
// before road ratios, by gear.
func (l *RatioLearner) Ratios() []LearnedRatio {
	var out []LearnedRatio
	for i := range l.gears {
		for g := range l.gears[i] {
			if l.gears[i][g].n > 0 {
				out = append(out, l.ratio(i, g-1))
			}
		}
	}
	return out
}

// learn gives the learner a row, and takes what it has learned into use.
func (s *Stream) learn(w *Row) {
	if s.reported {
		if l, ok := s.learner.Observe(w, ReportedClosed(w)); ok {
			s.use(l)
		}
		return
	}
	done, n := s.learner.ObserveAlone(w, s.stepOf(OutputSpeed), s.stepOf(VehicleSpeed))
	for _, l := range done[:n] {
		s.use(l)
	}
}

// use takes a ratio into use, or out of it. One that rests on too little yet
// says nothing against what an earlier run has learned.
func (s *Stream) use(l LearnedRatio) {
	if l.Stable || l.Episodes >= stableCount {
		s.derive.learn(l)
	}
}

// stepOf is one raw step of the source in use, in the role's unit.
func (s *Stream) stepOf(r Role) float64 {
	if a := s.roles[r].active; a >= 0 {
		return s.feeds[a].step
	}
	return 0
}
