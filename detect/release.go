package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// ReleaseLagSettings judge releases.
type ReleaseLagSettings struct {
	LimitS         float64 `toml:"limit_s"`
	RelativeFactor float64 `toml:"relative_factor"`
	RelativeS      float64 `toml:"relative_s"`
	RelativeCount  float64 `toml:"relative_count"`
	PartedRPM      float64 `toml:"parted_rpm"`
	DragSag        float64 `toml:"drag_sag"`
	DragAfterS     float64 `toml:"drag_after_s"`
	WatchS         float64 `toml:"watch_s"`
	StateDelayS    float64 `toml:"state_delay_s"`
	LateCommandS   float64 `toml:"late_command_s"`
}

// Classes of a release.
var (
	ReleaseLate     = Class{"late"}
	ReleaseDragging = Class{"dragging"}
	ReleaseStall    = Class{"stall"}
)

// LagS is the lag of a release; the two others bound it.
var (
	LagS    = Quantity{"lag_s", "s", 0.001}
	LagMinS = Quantity{"lag_min_s", "s", 0.001}
	LagMaxS = Quantity{"lag_max_s", "s", 0.001}
	// engineLaterS is what the lag was reckoned with: by how much the engine's speed
	// comes later than the turbine's, its filter included.
	engineLaterS     = Quantity{"delay_s", "s", 0.001}
	releaseEngineRPM = Quantity{"engine_low_rpm", "rpm", 0.1}
	releaseTurbine   = Quantity{"turbine_low_rpm", "rpm", 0.1}
	commandDuty      = Quantity{"command_before_percent", "%", 0.1}
)

var releaseSpec = &Spec{
	Kind:     KindReleaseLag,
	Ordinary: []Class{Normal},
	Alarms:   []Class{ReleaseLate, ReleaseDragging, ReleaseStall, LateCommand},
	Measures: append([]*Quantity{&LagS, &LagMinS, &LagMaxS, &engineLaterS, &slipWasRPM, &releaseEngineRPM, &releaseTurbine, &commandKPa, &commandDuty,
		&releaseKmh, &releaseMinRPM, &releaseMaxRPM, &lateMinS, &lateMaxS}, append(linkQuantities, beforeQuantities...)...),
	Chief: []*Quantity{&LagS, &LagMaxS, &lateMinS},
	Needs: needsLines,
	Sharpens: []stream.Role{stream.ClutchPressureCommand, stream.ClutchCommand, stream.LockupState, stream.TurbineSpeed, stream.Accelerator, stream.FluidTemperature,
		stream.ClutchPressure, stream.Brake},
	Opportunity: "a release of the clutch",
	Rate:        true,
	Settings: Table{"release_lag", []Setting{
		{"limit_s", "s", 0.6, 0.1, 5, "lag from which a release is late: a healthy clutch lets go in 0.1-0.3 s warm (cp); with 0.4 s, ordinary releases of the simulated vehicles begin to count"},
		{"relative_factor", "", 3.5, 0, 20, "so many times the vehicle's own median lag at this temperature is late too; 0 switches this limit off"},
		{"relative_s", "s", 0.25, 0, 5, "if it is also so far beyond that median"},
		{"relative_count", "", 30, 5, 10000, "and the median rests on so many releases"},
		{"parted_rpm", "rpm", 10, 3, 100, "how far slip must leave what it was before the speeds have parted: above noise and interpolation error, small against the 100 rpm and more that follow at once"},
		{"drag_sag", "", 0.12, 0.02, 0.5, "share of idle speed by which a turbine that is still coupled must have drawn the engine below idle before it drags: a governor lets idle sag by up to a tenth by itself (cp)"},
		{"drag_after_s", "s", 0.3, 0, 3, "lag from which that counts where the command is known: in a hard stop the turbine falls 500 rpm/s, 50 rpm in the 0.1 s that the oil needs anyhow"},
		{"watch_s", "s", 25, 1, 60, "how long a release is watched at most"},
		{"state_delay_s", "s", 0.3, 0, 2, "how far a reported clutch state may be behind the command that it copies: one that is further behind does not come before the speeds part, for a healthy clutch lets go in 0.1-0.3 s (cp); 0 where the state is known to be the command itself"},
		{"late_command_s", "s", 0.5, 0, 5, "by how much later than is this vehicle's habit the command must fall in a stop to be late itself, at the least that the habit's spread allows, or without a command the speeds part: half a second more is felt as a jolt (cp); 0 switches this off"},
	}},
	can: func(in *Inputs) Ability {
		if a, ok := in.releaseByLines(); ok {
			return a
		}
		fine := in.slipPeriod()
		r, ok := in.command()
		if ok && r == stream.LockupState && in.Set.ReleaseLag.StateDelayS > 0 {
			fine += in.Period[r] + in.Set.ReleaseLag.StateDelayS
			return able(fine, "to %.2g s at best, from lockup_state, where that falls before the speeds part; upper bounds only where it may follow them%s", fine, in.derivedNote())
		}
		if !ok {
			return able(fine, "upper bounds only, to %.2g s, and later than this vehicle's habit once that is known: no command is known%s", fine, in.derivedNote())
		}
		fine += in.Period[r]
		return able(fine, "to %.2g s, from %s%s", fine, r, in.derivedNote())
	},
	make: func(c *counts, _ *stream.Plan) detector { return &releaseLag{counts: c} },
}

