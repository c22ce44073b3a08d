package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// ApplySettings judge applies.
type ApplySettings struct {
	DoneRPM float64 `toml:"done_rpm"`
	SlowS   float64 `toml:"slow_s"`
	GiveUpS float64 `toml:"give_up_s"`
}

// Classes of an apply.
var (
	ApplySlow       = Class{"slow"}
	ApplyIncomplete = Class{"incomplete"}
)

var (
	applyS       = Quantity{"apply_s", "s", 0.001}
	applyMinS    = Quantity{"apply_min_s", "s", 0.001}
	applyMaxS    = Quantity{"apply_max_s", "s", 0.001}
	applyRate    = Quantity{"slip_rate_peak_rpm_per_s", "rpm/s", 1}
	applyPulled  = Quantity{"engine_pulled_down_rpm", "rpm", 0.1}
	applyEnergyJ = Quantity{"lining_energy_j", "J", 1}
	// applyTouchKPa is the pressure as slip begins to fall, applyJerk the greatest
	// change of the body's acceleration.
	applyTouchKPa = Quantity{"first_touch_kpa", "kPa", 0.1}
	applyJerk     = Quantity{"jerk_mps3", "m/s³", 0.1}
	// Where the command rose as the vehicle pulled away, and where it usually does.
	roseAtKmh    = Quantity{"rose_at_kmh", "km/h", 0.1}
	usualRiseKmh = Quantity{"usual_rise_kmh", "km/h", 0.1}
	habitRises   = Quantity{"habit_applies", "", 1}
)

var applySpec = &Spec{
	Kind:     KindApply,
	Ordinary: []Class{Normal},
	Alarms:   []Class{ApplySlow, ApplyIncomplete, LateCommand},
	Measures: []*Quantity{&applyS, &applyMinS, &applyMaxS, &slipWasRPM, &applyRate, &applyPulled, &applyEnergyJ, &applyTouchKPa, &applyJerk,
		&CommandLateS, &commandLateMinS, &commandLateMaxS, &roseAtKmh, &usualRiseKmh, &habitRises},
	Chief:       []*Quantity{&applyS, &applyMaxS},
	Needs:       append(needsSlip, needsRoad),
	Sharpens:    []stream.Role{stream.ClutchPressureCommand, stream.ClutchPressure, stream.EngineTorque, stream.FluidTemperature, stream.Acceleration},
	Opportunity: "an apply of the clutch",
	Rate:        true,
	Settings: Table{"apply", []Setting{
		{"done_rpm", "rpm", 55, 5, 300, "slip at which an apply is done: what is then left is usually regulated on purpose"},
		{"slow_s", "s", 3.75, 0.5, 30, "time from which an apply is slow; a usual one takes 0.3-1.5 s (cp)"},
		{"give_up_s", "s", 8, 1, 60, "when an apply that has not come to its end is given up"},
	}},
	can: func(in *Inputs) Ability {
		return able(in.slipPeriod(), "to %.2g s%s", in.slipPeriod(), in.derivedNote())
	},
	make: func(c *counts, _ *stream.Plan) detector { return &apply{counts: c} },
}

// Apply: from the rise of the command to the slip being down to what is
// regulated: time, fastest fall of slip, engine pulled down, and, where torque
// is known, energy put into the linings (integral of torque times slip speed).
// Classes: normal, slow, incomplete (given up with slip left), late-command (see
// riseTrack).
// Without a command there is no instant to count from, and no finding.
type apply struct {
	counts  *counts
	on      bool
	rise    state.Edge
	ctx     Context
	slip0   float64 // when the command rose
	engine  float64
	low     float64
	rate    float64
	energy  float64
	torque  float64 // seconds with torque known
	fluid   float64 // torque that the converter carried at the rise, N·m
	total   float64
	reached bool
	done    coupling.Onset
	shifted bool
	// clean is how long, in seconds, more slip has stood since the last shift
	// than is regulated on purpose, and longest the longest such time.
	clean, longest float64
	lost           bool
	gear           int
	steps          applySteps
	pulls          riseTrack
}

