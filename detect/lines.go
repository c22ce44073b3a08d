package detect

import (
	"fmt"
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect/ratioline"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// lines watches a vehicle of which no more is known than engine and road speed, the
// latter in coarse steps: clutch state and releases are told by the lines of engine
// over road speed (see ratioline). It speaks some seconds after the event, and of
// the first minutes once the lines are known.
type lines struct {
	release *releaseLag
	times   *lockup
	carried *counts // of slip under load
	ended   []endedDrive
	waits   bool       // the latest drive ended before the lines were known
	latest  *Account   // its account then
	at      bus.Micros // the latest value
	scene   *scene
	track   *ratioline.Tracker
	temp    float64
	hasT    bool
}

// coarseRoadKmh is the step of a road speed from which single samples say nothing.
const coarseRoadKmh = 0.2

// onlyRoad reports whether a vehicle gives nothing better than coarse road speed to
// work the turbine's speed out of, and no command or state of the clutch.
func onlyRoad(plan *stream.Plan) bool {
	var has [stream.NumRoles]bool
	coarse := false
	for _, x := range plan.Messages {
		for _, g := range x.Signals {
			if g.Role >= stream.NumRoles {
				continue
			}
			has[g.Role] = true
			coarse = coarse || g.Role == stream.VehicleSpeed && !g.Float && math.Abs(g.Scale) >= coarseRoadKmh
		}
	}
	for _, r := range append([]stream.Role{stream.TurbineSpeed, stream.OutputSpeed, stream.ClutchPressure}, commandRoles...) {
		if has[r] {
			return false
		}
	}
	return has[stream.EngineSpeed] && has[stream.VehicleSpeed] && (coarse || !has[stream.Gear])
}

// needsLines is what the lines, or else slip, are formed of.
var needsLines = [][]stream.Role{needsEngine, {stream.TurbineSpeed, stream.VehicleSpeed, stream.OutputSpeed}}

// byLines is the ability of what is told by the lines where slip cannot be formed; ok
// is false where it can.
func (in *Inputs) byLines(says string) (a Ability, ok bool) {
	if p, _ := in.turbine(); p > 0 {
		return a, false
	}
	if !in.has(stream.VehicleSpeed) || in.has(stream.OutputSpeed) {
		return Ability{Says: in.missing(needsSlip)}, true
	}
	fine := in.linesPeriod()
	if fine > ratioline.StretchPeriodS {
		return Ability{Says: fmt.Sprintf("not observable at %.2g Hz: values %.2g s apart are of no one stretch on a line; it takes one every %.2g s", 1/fine, fine, ratioline.StretchPeriodS)}, true
	}
	return able(fine, "by the lines of engine over road speed, once learned: %s", says), true
}

// linesPeriod is the slower of the two speeds that make the lines.
func (in *Inputs) linesPeriod() float64 {
	return max(in.Period[stream.EngineSpeed], in.Period[stream.VehicleSpeed])
}

// releaseByLines is the same for releases, and says which of them pass between two
// values.
func (in *Inputs) releaseByLines() (a Ability, ok bool) {
	fine := in.linesPeriod()
	switch a, ok = in.byLines("against this vehicle's habit, and an engine drawn below idle"); {
	case !ok || !a.Can:
	case fine > ratioline.DrawnPeriodS:
		a = Ability{Says: fmt.Sprintf("not observable at %.2g Hz: the engine is drawn below idle and let go between two values; it takes one every %.2g s, and for a release later than usual every %.3g s",
			1/fine, ratioline.DrawnPeriodS, ratioline.LatePeriodS)}
	case fine > ratioline.LatePeriodS:
		a.Part = "a release later than usual by 1 s"
		a.Says = fmt.Sprintf("by the lines of engine over road speed, once learned: an engine drawn below idle; %s is not observable at %.2g Hz: it takes a value every %.3g s",
			a.Part, 1/fine, ratioline.LatePeriodS)
	}
	return a, ok
}

// books are where what the lines tell is counted: those of the running drive, or of one that
// ended before the lines were known.
type books struct {
	times    *lockup
	tally    *releaseTally
	releases *counts
	carried  *counts // of slip under load
}

// endedDrive is such a drive; its account comes once more when all of it is told.
type endedDrive struct {
	account           Account
	next              bus.Micros // when the next drive began
	whole             bool       // all is told
	times             lockup
	tally             releaseTally
	releases, carried counts
}

// revised is its account by now.
func (x *endedDrive) revised() *Account {
	a := x.account
	x.times.waiting = 0
	x.times.account(&a)
	a.StopsObserved, a.ReleaseTrials = x.tally.stops, x.tally.trials
	a.Opportunities = slices.Clone(a.Opportunities)
	for i := range a.Opportunities {
		switch o := &a.Opportunities[i]; o.Kind {
		case KindReleaseLag:
			*o = Opportunity{o.Kind, x.releases.Seen, x.releases.Observable, x.releases.Hits}
		case KindHillSlip:
			*o = Opportunity{o.Kind, x.carried.Seen, x.carried.Observable, x.carried.Hits}
		}
	}
	return &a
}

func newLines(s *scene, release *releaseLag, to *lockup, carried *counts) *lines {
	d := &lines{scene: s, release: release, times: to, carried: carried}
	d.track = ratioline.New(ratioline.Settings{RunningRPM: s.set.Drive.RunningRPM, DragSag: s.set.ReleaseLag.DragSag,
		IdleRPM: s.Facts().IdleRPM}, d)
	return d
}

func (d *lines) samples(r stream.Role) bool {
	return r == stream.EngineSpeed || r == stream.VehicleSpeed || r == stream.Accelerator
}

func (d *lines) sample(_ *scene, x *stream.Sample) {
	if !x.OK {
		return
	}
	switch x.Role {
	case stream.EngineSpeed:
		d.track.Engine(x.At, x.Value)
	case stream.VehicleSpeed:
		d.track.Road(x.At, x.Value)
	case stream.Accelerator:
		d.track.Accelerator(x.At, x.Value)
	}
}

// row notes what the context of a finding needs.
func (d *lines) row(m *state.Moment) {
	if m.Row.Has(stream.FluidTemperature) {
		d.temp, d.hasT = m.Row.V[stream.FluidTemperature], true
	}
}

// Span implements ratioline.Out.
func (d *lines) Span(from, to bus.Micros, clutch ratioline.State, line int, kmh float64) {
	hasT := d.hasT && d.earlier(from) == nil
	d.books(from).times.span((to - from).Seconds(), lineStates[clutch], line, kmh, d.temp, hasT)
}

// earlier is the drive that has ended of which an instant is, nil for the latest.
func (d *lines) earlier(at bus.Micros) *endedDrive {
	for i := range d.ended {
		if x := &d.ended[i]; at < x.next && !x.whole {
			return x
		}
	}
	return nil
}

// books are those of the drive of which an instant is.
func (d *lines) books(at bus.Micros) books {
	if x := d.earlier(at); x != nil {
		return books{&x.times, &x.tally, &x.releases, &x.carried}
	}
	return books{d.times, &d.release.tally, d.release.counts, d.carried}
}

// end ends a drive: what is known by then is told.
func (d *lines) end() {
	if d.waits = d.track.Learning(); !d.waits {
		d.track.Flush()
		d.times.waiting = 0
	}
}

// begin begins a drive: what the one before is told of later is kept.
func (d *lines) begin(at bus.Micros) {
	if d.latest != nil {
		d.ended = append(d.ended, endedDrive{account: *d.latest, next: at, times: *d.times, tally: d.release.tally, releases: *d.release.counts, carried: *d.carried})
	}
	d.latest = nil
}

// jumped reports whether the time of what comes goes back: what is known of the time before
// is told then, as the tracker forgets it.
func (d *lines) jumped(at bus.Micros) bool {
	back := at < d.at-bus.Second
	d.at = at
	return back
}

// flush tells all that has come.
func (d *lines) flush() {
	d.track.Flush()
	d.times.waiting = 0
	for i := range d.ended {
		d.ended[i].whole = true
	}
}

// revised hands on the accounts of drives of which all is known now.
func (d *lines) revised(to func(*Account)) {
	n := 0
	for i := range d.ended {
		if x := &d.ended[i]; x.whole || x.next <= d.track.Told() {
			to(x.revised())
			n = i + 1
		}
	}
	d.ended = slices.Delete(d.ended, 0, n)
}

var lineStates = [...]state.Clutch{ratioline.Unknown: state.Unknown, ratioline.Open: state.Open, ratioline.Partial: state.Partial,
	ratioline.Closed: state.Closed, ratioline.Coast: state.Coast}

// Stopped implements ratioline.Out: one stop and its release.
func (d *lines) Stopped(x *ratioline.Stop) {
	s := d.scene
	if x.Class == ratioline.Stall && s.ownStarts.known() && x.Off-x.Drawn < rollDown {
		x.Class = ratioline.NotSeen
	}
	hit := x.Class >= ratioline.Late
	in := d.books(x.At)
	in.releases.add(x.Found[observedTrial], hit)
	if !x.Held {
		return
	}
	recognised := x.Found
	for i := range recognised {
		recognised[i] = recognised[i] || hit
	}
	if recognised[observedTrial] {
		in.tally.stops++
	}
	in.tally.trials.trial(recognised)
	if x.Class == ratioline.NotSeen {
		return
	}
	f := Finding{Kind: KindReleaseLag, Class: Normal, Start: x.On, End: max(x.At, x.Off), Keep: hit}
	switch x.Class {
	case ratioline.Stall:
		if f.Class, f.Severity = ReleaseStall, 1; s.StalledNear(x.Off) {
			// With the lines unknown this comes long after the engine's death was told.
			f.Class, f.Severity = ReleaseDragging, 0.9
		} else {
			s.TellStall(x.Off)
		}
	case ratioline.Dragging:
		f.Class, f.Severity = ReleaseDragging, 0.9
	case ratioline.Late:
		f.Class, f.Severity = ReleaseLate, min(0.85, 0.6+float64(0.1*x.LateMin))
	}
	d.describe(&f, x)
	var percentiles []Percentile
	if x.Count > 0 {
		percentiles = []Percentile{{Measure: lateMinS.Name, Share: state.Round(x.Share, 0.001), N: uint64(x.Count)}}
	}
	d.tell(&f, percentiles)
}

// tell hands on a finding, of the drive that it was in.
func (d *lines) tell(f *Finding, percentiles []Percentile) {
	if x := d.earlier(f.Start); x != nil {
		f.Drive = x.account.Drive
	}
	d.scene.out.finding(f, percentiles)
}

// rollDown is how long an engine that stops itself may take from idle until it stands,
// drawn along by a vehicle that rolls on (common practice, no source).
const rollDown = 1200 * bus.Second / 1000

// Carried implements ratioline.Out: a minute under load with the clutch on.
func (d *lines) Carried(observable bool) { d.carried.add(observable, false) }

// Slipped implements ratioline.Out. No command is known, so that nothing says whether
// it was asked for; that this clutch has carried more is what makes it worth a look.
func (d *lines) Slipped(x *ratioline.Slip) {
	d.books(x.From).carried.add(true, true)
	f := Finding{Kind: KindHillSlip, Class: Unknown, Start: x.From, End: x.To, Severity: 0.4, Keep: true, Context: d.context(x.From, x.Kmh)}
	pedal := state.Round(x.Pedal, 0.1)
	f.Context.AcceleratorPct = &pedal
	f.Measures = append(f.Measures, slipMeanRPM.of(x.MeanRPM), slipPeakRPM.of(x.PeakRPM), durationS.of((x.To - x.From).Seconds()),
		hillHeldS.of(x.HeldS), hillSlippedS.of(x.SlippedS))
	f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command", "turbine_speed")
	d.tell(&f, nil)
}

// context is where the vehicle was at an instant.
func (d *lines) context(at bus.Micros, kmh float64) Context {
	v := state.Round(kmh, 0.1)
	since := d.scene.SinceStart(at)
	if x := d.earlier(at); x != nil {
		since = (at - x.account.Start).Seconds()
	}
	c := Context{SinceStartS: state.Round(since, 0.1), SpeedKmh: &v}
	if d.hasT {
		t := state.Round(d.temp, 0.1)
		c.FluidTemperatureC = &t
	}
	return c
}

// describe puts the numbers of a stop into its finding.
func (d *lines) describe(f *Finding, x *ratioline.Stop) {
	f.Context = d.context(x.On, x.Kmh)
	f.Measures = append(f.Measures, releaseKmh.of(x.Kmh), releaseEngineRPM.of(x.EngineLow))
	last := InstantDipped
	if x.Line > 0 {
		f.Measures = append(f.Measures, releaseMinRPM.of(x.TurbineMin), releaseMaxRPM.of(x.TurbineMax))
		last = "last on its line"
	}
	if x.Count > 0 {
		f.Measures = append(f.Measures, lateMinS.of(x.LateMin), lateMaxS.of(x.LateMax))
	}
	f.Instants = append(f.Instants, Instant{last, x.On, x.On, x.On})
	if x.Drawn > 0 {
		f.Instants = append(f.Instants, Instant{"drawn below idle", x.Drawn, x.Drawn, x.On})
	}
	f.Instants = append(f.Instants, Instant{"seen open", x.Off, x.On, x.At}, Instant{"standstill", x.At, x.On, x.At})
	f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command", "turbine_speed")
	d.release.before.describe(f, x.On, math.NaN())
}

// What lines tell of a release: the road speed, the bounds of the turbine's speed at
// it, and by how much later it came than at this vehicle's usual turbine speed.
var (
	releaseKmh    = Quantity{"release_kmh", "km/h", 0.1}
	releaseMinRPM = Quantity{"release_min_rpm", "rpm", 1}
	releaseMaxRPM = Quantity{"release_max_rpm", "rpm", 1}
	lateMinS      = Quantity{"later_than_usual_min_s", "s", 0.01}
	lateMaxS      = Quantity{"later_than_usual_max_s", "s", 0.01}
)

// LinesIn returns what a History holds of the lines of engine over road speed, nil
// where it holds nothing of them.
func LinesIn(b []byte) (*ratioline.Memory, error) {
	h := newHistory()
	if err := h.decode(b); err != nil {
		return nil, err
	}
	return h.Lines, nil
}