// Release lag: from the instant the command falls below the release level to
// the instant the speeds stop moving together. Classes: late (beyond a limit),
// dragging (still coupled with the turbine below idle speed), stall (the
// engine died with the speeds still together), normal. Where no command is
// known the lag is an upper bound, counted from the last instant at which the
// clutch was certainly closed under drive; dragging and stall can be told, and
// late against the turbine's speed at which this vehicle usually lets go (see
// lateness). See lines for vehicles of which only a coarse road speed is known. Where a
// reported state is all that is known of the command, the state may be behind
// it: the lag is an interval then, and no more than an upper bound where the
// state has not been seen to come before what the plates do (see report).
type releaseLag struct {
	counts *counts
	// test is the self-test of the release that was told last.
	test selfTest
	// told: since the last stop there was a release that would have been
	// recognised 1 s later as well. waiting: the vehicle has come to a stop
	// with that still to be known.
	told, waiting bool
	links         linkTrack
	// shown is the drive of which an ordinary release has its traces kept, for
	// the others to be looked at beside it.
	shown int
	// lines is nil where the vehicle gives more than two coarse speeds.
	lines  *lines
	tally  releaseTally
	owed   owed
	before before
}

// releaseTally is what the account of the drive says of releases.
type releaseTally struct {
	stops    int // observed
	trials   ReleaseTrials
	commands CommandTrials
}

func (d *releaseLag) begin(*scene) {
	d.tally, d.owed = releaseTally{}, owed{}
	d.before.begin()
}

func (d *releaseLag) account(a *Account) {
	a.StopsObserved, a.ReleaseTrials, a.CommandTrials = d.tally.stops, d.tally.trials, d.tally.commands
}

// trial counts a release and in which trials a later one would have been
// recognised.
func (t *ReleaseTrials) trial(recognised [len(trialsS)]bool) {
	t.Releases++
	t.credit(recognised)
}

// credit counts the trials in which a release was recognised.
func (t *ReleaseTrials) credit(recognised [len(trialsS)]bool) {
	for i, n := range [...]*uint64{&t.LaterHalfS, &t.Later1S, &t.Later2S} {
		if recognised[i] {
			*n++
		}
	}
}

