package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// HillSlipSettings judge slip held on the road.
type HillSlipSettings struct {
	MinRPM            float64 `toml:"min_rpm"`
	MinS              float64 `toml:"min_s"`
	MinKmh            float64 `toml:"min_kmh"`
	MinAcceleratorPct float64 `toml:"min_accelerator_pct"`
	SettleS           float64 `toml:"settle_s"`
	AskedDip          float64 `toml:"asked_dip"`
	UnaskedRPM        float64 `toml:"unasked_rpm"`
	UnaskedS          float64 `toml:"unasked_s"`
}

// HillUnasked is slip that the controller did not ask for.
var HillUnasked = Class{"unasked"}

var (
	hillLeastRPM = Quantity{"slip_least_rpm", "rpm", 0.1}
	hillTolRPM   = Quantity{"slip_tolerance_rpm", "rpm", 0.1}
	hillHeldS    = Quantity{"held_against_more_s", "s", 1}
	hillSlippedS = Quantity{"slipped_before_s", "s", 1}
	hillMeanKPa  = Quantity{"command_mean_kpa", "kPa", 0.1}
	hillHoldKPa  = Quantity{"command_hold_kpa", "kPa", 0.1}
	hillMeanPct  = Quantity{"command_mean_pct", "%", 0.1}
	hillHoldPct  = Quantity{"command_hold_pct", "%", 0.1}
)

var hillSpec = &Spec{
	Kind:     KindHillSlip,
	Ordinary: []Class{Asked},
	Alarms:   []Class{HillUnasked, Unknown},
	Measures: append([]*Quantity{&slipMeanRPM, &slipPeakRPM, &durationS, &hillLeastRPM, &hillTolRPM, &hillMeanKPa, &hillHoldKPa, &hillMeanPct, &hillHoldPct, &hillHeldS, &hillSlippedS},
		slipCauseQuantities...),
	Chief:       []*Quantity{&slipMeanRPM, &slipPeakRPM},
	Needs:       append(needsLines, needsRoad),
	Sharpens:    []stream.Role{stream.ClutchPressureCommand, stream.ClutchCommand, stream.LockupState, stream.SlipCommand, stream.TurbineSpeed, stream.EngineTorque, stream.Accelerator},
	Opportunity: "a minute under load with the clutch on",
	Rate:        true,
	Settings: Table{"hill_slip", []Setting{
		{"min_rpm", "rpm", 15, 3, 300, "least mean slip that counts as held: above sensor noise"},
		{"min_s", "s", 3, 0.5, 60, "how long it must be held: applies and shifts are over sooner"},
		{"min_kmh", "km/h", 15, 3, 120, "road speed from which it counts"},
		{"min_accelerator_pct", "%", 3, 0, 80, "pedal from which there is load"},
		{"settle_s", "s", 1, 0, 10, "left out after a gear change or apply"},
		{"asked_dip", "", 0.05, 0.005, 0.5, "share by which the command must be below the one that held the clutch closed before slip was asked for: commands are steady to about one percent while they hold (cp)"},
		{"unasked_rpm", "rpm", 15, 3, 300, "least slip that counts as unasked"},
		{"unasked_s", "s", 5, 1, 120, "and for so long: it takes the clutch some tenths of a second to close after the command has risen, and the controller may leave a little slip for a few seconds at an unchanged command; a clutch that cannot carry the torque slips as long as the torque is asked of it"},
	}},
	can: func(in *Inputs) Ability {
		if a, ok := in.byLines("in top gear, where the clutch has carried more; whether it was asked for is not known"); ok {
			return a
		}
		if r, ok := in.command(); ok {
			return able(in.slipPeriod(), "asked and unasked told apart by %s%s", r, in.derivedNote())
		}
		return able(in.slipPeriod(), "asked and unasked cannot be told apart: no command is known%s", in.derivedNote())
	},
	make: func(c *counts, _ *stream.Plan) detector { return &hillSlip{counts: c} },
}