// applyTail is how long after the end the engine's dip is still watched, in
// seconds.
const applyTail = 0.5

func (d *apply) row(s *scene, m *state.Moment) {
	d.pulls.row(s, m)
	switch {
	case m.Rose && m.HasSlip && s.InDrive() && m.Forward():
		d.rises(s, m)
	case !d.on:
	case m.Fell || m.Gap || !s.InDrive() || m.HasCommand && !m.Engaged:
		d.broken(s, m)
	case !m.HasSlip:
		d.lost = true
	default:
		d.follow(s, m)
	}
}

// rises takes a command that has risen.
func (d *apply) rises(s *scene, m *state.Moment) {
	*d = apply{counts: d.counts, pulls: d.pulls, rise: m.Edge, ctx: m.Context(s.SinceStart(m.At)), slip0: m.SlipRPM, engine: m.EngineRPM, low: m.EngineRPM, gear: m.Gear}
	if m.Row.Has(stream.EngineTorque) {
		d.fluid = max(0, m.Row.V[stream.EngineTorque])
	}
	// Else there is nothing to pull down: in overrun the speeds are together
	// anyhow.
	d.on = m.SlipRPM > s.set.Apply.DoneRPM
	if d.on {
		d.steps.begin(s.history.Releases.Hold())
	}
}

// broken ends an apply whose command did not stand.
func (d *apply) broken(s *scene, m *state.Moment) {
	switch {
	case d.reached:
		d.finish(s, m, Normal)
	case d.longest >= s.set.Apply.SlowS && !m.Gap:
		d.done = coupling.Onset{At: m.At, Early: m.At, Late: m.At}
		d.finish(s, m, ApplyIncomplete)
	default:
		d.counts.add(false, false)
	}
	d.on = false
}

// follow takes a row of an apply under way.
func (d *apply) follow(s *scene, m *state.Moment) {
	set := &s.set.Apply
	d.low = min(d.low, m.EngineRPM)
	d.steps.row(m)
	if m.Shifting || m.SinceShiftS < 0.3 {
		d.shifted, d.clean = true, 0
	}
	slips := m.SlipRPM > float64(1.5*set.DoneRPM)+m.TolRPM
	switch {
	case !d.reached:
		d.sum(s, m, slips)
		if m.SlipRPM <= set.DoneRPM+m.TolRPM {
			d.reached = true
			d.done = coupling.Onset{At: m.At, Early: min(m.Row.Prev[stream.EngineSpeed], m.Row.Prev[stream.TurbineSpeed], m.At-seconds(m.DtS)), Late: m.At}
		} else if (m.At - d.rise.Mid()).Seconds() > set.GiveUpS {
			d.done = coupling.Onset{At: m.At, Early: m.At, Late: m.At}
			d.finish(s, m, ApplyIncomplete)
		}
	case slips:
		d.reached = false // it only passed through
	case (m.At - d.done.At).Seconds() >= applyTail:
		class := Normal
		if (d.done.At - d.rise.Mid()).Seconds() >= set.SlowS {
			class = ApplySlow
		}
		d.finish(s, m, class)
	}
}

// sum adds a row with slip left.
func (d *apply) sum(s *scene, m *state.Moment, slips bool) {
	d.total += m.DtS
	if slips {
		d.clean += m.DtS
		d.longest = max(d.longest, d.clean)
	} else {
		d.clean = 0
	}
	if m.Row.Has(stream.EngineTorque) {
		d.torque += m.DtS
		// What the fluid carries is not the clutch's: before the apply
		// it carried all, and its torque goes with the square of engine
		// speed (the capacity factor K = N/sqrt(T) of SAE J643) and, near
		// coupling, with slip.
		n := m.EngineRPM / max(d.engine, 1)
		fluid := float64(d.fluid*max(0, m.SlipRPM)/max(d.slip0, 1)) * float64(n*n)
		clutch := max(0, m.Row.V[stream.EngineTorque]-fluid)
		d.energy += float64(clutch * float64(max(0, m.SlipRPM)*(2*math.Pi/60)) * m.DtS)
	}
	// Fall of slip over about 50 ms.
	i := s.Trail().After(m.At - 50_000)
	if i < s.Trail().End()-1 {
		q := s.Trail().Get(i)
		if t := (m.At - q.At).Seconds(); t > 0 {
			d.rate = max(d.rate, (q.Slip-m.SlipRPM)/t)
		}
	}
}