func (d *releaseLag) row(s *scene, m *state.Moment) {
	d.before.row(m)
	if d.lines != nil {
		d.lines.row(m)
		return
	}
	d.links.row(s, m)
	if d.test.due(m) {
		d.tried(s)
	}
	if d.owed.any && s.Report().Leads() {
		d.pay()
	}
	if p := s.Separation(); p != nil {
		d.separated(s, m, p)
	}
	d.decisions(s, m)
	if m.Rose {
		d.told = false
	}
	if m.Stopped {
		d.waiting = true
	}
	if d.waiting && d.told {
		d.tally.stops++
		d.told, d.waiting = false, false
	}
	if m.Moving && !d.test.pending {
		d.waiting = false
	}
}

func (d *releaseLag) end(s *scene, _ bus.Micros) {
	if d.test.pending {
		d.tried(s)
		if d.waiting && d.told {
			d.tally.stops++
		}
	}
	if d.lines != nil {
		d.lines.end()
	}
	*d = releaseLag{counts: d.counts, lines: d.lines, tally: d.tally}
}

// release is a separation as it is judged.
type release struct {
	class          Class
	severity       float64
	lag, low, high float64 // s
	key            historyKey
	habit          lateness // where no command is known
	usualS, usualN float64  // the median lag before it, and of how many
}

func (d *releaseLag) separated(s *scene, m *state.Moment, p *state.Separation) {
	if !p.HasCommand && p.Outcome == coupling.Parted && !p.Stop {
		return // without a command only a stop says what let go
	}
	if p.Outcome == coupling.Stalled && (s.KeyedOff(m) || s.StalledNear(p.Seen.At)) {
		return
	}
	r := release{key: historyOf("lag_s", &p.Context),
		low: max(0, (p.Seen.Early - p.Fall.Late).Seconds()), high: max(0, (p.Seen.Late - p.Fall.Early).Seconds())}
	r.lag = min(max((p.Seen.At-p.Fall.Mid()).Seconds(), r.low), r.high)
	if !p.HasCommand && p.Outcome == coupling.Parted {
		r.habit = s.latenessOf(p.Seen.Onset, &p.Context, d.links.slows(m.At), &s.history.Separations)
	}
	r.usualS, r.usualN = s.history.median(r.key)
	ended := p.Outcome != coupling.Taken && p.Outcome != coupling.Lost
	judged := ended && r.judge(s, p)
	if p.Reported && r.class == Normal && r.lag+p.HeldS >= s.set.ReleaseLag.LimitS {
		judged = false // the command may have fallen long before
	}
	if p.Reported && !s.Report().Leads() && !(judged && (r.class != Normal || p.Proven && r.low > 0) && s.Report().Ahead(p)) {
		d.bySpeeds(s, m, p, &r, judged)
		return
	}
	if judged {
		// That the speeds had not parted does not show that the clutch held.
		d.tell(s, m, p, &r)
	}
	d.tryNext(s, p, &r, judged)
}

// tryNext begins the self-test of a release.
func (d *releaseLag) tryNext(s *scene, p *state.Separation, r *release, told bool) {
	if d.test.pending && !d.test.awaits(p) {
		d.tried(s)
	}
	if !d.test.pending {
		d.test = selfTest{}
	}
	if told || p.Outcome == coupling.Parted {
		d.test.plan(p, r, told)
		return
	}
	d.counts.add(false, false)
	d.trial(p.Stop, [len(trialsS)]bool{})
}

// bySpeeds tells what the speeds alone say of a release of a reported state, which
// may have followed the plates. That they went on together at idle after it fell is
// an open converter's doing where the watch has found them apart; what a shift hid until
// then had parted before.
func (d *releaseLag) bySpeeds(s *scene, m *state.Moment, p *state.Separation, r *release, judged bool) {
	w := s.Report().TakeWaiting()
	switch {
	case w != nil && w.Outcome == coupling.Parted && (w.Seen.At < p.Fall.Late || !s.Dragged(w.EngineLowRPM, w.TurbineLowRPM)):
		d.separated(s, m, w)
	case !s.Report().Told(p):
		if d.test.pending {
			d.tried(s)
		}
		// The speeds may be found apart by themselves only after this.
		d.test = selfTest{pending: true, at: m.At + bus.Second, stop: p.Stop, fell: p.Fall.Late}
	default:
		return // the test of what was told is under way
	}
	if p.Outcome == coupling.Parted && !s.Report().Follows() {
		d.test.copied(p, r, judged)
	}
}