// Hill slip: slip held for seconds at road speed under load with no gear
// change. Asked: the command went down with it (or the controller says that it
// regulates). Unasked: the command stands where it used to hold, and the slip
// grows; or far above what such a load took. Where no command is known the two cannot be told apart, and the class
// is Unknown.
type hillSlip struct {
	counts  *counts
	on      bool
	ctx     Context
	quiet   float64 // seconds since slip last was held
	hillSum         // so far
	keep    hillSum // up to the last row in which it was held
	now     float64 // slip of the last second
	moved   float64 // seconds for which that has been at another level

	// hold is the command at which the clutch held of late, closed and under load, most
	// the highest such.
	hold, most float64
	holdS      float64
	held       heldWith
	carried    carried
	said       said
	lastGear   int
	ready      bus.Micros
	loadedS    float64 // seconds under load
	// laid is for how long slip laid on the stretch would have been seen, and
	// would whether it would have been told.
	laid  float64
	would bool
	// proved is when a clutch without known command was last coupled under
	// load: an open converter at a steady pull looks like regulated slip.
	proved    bus.Micros
	hasProved bool
	shown     bool // the stretch under way began soon after that
}

func (d *hillSlip) row(s *scene, m *state.Moment) {
	set := &s.set.HillSlip
	a, hasPedal := m.Accelerator()
	load := m.Moving && m.HasKmh && m.Kmh >= set.MinKmh && m.Running && m.Forward() && (!hasPedal || a >= set.MinAcceleratorPct)
	if m.Gap || m.Shifting || m.SinceShiftS < set.SettleS || m.Rose || m.HasCommand && !m.Engaged {
		d.ready = m.At + seconds(set.SettleS)
	}
	if m.Rose || m.HasGear && m.Gear != d.lastGear {
		d.ready = max(d.ready, m.At+seconds(set.SettleS))
	}
	d.lastGear = m.Gear
	usable := load && m.HasSlip && m.At >= d.ready && m.TolRPM <= state.TolUsableRPM/2 && (!m.HasCommand || m.Engaged)
	closed := usable && m.State == state.Closed && m.HasLevel && !d.on
	d.carried.row(m, usable, closed)
	if !m.HasCommand && m.State == state.Closed {
		d.proved, d.hasProved = m.At, true
	}
	// A clutch whose command is not known counts as open with so much slip.
	if !m.HasCommand && m.SlipRPM > s.set.Clutch.OpenRPM {
		usable = false
	}
	if usable {
		d.loadedS += m.DtS
		if d.loadedS >= 60 {
			// A minute under load is one opportunity.
			d.loadedS -= 60
			d.counts.add(d.would, false)
			d.would = false
		}
		if closed {
			if d.holdS == 0 {
				d.hold = m.Level
			}
			d.holdS += m.DtS
			d.hold += float64(min(1, m.DtS/2) * (m.Level - d.hold))
			if d.holdS >= holdLeastS {
				d.most = max(d.most, d.hold)
			}
			d.held.row(m)
		}
	}
	limit := set.MinRPM + m.TolRPM
	d.said.row(m, usable, limit)
	d.tryLaid(s, m, usable, limit)
	switch {
	case usable && m.SlipRPM >= limit:
		shown := d.hasProved && m.At-d.proved < shownWithin
		if d.on && d.levelled(m) {
			shown = shown || d.shown // the same stretch
			d.finish(s, m)
		}
		if !d.on {
			d.begin(s, m)
			d.shown = shown
		}
		d.quiet = 0
		d.take(m)
		d.keep = d.hillSum
	case d.on:
		// Dips do not end it, but count only if it goes on: ripple and a clutch that
		// grips and slips take the slip under the limit for a while.
		if dt := max(m.DtS, 0.001); m.SlipRPM >= 0.5*limit {
			d.quiet += float64(shallow * dt)
		} else {
			d.quiet += dt
		}
		if !usable || d.quiet > dipS {
			d.finish(s, m)
			break
		}
		d.take(m)
	}
}