func (d *apply) begin(*scene) { d.pulls = riseTrack{} }

func (d *apply) account(a *Account) { a.RiseTrials = d.pulls.tally }

func (d *apply) end(s *scene, _ bus.Micros) {
	if d.on && d.reached {
		d.finish(s, s.Now(), Normal)
	}
	d.on = false
}

// alone tells a command that rose late where how the clutch closed then is not known.
func (d *apply) alone(s *scene, m *state.Moment) {
	f := Finding{Kind: KindApply, Class: LateCommand, Start: d.rise.Early, End: m.At, Context: d.ctx, Severity: d.pulls.severity(), Keep: true}
	f.Instants = append(f.Instants, Instant{"command rose", d.rise.Mid(), d.rise.Early, d.rise.Late})
	f.MissingInputs = missingInputs(m.Row, stream.FluidTemperature)
	d.pulls.describe(&f)
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}

func (d *apply) finish(s *scene, m *state.Moment, class Class) {
	d.on = false
	pulled := d.pulls.rise == d.rise && d.pulls.decided
	isLate := pulled && d.pulls.late(&s.set.ReleaseLag)
	if d.lost && isLate {
		d.alone(s, m)
		return
	}
	if d.lost || d.shifted && class != Normal && d.longest < s.set.Apply.SlowS {
		// Shifts hold applies up; what is slow then is not the clutch, unless
		// it is between two of them.
		d.counts.add(false, false)
		return
	}
	if isLate && class == Normal {
		class = LateCommand
	}
	f := Finding{Kind: KindApply, Class: class, Start: d.rise.Early, End: d.done.At, Context: d.ctx, Severity: 0.5, Keep: class != Normal}
	switch class {
	case Normal:
		f.Severity = 0.05
	case LateCommand:
		f.Severity = d.pulls.severity()
	}
	took := (d.done.At - d.rise.Mid()).Seconds()
	f.Measures = append(f.Measures,
		applyS.of(took),
		applyMinS.of(max(0, (d.done.Early-d.rise.Late).Seconds())),
		applyMaxS.of((d.done.Late - d.rise.Early).Seconds()),
		slipWasRPM.of(d.slip0),
		applyRate.of(d.rate),
		applyPulled.of(max(0, d.engine-d.low)))
	if d.total > 0 && d.torque >= 0.9*d.total {
		f.Measures = append(f.Measures, applyEnergyJ.of(d.energy))
	} else {
		f.MissingInputs = append(f.MissingInputs, "engine_torque")
	}
	d.steps.measures(&f)
	if s.CommandRole() != stream.ClutchPressureCommand {
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
	f.MissingInputs = append(f.MissingInputs, missingInputs(m.Row, stream.FluidTemperature)...)
	f.Instants = append(f.Instants,
		Instant{"command rose", d.rise.Mid(), d.rise.Early, d.rise.Late},
		Instant{"slip down", d.done.At, d.done.Early, d.done.Late})
	if f.Keep {
		f.MissingInputs = append(f.MissingInputs, missingInputs(m.Row, stream.ClutchPressure)...)
		d.steps.describe(&f)
		if pulled {
			d.pulls.describe(&f)
		}
	}
	d.counts.add(true, f.Keep)
	s.Note(d.done.At, "applied")
	var percentiles []Percentile
	if class != ApplyIncomplete {
		key := historyOf("apply_s", &d.ctx)
		percentiles = s.history.percentile(key, took)
		s.history.add(key, state.Round(took, 0.001))
	}
	s.out.finding(&f, percentiles)
}