// judge gives a release its class; it reports whether there is one.
func (r *release) judge(s *scene, p *state.Separation) bool {
	set := &s.set.ReleaseLag
	dragged := s.Dragged(p.EngineLowRPM, p.TurbineLowRPM)
	late := p.HasCommand && (p.Outcome == coupling.Held || s.late(r.key, r.lag, r.low)) ||
		!p.HasCommand && r.habit.late(set)
	dragging := dragged && (!p.HasCommand || r.lag >= set.DragAfterS)
	switch {
	case p.Outcome != coupling.Parted || dragged && r.low >= set.DragAfterS:
	case p.HasCommand && (late && r.low < float64(lateLeast*set.LimitS) || dragging && r.low < float64(lateLeast*set.DragAfterS)),
		p.Seen.Hidden && r.high >= set.LimitS && r.low < set.LimitS:
		return false // it may be either
	}
	if !p.HasCommand && !p.Driven && p.Outcome == coupling.Parted && (late || dragging) {
		return false // an engine that comes back to its idle may fall as the turbine does
	}
	if p.HasCommand && !p.Proven && (late || r.lag >= set.DragAfterS || p.Outcome != coupling.Parted) {
		return false
	}
	switch {
	case p.Outcome == coupling.Stalled:
		r.class, r.severity = ReleaseStall, 1
		s.TellStall(p.Seen.At)
	case dragging:
		r.class, r.severity = ReleaseDragging, 0.95
	case late && !p.HasCommand:
		r.class, r.severity = ReleaseLate, min(0.85, 0.6+float64(0.1*r.habit.decision.LateS))
	case late:
		r.class, r.severity = ReleaseLate, min(0.9, 0.6+float64(0.1*r.lag))
	case p.Outcome == coupling.Parted:
		r.class = Normal
	default:
		return false
	}
	return true
}

// late reports whether a lag is late against the limit, or against this
// vehicle's own at this temperature and gear: by more than half of what it may
// be less, not on the strength of one noisy row.
func (s *scene) late(key historyKey, lag, low float64) bool {
	set := &s.set.ReleaseLag
	if lag-min(lateMargin, (lag-low)/2) >= set.LimitS {
		return true
	}
	if set.RelativeFactor <= 0 {
		return false
	}
	mid, n := s.history.median(key)
	return n >= set.RelativeCount && lag >= float64(set.RelativeFactor*mid) && lag-mid >= set.RelativeS
}

// lateMargin is the most by which a lag that is not well known must be beyond
// the limit, in s.
const lateMargin = 0.07

// lateLeast is the share of the limit that the lag of a late or dragging release must
// have at the least.
const lateLeast = 0.5