// take adds a row to the stretch, with what the clutch was to carry.
func (d *hillSlip) take(m *state.Moment) {
	d.add(m)
	if l, ok := d.carried.loadOf(m); ok {
		d.load.add(l, max(m.DtS, 0.001))
	}
}

// tryLaid lays laidRPM of slip on the stretch as it is: an opportunity counts as
// observed only if slip that nobody asked for would have been told as that.
func (d *hillSlip) tryLaid(s *scene, m *state.Moment, usable bool, limit float64) {
	if !usable || m.SlipRPM+laidRPM < limit || !d.tells(s, m) {
		d.laid = 0
		return
	}
	d.laid += m.DtS
	d.would = d.would || d.laid >= s.set.HillSlip.UnaskedS
}

// tells reports whether slip would be told as unasked now: by what the controller wants,
// by its state, or by its command.
func (d *hillSlip) tells(s *scene, m *state.Moment) bool {
	says := s.saysPartial && m.Row.Has(stream.LockupState)
	return m.Row.Has(stream.SlipCommand) || says && s.stateIsMeant() ||
		says && !m.HasLevel && m.Row.V[stream.LockupState] == stream.LockupClosed && d.said.closedIsMeant() ||
		m.HasLevel && d.holdS >= holdLeastS && d.byCommand(s, m.Level, d.carried.load, m.HasPressure) == HillUnasked
}

const (
	// laidRPM is the slip that must have been told. Structural: what a worn
	// lining slips by at first (cp).
	laidRPM = 30.0
	// holdLeastS is how long the command must have held the clutch before it
	// can be said to stand where it held. Structural.
	holdLeastS = 2.0
	// lowHold is the share of the most with which this clutch has held below which a
	// command regulates: that it held without load says nothing of slip under load.
	lowHold = 0.35
	// heldShare of its mean is the least that slip which is held comes down to. What
	// comes and goes is an apply or a shift, where neither command nor gear tells.
	heldShare = 0.25
)

// said is how a reported state that tells partial from closed has been used.
type said struct {
	partial        bool    // it has said so
	closedS, overS float64 // under load with it closed, and of that with slip
	so             bool    // before the stretch under way, closed mostly meant no slip
}

// saidLeastS is how long closed must have been said to tell what it means, and saidOver
// the most of it with slip: a controller that regulates slip does so most of the time.
// Structural.
const saidLeastS, saidOver = 120.0, 0.2

// closedIsMeant reports whether slip while it says closed is none that was asked for.
func (x *said) closedIsMeant() bool {
	return x.partial && x.closedS >= saidLeastS && x.overS <= float64(saidOver*x.closedS)
}

func (x *said) row(m *state.Moment, usable bool, limit float64) {
	says := m.Row.V[stream.LockupState]
	switch has := m.Row.Has(stream.LockupState); {
	case has && says == stream.LockupPartial:
		x.partial = true
	case has && usable && says == stream.LockupClosed:
		x.closedS += m.DtS
		if m.SlipRPM >= limit {
			x.overS += m.DtS
		}
	}
}

// shownWithin is how soon after a clutch was seen to hold slip begins that is of
// the same clutch, still on. Structural: it opens in less, and a shift is left out.
const shownWithin = 3 * bus.Second

const (
	// dipS is how long a dip below the least slip may last within one finding.
	dipS = 0.5
	// shallow is the share at which a dip counts that leaves half of the least slip.
	// Structural: some seconds' worth of a slip that is ending make no other finding.
	shallow = 0.25
)

// hillSum is what is summed up over a stretch of held slip.
type hillSum struct {
	start, last bus.Micros
	n           float64 // seconds
	sum         float64
	peak, low   float64
	command     float64 // summed over cn seconds
	cn          float64
	state       float64 // seconds in which the state said closed
	known       float64
	pressure    bool // it is one
	load        timeMean
	want        float64 // slip asked for, summed over wantN seconds
	wantN       float64
	hadTol      float64
	with        slipWith
}

