package review

import (
	"errors"
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// Trace is one line over time. T is in order; V is NaN where the value is
// unknown from then on until the next.
type Trace struct {
	// Name is that of the role, or "slip".
	Name string
	Unit string
	// Step is true where a value holds until the next one: states, gears.
	Step bool
	// Derived is true where the value was worked out from other roles.
	Derived bool
	// Quantum and Offset give the values that the bus can send:
	// Quantum*integer + Offset; Quantum is a display step where there is no
	// one answer.
	Quantum, Offset float64
	T               []bus.Micros
	V               []float64
}

// Slip is the name of the trace of engine speed less turbine speed, which is
// no role of its own.
const Slip = "slip"

// ClutchState is the name of the trace of what the clutch does; its values
// index ClutchStates.
const ClutchState = "clutch_state"

// ClutchStates are the states by the value of the trace.
var ClutchStates = [...]string{"unknown", "open", "partial", "closed", "coast"}

// ErrNoPlan says that a store holds no plan to decode its frames with.
var ErrNoPlan = errors.New("the store holds no plan, so its frames cannot be decoded")

// Frames returns the stored frames of [from, to] of that boot.
func (s *Stay) Frames(boot uint32, from, to bus.Micros) ([]bus.Frame, error) {
	if s.evidence == nil {
		return nil, nil
	}
	return s.evidence(boot, from, to)
}

// Traces decodes what is stored of [from, to] of that boot, in the order of
// the roles with slip after the speeds. Only roles with a sample are there.
func (s *Stay) Traces(boot uint32, from, to bus.Micros) ([]Trace, error) {
	plan := s.PlanOf(boot)
	if plan == nil {
		return nil, ErrNoPlan
	}
	frames, err := s.Frames(boot, from, to)
	if err != nil && len(frames) == 0 {
		return nil, err
	}
	list, derr := Decode(plan, s.SettingsOf(boot), frames)
	return list, errors.Join(err, derr)
}

// Decode runs frames through the plan and returns their traces; the state of
// the clutch is worked out with the settings.
func Decode(plan *stream.Plan, set detect.Settings, frames []bus.Frame) ([]Trace, error) {
	st, err := stream.New(plan)
	if err != nil {
		return nil, err
	}
	c := newCollector(plan, set)
	for i := range frames {
		st.Push(&frames[i], c)
	}
	st.Flush(c)
	return c.traces(), nil
}

// collector takes samples as they come and the slip of each row.
type collector struct {
	plan  *stream.Plan
	roles [stream.NumRoles]Trace
	// worked is the turbine speed of rows in which it was derived.
	worked Trace
	slip   Trace
	state  Trace
	// monitor says what state the clutch is in; what it finds is not asked
	// for, as the store holds what was found in the vehicle.
	monitor *detect.Monitor
}

func newCollector(plan *stream.Plan, set detect.Settings) *collector {
	c := &collector{plan: plan, monitor: detect.New(set, plan, nil)}
	for r := range c.roles {
		role := stream.Role(r)
		c.roles[r] = Trace{Name: role.String(), Unit: role.Unit(), Step: Stepped(role)}
	}
	c.worked = Trace{Name: stream.TurbineSpeed.String(), Unit: "rpm", Derived: true, Quantum: 0.1}
	c.slip = Trace{Name: Slip, Unit: "rpm", Quantum: 0.1}
	c.state = Trace{Name: ClutchState, Step: true, Quantum: 1}
	return c
}

// Stepped reports whether the role's value holds until the next: states and
// gears.
func Stepped(r stream.Role) bool {
	switch r {
	case stream.LockupState, stream.Gear, stream.Shifting, stream.Brake, stream.DriverMark:
		return true
	}
	return false
}

// Frame implements stream.Sink.
func (c *collector) Frame(*bus.Frame) {}

// Samples implements stream.Sink.
func (c *collector) Samples(of []stream.Sample) {
	c.monitor.Samples(of)
	for i := range of {
		x := &of[i]
		v := x.Value
		if !x.OK {
			v = math.NaN()
		}
		c.roles[x.Role].add(x.At, v)
	}
}

// Row implements stream.Sink.
func (c *collector) Row(r *stream.Row) {
	c.monitor.Row(r)
	c.state.add(r.At, float64(max(0, slices.Index(ClutchStates[:], c.monitor.ClutchState()))))
	slip, turbine := math.NaN(), math.NaN()
	if r.Has(stream.EngineSpeed, stream.TurbineSpeed) {
		slip = r.V[stream.EngineSpeed] - r.V[stream.TurbineSpeed]
		if r.Derived&(1<<stream.TurbineSpeed) != 0 {
			turbine = r.V[stream.TurbineSpeed]
			c.slip.Derived = true
		}
	}
	c.slip.add(r.At, slip)
	c.worked.add(r.At, turbine)
}

// add appends one value; several unknown ones in a row count once.
func (t *Trace) add(at bus.Micros, v float64) {
	n := len(t.T)
	if math.IsNaN(v) && (n == 0 || math.IsNaN(t.V[n-1])) {
		return
	}
	if n > 0 && at < t.T[n-1] {
		return // the clock jumped back: one time axis cannot show both
	}
	t.T = append(t.T, at)
	t.V = append(t.V, v)
}

func (c *collector) traces() []Trace {
	var list []Trace
	for r := range c.roles {
		t := c.roles[r]
		if stream.Role(r) == stream.TurbineSpeed && len(t.T) == 0 {
			t = c.worked
		}
		if len(t.T) > 0 {
			switch {
			case t.Step:
				t.Quantum = 1
			case !t.Derived:
				t.Quantum, t.Offset = quantum(c.plan, stream.Role(r))
			}
			t.breakGaps()
			list = append(list, t)
		}
		if stream.Role(r) == stream.VehicleSpeed && len(c.slip.T) > 0 {
			c.slip.breakGaps()
			list = append(list, c.slip)
		}
	}
	if len(c.state.T) > 0 {
		list = append(list, c.state)
	}
	return list
}

// quantum returns the step and offset of the values of a role, where all its
// signals agree; else a fine step.
func quantum(plan *stream.Plan, r stream.Role) (step, offset float64) {
	first := true
	for _, m := range plan.Messages {
		for _, x := range m.Signals {
			if x.Role != r {
				continue
			}
			if x.Float || len(x.States) > 0 || m.Match == stream.MatchReading || x.Scale == 0 {
				return 0.01, 0
			}
			if first {
				step, offset, first = math.Abs(x.Scale), x.Offset, false
			} else if step != math.Abs(x.Scale) || offset != x.Offset {
				return 0.01, 0
			}
		}
	}
	if first || step < 1e-6 {
		return 0.01, 0
	}
	return step, offset
}

// breakGaps marks the value as unknown where samples are missing for longer
// than several of the trace's own periods, so that no line is drawn across.
func (t *Trace) breakGaps() {
	if len(t.T) < 4 {
		return
	}
	steps := make([]bus.Micros, 0, len(t.T)-1)
	for i := 1; i < len(t.T); i++ {
		steps = append(steps, t.T[i]-t.T[i-1])
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	limit := max(4*sorted[len(sorted)/2], bus.Second/4)
	if sorted[len(sorted)-1] <= limit {
		return
	}
	at, v := make([]bus.Micros, 0, len(t.T)+8), make([]float64, 0, len(t.T)+8)
	for i := range t.T {
		if i > 0 && steps[i-1] > limit && !math.IsNaN(t.V[i-1]) {
			at, v = append(at, t.T[i-1]+limit), append(v, math.NaN())
		}
		at, v = append(at, t.T[i]), append(v, t.V[i])
	}
	t.T, t.V = at, v
}

// Reduced returns the trace with at most two values (the least and the
// greatest, in the order in which they came) for each span of the given width,
// and, for steps, only the changes. Unknown stretches stay unknown.
func (t *Trace) Reduced(width bus.Micros) Trace {
	out := *t
	out.T, out.V = nil, nil
	if t.Step {
		for i := range t.T {
			if i == 0 || i == len(t.T)-1 || !same(t.V[i], t.V[i-1]) {
				out.T, out.V = append(out.T, t.T[i]), append(out.V, t.V[i])
			}
		}
		return out
	}
	for i := 0; i < len(t.T); {
		if math.IsNaN(t.V[i]) {
			out.T, out.V = append(out.T, t.T[i]), append(out.V, t.V[i])
			i++
			continue
		}
		lo, hi := i, i
		j := i
		for ; j < len(t.T) && t.T[j]/width == t.T[i]/width && !math.IsNaN(t.V[j]); j++ {
			if t.V[j] < t.V[lo] {
				lo = j
			}
			if t.V[j] > t.V[hi] {
				hi = j
			}
		}
		for _, k := range [2]int{min(lo, hi), max(lo, hi)} {
			if n := len(out.T); n > 0 && out.T[n-1] == t.T[k] && lo == hi {
				continue
			}
			out.T, out.V = append(out.T, t.T[k]), append(out.V, t.V[k])
		}
		i = j
	}
	return out
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

// At returns the value at an instant: the last at or before it for steps,
// interpolated else; NaN where unknown.
func (t *Trace) At(at bus.Micros) float64 {
	i, found := slices.BinarySearch(t.T, at)
	if found {
		return t.V[i]
	}
	if i == 0 {
		return math.NaN()
	}
	if t.Step || i == len(t.T) {
		if i == len(t.T) && !t.Step {
			return math.NaN()
		}
		return t.V[i-1]
	}
	f := float64(at-t.T[i-1]) / float64(t.T[i]-t.T[i-1])
	return t.V[i-1] + f*(t.V[i]-t.V[i-1])
}

// Stretch is an unbroken span of stored evidence of one boot.
type Stretch struct {
	Boot     uint32
	Clock    bus.Clock
	From, To bus.Micros
	Events   []int // numbers of the events whose evidence lies in it
	Severity float64
}

// Stretches joins the evidence of the events where it overlaps, in order of
// time, no stretch longer than most (an event's own evidence is never cut).
func (s *Stay) Stretches(most bus.Micros) []Stretch {
	list := []*Event{}
	for i := range s.Events {
		if s.Events[i].HasEvidence() {
			list = append(list, &s.Events[i])
		}
	}
	slices.SortStableFunc(list, func(a, b *Event) int { return order(a.Boot, b.Boot, a.From, b.From) })
	var out []Stretch
	for _, e := range list {
		if n := len(out); n > 0 {
			x := &out[n-1]
			if x.Boot == e.Boot && e.From <= x.To && max(e.To, x.To)-x.From <= most {
				x.To = max(x.To, e.To)
				x.Severity = max(x.Severity, e.Severity)
				x.Events = append(x.Events, e.Number)
				continue
			}
		}
		out = append(out, Stretch{Boot: e.Boot, Clock: e.Clock, From: e.From, To: e.To, Severity: e.Severity, Events: []int{e.Number}})
	}
	return out
}