// tell hands a release on.
func (d *releaseLag) tell(s *scene, m *state.Moment, p *state.Separation, r *release) {
	l := d.links.linksOf(s, p, r)
	if x := &d.links.decision; l.decided && late(&l.decision, &s.set.ReleaseLag) {
		x.told = true
		if r.class == Normal {
			r.class, r.severity = LateCommand, lateCommandSeverity(&l.decision)
		}
	}
	f := Finding{Kind: KindReleaseLag, Class: r.class, Severity: r.severity, Keep: r.class != Normal || p.HasCommand && d.shown != s.Drive(),
		Start: p.Fall.Early, End: max(m.At, p.Seen.Late), Context: p.Context}
	// The clutch was counted as holding up to where it was found apart.
	if back := (p.Away - p.Seen.At).Seconds(); p.Outcome == coupling.Parted && p.HasCommand && back > 0 && m.State == state.Open {
		s.Revise(state.Coast, state.Open, back)
	}
	r.measured(s, p, &f)
	if m.TolRPM > 0 {
		f.MissingInputs = append(f.MissingInputs, "turbine_speed")
	}
	f.MissingInputs = append(f.MissingInputs, missingInputs(m.Row, stream.FluidTemperature)...)
	if r.class != Normal {
		f.MissingInputs = append(f.MissingInputs, missingInputs(m.Row, stream.Brake)...)
	}
	switch x := &d.links.decision; {
	case r.class != Normal && p.HasCommand:
		l.describe(s, &f, p)
	case r.class != Normal:
		d.links.driver(&f, p.Seen.At)
		r.habit.usually(&f)
	case p.Outcome == coupling.Parted && x.is && x.fall == p.Fall:
		x.of = l.of // with what the plates did
	}
	if r.class != Normal && m.StoodS > 0 && p.Outcome == coupling.Parted {
		f.Instants = append(f.Instants, stoodSince(m))
	}
	percentiles := r.habit.describe(&f)
	if !p.HasCommand && p.Outcome == coupling.Parted && r.class != ReleaseDragging {
		r.habit.learn(s)
	}
	if p.HasCommand && p.Outcome == coupling.Parted && !p.Seen.Hidden {
		percentiles = s.history.percentile(r.key, r.lag)
		s.history.add(r.key, state.Round(r.lag, 0.001))
	}
	if f.Keep && r.class == Normal {
		d.shown = s.Drive()
	}
	d.before.describe(&f, p.Fall.Mid(), l.of.TurbineRPM)
	s.out.finding(&f, percentiles)
}

// measured puts the lag, the speeds, the command and their instants into a finding.
func (r *release) measured(s *scene, p *state.Separation, f *Finding) {
	low := 0.0
	if p.HasCommand {
		low = r.low
		// An engine that dies may come free at any time from where it was drawn
		// below idle.
		if !p.Seen.Hidden && p.Outcome != coupling.Stalled && !p.Reported {
			f.Measures = append(f.Measures, LagS.of(r.lag))
			if c := s.Chain(); c.DelayS+c.FilterS != 0 {
				f.Measures = append(f.Measures, engineLaterS.of(c.DelayS+c.FilterS))
			}
		}
	} else {
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
	if p.HasCommand || p.Driven {
		f.Measures = append(f.Measures, LagMinS.of(low), LagMaxS.of(r.high+p.HeldS))
	}
	f.Measures = append(f.Measures,
		slipWasRPM.of(p.SlipBeforeRPM),
		releaseEngineRPM.of(p.EngineLowRPM),
		releaseTurbine.of(p.TurbineLowRPM))
	if p.HasCommand {
		switch s.CommandRole() {
		case stream.ClutchPressureCommand:
			f.Measures = append(f.Measures, commandKPa.of(p.Fall.From))
		case stream.ClutchCommand:
			f.Measures = append(f.Measures, commandDuty.of(p.Fall.From))
		}
		f.Instants = append(f.Instants, Instant{InstantFell, p.Fall.Mid(), p.Fall.Early, p.Fall.Late})
	} else {
		f.Instants = append(f.Instants, Instant{"certainly closed", p.Fall.Early, p.Fall.Early, p.Fall.Early})
	}
	name := InstantParted
	if p.Outcome == coupling.Stalled {
		name = "engine died"
	}
	f.Instants = append(f.Instants, Instant{name, p.Seen.At, p.Seen.Early, p.Seen.Late})
	if p.HasCommand && s.CommandRole() != stream.ClutchPressureCommand {
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
}

// seconds turns seconds into an instant's unit.
func seconds(x float64) bus.Micros { return bus.Micros(x * 1e6) }