// levelled reports whether the slip has settled at another level: another
// grade, another finding.
func (d *hillSlip) levelled(m *state.Moment) bool {
	d.now += float64(min(1, m.DtS) * (m.SlipRPM - d.now))
	mean := d.sum / max(d.n, 0.001)
	if d.n < 2 || math.Abs(d.now-mean) < max(25, float64(0.35*mean)) {
		d.moved = 0
		return false
	}
	d.moved += m.DtS
	return d.moved > 1
}

func (d *hillSlip) begin(s *scene, m *state.Moment) {
	*d = hillSlip{counts: d.counts, on: true, now: m.SlipRPM, proved: d.proved, hasProved: d.hasProved, hold: d.hold, most: d.most, holdS: d.holdS, held: d.held, carried: d.carried, said: d.said,
		lastGear: d.lastGear, ready: d.ready, loadedS: d.loadedS, laid: d.laid, would: d.would, ctx: m.Context(s.SinceStart(m.At))}
	d.hillSum = hillSum{start: m.At, last: m.At, low: math.Inf(1)}
	d.said.so = d.said.closedIsMeant()
}

func (d *hillSum) add(m *state.Moment) {
	d.last = m.At
	w := m.DtS
	if d.n == 0 {
		w = min(w, 0.02)
	}
	d.n += w
	d.sum += float64(m.SlipRPM * w)
	d.peak = max(d.peak, m.SlipRPM)
	d.low = min(d.low, m.SlipRPM)
	d.hadTol = max(d.hadTol, m.TolRPM)
	d.with.add(m, w)
	if m.HasLevel {
		d.pressure = m.HasPressure
		d.command += float64(m.Level * w)
		d.cn += w
	}
	if m.Row.Has(stream.LockupState) {
		d.known += w
		if m.Row.V[stream.LockupState] == stream.LockupClosed {
			d.state += w
		}
	}
	if m.Row.Has(stream.SlipCommand) {
		d.want += float64(m.Row.V[stream.SlipCommand] * w)
		d.wantN += w
	}
}

func (d *hillSlip) end(s *scene, _ bus.Micros) {
	if d.on {
		d.finish(s, s.Now())
	}
	d.loadedS, d.laid, d.would = 0, 0, false
}

// class says whether slip was asked for: by what the controller says that it
// wants; else by a reported state that has been seen to come before what the
// plates do, for one that follows them says that there is slip and no more, or that says
// closed now, as it mostly did without slip, though it can say partial; else
// by the command against the one that held the clutch, and against the least with which
// it has carried such a load. A state of which neither is
// known yet, and that has it otherwise than the command, leaves it open.
func (d *hillSlip) class(s *scene, mean float64) Class {
	commands := d.cn > 0.5*d.n && d.holdS >= holdLeastS
	by := Unknown
	if commands {
		load := math.NaN()
		if d.load.s > 0.5*d.n {
			load = d.load.value()
		}
		if by = d.byCommand(s, d.command/d.cn, load, d.pressure); by == Asked && d.carried.strained(d.command/d.cn, load, d.pressure) {
			by = HillUnasked
		}
	}
	closed := d.state > 0.7*d.known
	states := d.states(s)
	unasked := false
	switch {
	case d.wantN > 0.5*d.n:
		want := d.want / d.wantN
		unasked = mean-want > max(30, float64(0.5*want))
	case states && (s.stateIsMeant() || closed && !commands && mean >= laidRPM && d.said.so):
		unasked = closed
	case commands && !(states && by == HillUnasked && !closed && !s.Report().Follows()):
		return by
	default:
		return Unknown
	}
	if unasked {
		return HillUnasked
	}
	return Asked
}

