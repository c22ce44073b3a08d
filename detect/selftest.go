package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/detect/state"
)

// selfTest asks of a release that was told what would have been told of it had
// the clutch let go later: by moving the command to an earlier instant where the
// clutch was engaged and the pedal released since then, so that every speed is
// as it was seen, or else by laying this vehicle's own closed slip over the
// turbine for longer. A release counts as observed only where the same decision
// would then have been an alarm. It waits until the speeds that the longest lag
// needs are in.
type selfTest struct {
	pending bool
	at      bus.Micros // when it is due
	fall    coupling.Edge
	lag     float64
	command bool
	hit     bool
	told    bool // for the lag, so that a longer one would have been too
	stop    bool
	key     historyKey
	since   bus.Micros // the clutch engaged and the pedal released
}

// trialsS is how much later the clutch lets go in the trials, in s.
var trialsS = [3]float64{0.5, 1, 2}

const (
	// afterS is how much of the speeds after the last lag a decision needs.
	afterS = 1.0
	// hiddenS between a lag and the least that it may be is more than noise
	// makes: only the least is known then.
	hiddenS = 0.3
	// observedTrial is the trial by which an opportunity counts as observed.
	observedTrial = 1
)

// plan takes a release that was told.
func (x *selfTest) plan(s *scene, p *state.Separation, r *release) {
	*x = selfTest{pending: true, fall: coupling.Edge{Early: p.Fall.Early, Late: p.Fall.Late},
		lag: r.lag, command: p.HasCommand, hit: r.class != Normal,
		told: r.class != Normal && r.class != ReleaseLateCommand, stop: p.Stop, key: r.key, since: p.Since}
	if !p.HasCommand {
		// What is known is when it let go.
		x.fall, x.lag = coupling.Edge{Early: p.Seen.At, Late: p.Seen.At}, 0
	}
	x.at = x.fall.Early + seconds(x.lag+trialsS[len(trialsS)-1]+afterS)
}

// due reports whether the test is to be run now: the speeds are in, or what
// comes now belongs to another release.
func (x *selfTest) due(s *scene, m *state.Moment) bool {
	return x.pending && (m.At >= x.at || m.Rose || m.Fell || m.At < x.fall.Early)
}

// run returns in which trials the release would have been recognised.
func (x *selfTest) run(s *scene) (recognised [len(trialsS)]bool) {
	for i, by := range trialsS {
		recognised[i] = x.told || x.recognised(s, by)
	}
	x.pending = false
	return recognised
}

func (x *selfTest) recognised(s *scene, by float64) bool {
	var t coupling.Trial
	if x.command && x.since < x.fall.Early-seconds(by+state.MinEngagedS) {
		t = coupling.Earlier(s.Limits(), s.Trail(), x.fall, by)
	} else {
		t = coupling.Longer(s.Limits(), s.Trail(), x.fall, x.lag+by)
	}
	if t.Outcome == coupling.Lost || t.Outcome == coupling.Taken || x.command && !t.Proven {
		return false
	}
	switch {
	case t.Outcome == coupling.Stalled:
		return true
	case s.Dragged(t.EngineLow, t.TurbineLow) && (!x.command || t.LagS >= s.set.ReleaseLag.DragAfterS):
		return true
	}
	if t.LagS-t.LowS > hiddenS {
		t.LagS = t.LowS
	}
	late := t.Outcome == coupling.Held || s.late(x.key, t.LagS, t.LowS)
	return x.command && late && t.LowS >= float64(lateLeast*s.set.ReleaseLag.LimitS)
}

// tried runs the self-test and counts the release.
func (d *releaseLag) tried(s *scene) {
	hit, stop := d.test.hit, d.test.stop
	recognised := d.test.run(s)
	d.counts.add(recognised[observedTrial], hit)
	d.told = d.told || stop && recognised[observedTrial]
	d.tally.trials.trial(recognised)
}
