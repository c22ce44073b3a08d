package find

import (
	"maps"
	"math"
	"slices"
)

// Progress is told how far the analysis is, in steps.
type Progress func(done, total int)

// Bounds of what counts as found, on the scale of speedTriple.score (at most 1.17)
// and of the shares named.
const (
	mostScore  = 1.17
	leastScore = 1.0
	// roadScore is asked where no standstill was seen, which shows most.
	roadScore = 1.05
	// margin is by how much a claim has to be ahead of the next that is not
	// the same speed once more.
	margin     = 0.02
	clearScore = 1.05 // no other start needs to be tried
	leastR2    = 0.98
	// mostStepped is the share of time in gear that a turbine may stand at another
	// gear's ratio to the engine: a converter slips by no fixed ratio.
	mostStepped  = 0.09
	mostRivals   = 6
	enoughLooked = 1500 // instants, for the first look at all there is
	leastAnswers = 10
)

// analysis is one run over a survey.
type analysis struct {
	s      *Survey
	grid   instants
	step   float64 // s
	ids    []Identifier
	pool   []*series // all that may be numbers with inertia
	result *Result

	engineFit, roadFit map[*series]fit
	heldOf             *traffic // see hold
	heldWord           int
	words              []uint64
	unheld             []int
	values             []int16 // see steps
	// What the triple settled on; nil where none was found.
	triple                     *speedTriple
	engines, turbines, outputs []*speedTriple
}

// Analyse works out what the survey has seen. The survey may go on afterwards.
func (s *Survey) Analyse(progress Progress) *Result {
	if progress == nil {
		progress = func(int, int) {}
	}
	a := &analysis{s: s, grid: s.instants(), result: &Result{Duration: s.Duration(), Frames: s.Frames, Unfollowed: s.Unfollowed, Backwards: s.Backwards}}
	a.step = a.grid.step.Seconds()
	if d := s.Duration().Seconds(); d > 0 {
		a.result.Kept = math.Min(1, float64(len(a.grid.at))*a.step/d)
	}
	const steps = 6
	rs := rules()
	for _, t := range s.sorted() {
		a.ids = append(a.ids, t.identify(rs))
	}
	a.result.Identifiers = a.ids
	progress(1, steps)
	a.references()
	a.pool = speeds(a.ids, &a.grid, s.answers.sender)
	progress(2, steps)
	a.fits()
	a.search()
	progress(3, steps)
	a.shafts()
	a.road()
	progress(4, steps)
	a.gear()
	progress(5, steps)
	a.pedal()
	a.brake()
	a.traces()
	progress(6, steps)
	return a.result
}

// traces adds what plots need.
func (a *analysis) traces() {
	r := a.result
	for _, at := range a.grid.at {
		r.Times = append(r.Times, (at - a.s.first).Seconds())
	}
	for i := range r.Roles {
		for k := range r.Roles[i].Proposals {
			p := &r.Roles[i].Proposals[k]
			p.RawMax = runFromField(p.Field).mask()
			if p.s.codes {
				p.RawMax = p.s.run.mask() - 1
			}
			if k > 0 {
				continue
			}
			p.Trace = make([]float64, len(a.grid.at))
			if p.s.grid == nil {
				for j, v := range a.steps(p.s.t, p.s.run) {
					p.Trace[j] = float64(v)
					if v < 0 {
						p.Trace[j] = math.NaN()
					}
				}
				continue
			}
			for j, v := range p.s.grid {
				p.Trace[j] = v*p.Scale + p.Offset
			}
		}
	}
}

func (a *analysis) references() {
	for _, p := range slices.Sorted(maps.Keys(a.s.answers.ref)) {
		r := a.s.answers.ref[p]
		seen := ReferenceSeen{Parameter: p, Name: parameters[p].name, Unit: parameters[p].unit, Answers: r.seen, Min: math.Inf(1), Max: math.Inf(-1)}
		for _, v := range r.v {
			seen.Min, seen.Max = math.Min(seen.Min, v), math.Max(seen.Max, v)
		}
		for i := 0; i < len(r.v); i += 1 + len(r.v)/600 {
			seen.At = append(seen.At, (r.at[i] - a.s.first).Seconds())
			seen.Values = append(seen.Values, r.v[i])
		}
		a.result.References = append(a.result.References, seen)
	}
}

// fits compares every series with the references.
func (a *analysis) fits() {
	a.engineFit, a.roadFit = map[*series]fit{}, map[*series]fit{}
	engine, road := a.s.answers.get(ParamEngineSpeed), a.s.answers.get(ParamRoadSpeed)
	for _, x := range a.pool {
		if engine != nil {
			a.engineFit[x] = x.fitTo(engine)
		}
		if road != nil {
			a.roadFit[x] = x.fitTo(road)
		}
	}
}