// byCommand says whether slip was asked for by the command's mean and the load's. Below
// what held the clutch it was. Else it was not where the clutch has carried more with
// no more, or with as much as it is ever told; a controller that has never had it carry
// so much, and does not tell it all that it can, regulates slip as it wishes.
func (d *hillSlip) byCommand(s *scene, level, load float64, pressure bool) Class {
	share := 1 - s.set.HillSlip.AskedDip
	highest := float64(share * d.carried.highest)
	switch {
	case level < float64(share*max(d.hold, lowHold*d.most)):
		return Asked
	case math.IsNaN(load), d.carried.most(level, pressure) >= float64(carriedSame*load), d.carried.most(level/share, pressure) >= float64(carriedMore*load):
		return HillUnasked
	case level >= highest && d.most >= highest:
		return HillUnasked
	case level >= highest:
		return Unknown
	}
	return Asked
}

// states reports whether a state was there that tells partial from closed.
func (d *hillSlip) states(s *scene) bool { return d.known > 0.5*d.n && s.saysPartial }

// keptBack reports whether slip of unknown class is not told: it is less than a
// worn lining slips by and as much as is regulated on purpose, and there is a state
// of which is not known yet whether it comes before the plates or after them.
func (d *hillSlip) keptBack(s *scene, mean float64) bool {
	return mean < laidRPM && d.states(s) && !s.stateIsMeant() && !s.Report().Follows()
}

// stateIsMeant reports whether a reported clutch state says what the controller
// means to do: it is said to be the command, or has been seen to come before the
// plates.
func (s *scene) stateIsMeant() bool { return s.set.ReleaseLag.StateDelayS == 0 || s.Report().Leads() }

func (d *hillSlip) finish(s *scene, m *state.Moment) {
	set := &s.set.HillSlip
	d.on = false
	d.hillSum = d.keep
	long := (d.last - d.start).Seconds()
	if d.n <= 0 || long < min(set.MinS, set.UnaskedS) {
		return
	}
	mean := d.sum / d.n
	if mean < set.MinRPM {
		return // it came and went
	}
	if d.cn == 0 && d.known == 0 && d.wantN == 0 && (!d.shown || !m.HasGear && d.low < float64(heldShare*mean)) {
		return // whether the clutch was on at all is not known
	}
	class := d.class(s, mean)
	if class == Asked && d.cn > 0 && d.load.s > 0 {
		d.carried.asked(d.command/d.cn, d.load.value(), d.pressure)
	}
	if class == HillUnasked && (mean < set.UnaskedRPM || long < set.UnaskedS) || class != HillUnasked && long < set.MinS {
		return
	}
	if class == Unknown && d.keptBack(s, mean) {
		d.counts.add(false, false)
		return
	}
	f := Finding{Kind: KindHillSlip, Class: class, Start: d.start, End: d.last, Context: d.ctx,
		Severity: 0.2, Keep: class == HillUnasked}
	switch class {
	case HillUnasked:
		f.Severity = min(0.9, 0.6+mean/1000)
	case Unknown:
		f.Severity = 0.3
	}
	f.Measures = append(f.Measures,
		slipMeanRPM.of(mean), slipPeakRPM.of(d.peak),
		durationS.of(long), hillLeastRPM.of(d.low))
	if d.hadTol > 0 {
		f.Measures = append(f.Measures, hillTolRPM.of(d.hadTol))
		f.MissingInputs = append(f.MissingInputs, "turbine_speed")
	}
	if d.cn > 0 {
		of, held := &hillMeanKPa, &hillHoldKPa
		if !m.HasPressure {
			of, held = &hillMeanPct, &hillHoldPct
		}
		f.Measures = append(f.Measures, of.of(d.command/d.cn))
		if d.holdS > 0 {
			f.Measures = append(f.Measures, held.of(d.hold))
		}
	} else {
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
	if class == HillUnasked {
		d.with.describe(&f, &d.held)
	}
	f.MissingInputs = append(f.MissingInputs, missingInputs(m.Row, stream.LockupState, stream.EngineTorque, stream.Accelerator)...)
	d.counts.add(class != Unknown, class == HillUnasked)
	key := historyOf("slip_mean_rpm", &d.ctx)
	percentiles := s.history.percentile(key, mean)
	s.history.add(key, state.Round(mean, 0.1))
	s.out.finding(&f, percentiles)
}
