package main

import (
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"joltwatch/cmd/joltshop/questions"
	"joltwatch/detect"
)

// scenario is what vehicles of a fleet share besides faults. Everything is invented;
// the numbers are chosen so that days and weeks are alike in the ways that make a
// test say more than was shown.
type scenario struct {
	name string
	// alike is the correlation of one working day with the next, of a vehicle's lag
	// and of its rate of late releases.
	alike float64
	// shift is by what share all lags are off in the week that is asked about.
	shift float64
	// season cools the fluid by so many degrees over the time; known says what share
	// of the units report its temperature.
	season, known float64
	// fleetSwing and ownSwing are the standard deviations of the logarithm of the
	// factor on rates from week to week, of the fleet and of each vehicle.
	fleetSwing, ownSwing float64
	// mixed puts two kinds in the fleet whose lags, rates and weeks differ; named says
	// whether the shop has told them apart.
	mixed, named bool
	// silent is the share of vehicles that are missing for some weeks.
	silent float64
	// beyond marks one that no aim is set for.
	beyond bool
	// batch makes a third of the vehicles worse from the week that is asked about on.
	batch bool
}

// scenarios are what the false share has to hold in.
func scenarios() []scenario {
	list := []scenario{{name: "independent days"}}
	for _, c := range []float64{0.5, 0.7, 0.9} {
		list = append(list, scenario{name: fmt.Sprintf("correlation %.1f", c), alike: c})
	}
	for _, s := range []float64{-0.10, -0.05, 0.05, 0.10} {
		list = append(list, scenario{name: fmt.Sprintf("shift %+.0f %%", 100*s), alike: 0.5, shift: s})
	}
	return append(list,
		scenario{name: "season, 20 degrees", alike: 0.5, season: 20, known: 1},
		scenario{name: "season, half known", alike: 0.5, season: 20, known: 0.5},
		scenario{name: "weekly rate swings", alike: 0.5, fleetSwing: 0.5, ownSwing: 0.3},
		scenario{name: "mixed kinds, named", alike: 0.5, shift: 0.05, mixed: true, named: true},
		scenario{name: "mixed kinds, unnamed", alike: 0.5, shift: 0.05, mixed: true},
		scenario{name: "silent vans", alike: 0.5, shift: 0.05, silent: 0.3},
		scenario{name: "all of it (no aim)", alike: 0.7, shift: 0.05, season: 15, known: 0.8, fleetSwing: 0.3, ownSwing: 0.2, mixed: true, named: true, silent: 0.15, beyond: true})
}

// fault is what was planted in a vehicle.
type fault int

const (
	sound   fault = iota
	changed       // late releases in six more of a hundred stops this week
	slower        // every release takes a third longer this week
	worse         // late releases in six more of a hundred stops, always
)

const (
	vehicles = 60
	weeks    = 9
	perDay   = 36 // releases that can be told, of a working day
)

var lastDay = time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC)

// van is one vehicle's own.
type van struct {
	name, group      string
	fault            fault
	base             float64 // rate of late releases
	usual            float64 // lag, s
	temperatureKnown bool
	gone             [weeks]bool
	kind             int
}

// draw makes the answers that a fleet's dataset would give, and its truth.
func draw(r *rand.Rand, s scenario, planted float64) (*questions.Answers, map[string]fault) {
	a, truth := &questions.Answers{}, map[string]fault{}
	var swing [2][weeks]float64
	for k := range weeks {
		common := s.fleetSwing * r.NormFloat64()
		swing[0][k], swing[1][k] = common, common
	}
	for i := range vehicles {
		v := newVan(r, s, i, planted)
		if !v.gone[0] {
			truth[v.name] = v.fault
		}
		v.drive(r, s, swing[v.kind], a)
		a.Coverage = append(a.Coverage, questions.Coverage{Vehicle: v.name, Group: v.group})
	}
	return a, truth
}

func newVan(r *rand.Rand, s scenario, i int, planted float64) *van {
	v := &van{name: fmt.Sprintf("van-%03d", i), group: "all", temperatureKnown: r.Float64() < s.known}
	rate := 0.008
	v.usual = 0.14 * math.Exp(0.15*r.NormFloat64())
	if s.mixed && i%2 == 1 {
		v.kind, rate, v.usual = 1, 0.012, 1.4*v.usual
		if s.named {
			v.group = "other"
		}
	}
	const alike = 0.002 // intraclass correlation of sound vehicles
	v.base = distuv.Beta{Alpha: rate * (1/alike - 1), Beta: (1 - rate) * (1/alike - 1), Src: r}.Rand()
	switch {
	case s.batch && i%3 == 0:
		v.fault = slower
	case r.Float64() < planted:
		v.fault = fault(1 + r.IntN(3))
	}
	if r.Float64() < s.silent {
		from := r.IntN(weeks)
		for k := from; k < min(from+1+r.IntN(4), weeks); k++ {
			v.gone[k] = true
		}
	}
	return v
}

// drive lays down the vehicle's working days, the oldest first.
func (v *van) drive(r *rand.Rand, s scenario, swing [weeks]float64, a *questions.Answers) {
	c := questions.Opportunities{Vehicle: v.name, Group: v.group, Kind: detect.KindReleaseLag, Weeks: make([]questions.Count, weeks)}
	lagAR, rateAR := r.NormFloat64(), r.NormFloat64()
	keep := math.Sqrt(1 - s.alike*s.alike)
	var days []questions.Day
	for k := weeks - 1; k >= 0; k-- {
		own := s.ownSwing * r.NormFloat64()
		for d := range 5 {
			lagAR = s.alike*lagAR + keep*r.NormFloat64()
			rateAR = s.alike*rateAR + keep*r.NormFloat64()
			if v.gone[k] {
				continue
			}
			ago := 7*k + 6 - d
			fluid := 75 + 4*r.NormFloat64() + s.season*float64(ago)/(7*weeks)
			// Colder oil leaves more slowly: some 0.8 % a degree.
			y := math.Log(v.usual) + 0.04*lagAR - 0.008*(fluid-75) + 0.038*r.NormFloat64()
			late := v.base * math.Exp(swing[k]+own+0.45*rateAR)
			if k == 0 {
				shift := s.shift
				if v.kind == 1 {
					shift = -shift / 2
				}
				y += math.Log1p(shift)
				switch v.fault {
				case slower:
					y += math.Log(4.0 / 3)
				case changed:
					late += 0.06
				}
			}
			if v.fault == worse {
				late += 0.06
			}
			n := perDay - 6 + r.IntN(12)
			hits := min(int64(distuv.Poisson{Lambda: float64(n) * late, Src: r}.Rand()), int64(n))
			c.Weeks[k].Add(questions.Count{Seen: int64(n) + 4, Observable: int64(n), Hits: hits})
			days = append(days, questions.Day{Vehicle: v.name, Group: v.group, Ago: int64(ago), LagS: math.Exp(y), Stops: int64(n),
				FluidC: sql.NullFloat64{Float64: fluid, Valid: v.temperatureKnown}})
		}
	}
	a.Opportunities = append(a.Opportunities, c)
	a.Days = append(a.Days, days...)
}
