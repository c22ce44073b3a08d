package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/chain"
	"joltwatch/detect/coupling"
	"joltwatch/detect/state"
)

// selfTest asks of a release what would have been told of it had the clutch let
// go later: by moving the command to an earlier instant where the clutch was
// engaged and the pedal released since then, so that every speed is as it was
// seen, or else by laying this vehicle's own closed slip over the turbine for
// longer. A release counts as observed only where the same decision would then
// have been an alarm. It waits until the speeds that the longest lag needs are in.
type selfTest struct {
	pending bool
	at      bus.Micros // when it is due
	// judged: what was told of the release is known to be so; one that may have been
	// late is none that was observed.
	judged bool
	hit    bool
	told   bool // for the lag, so that a longer one would have been too
	stop   bool
	// fell is when a reported state did of which the speeds have not told yet.
	fell bus.Micros
	// seen is by what was known of the release, copy as if the state that is
	// reported of it were a copy of the command, where that is not known yet.
	seen, copy way
}

// way is one way in which a later release is looked for.
type way struct {
	is      bool
	fall    coupling.Edge
	lag     float64
	known   bool // the lag is
	command bool
	key     historyKey
	context Context
	judged  bool       // as this way has it
	since   bus.Micros // the clutch engaged and the pedal released
	// lateS is by how much later than this vehicle's usual it came as it is, 0 where it
	// came as usual, placed whether that is known. A trial is of one so late, not of one
	// later still.
	lateS  float64
	placed bool
	habit  lateness
	unsure bus.Micros // how much earlier the speeds may have parted
}

// recognised is in which trials a later release would have been.
type recognised = [len(trialsS)]bool

// trialsS is how much later than usual the clutch lets go in the trials, in s.
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

// plan takes a release that has come to an end, told or not.
func (x *selfTest) plan(p *state.Separation, r *release, told bool) {
	x.pending, x.stop, x.judged = true, p.Stop, told
	if told {
		x.hit = r.class != Normal
		x.told = x.hit && r.class != LateCommand
	}
	if !p.HasCommand && !p.Driven {
		return // nor would a later one have been told
	}
	x.seen = wayOf(p, r, p.HasCommand)
	x.at = max(x.at, x.seen.due())
}

// awaits reports whether a separation by the speeds alone belongs to the release of the
// reported state that is being tested.
func (x *selfTest) awaits(p *state.Separation) bool {
	return x.fell > 0 && !x.seen.is && !p.HasCommand && p.Seen.Early <= x.fell+2*bus.Second && p.Seen.Late >= x.fell-bus.Second
}

// copied takes a release of a reported state of which it is not known whether it
// comes before what the plates do.
func (x *selfTest) copied(p *state.Separation, r *release, judged bool) {
	x.copy = wayOf(p, r, true)
	x.copy.judged = judged
	x.at = max(x.at, x.copy.due())
}

func wayOf(p *state.Separation, r *release, command bool) way {
	w := way{is: true, fall: coupling.Edge{Early: p.Fall.Early, Late: p.Fall.Late}, command: command, key: r.key,
		context: p.Context, since: p.Since, habit: r.habit, known: !p.Seen.Hidden && (p.Proven || r.lag < hiddenS)}
	switch {
	case !command:
		// What is known is when it let go.
		w.fall, w.unsure = coupling.Edge{Early: p.Seen.At, Late: p.Seen.At}, p.Seen.At-p.Seen.Early
		if x := &r.habit.decision; r.habit.decided {
			w.placed = true
			if x.LowS > 0 {
				w.lateS = x.LateS // not as the habit itself goes to and fro
			}
		}
	case w.known:
		w.lag, w.placed = r.lag, true
		if r.usualN >= chain.Fewest {
			w.lateS = max(0, r.lag-r.usualS)
		}
	}
	return w
}

// due is when the speeds that the longest lag needs are in.
func (w *way) due() bus.Micros {
	return w.fall.Early + seconds(w.lag+trialsS[len(trialsS)-1]+afterS)
}

// due reports whether the test is to be run now: the speeds are in, or what
// comes now belongs to another release. A reported state may fall only after the
// speeds have parted.
func (x *selfTest) due(m *state.Moment) bool {
	w := &x.seen
	if !w.is {
		w = &x.copy
	}
	return x.pending && (m.At >= x.at || m.Rose || m.Fell && w.command || m.At < w.fall.Early)
}

// run returns in which trials the release would have been recognised.
func (w *way) run(s *scene) (yes recognised) {
	for i, by := range trialsS {
		yes[i] = w.is && w.recognised(s, by-w.lateS)
	}
	return yes
}

// recognised reports whether the release would have been told had it come later, by
// so many seconds, or sooner; where its own lag is not known, had that been the lag.
func (w *way) recognised(s *scene, by float64) bool {
	if by <= 0 && !w.command {
		at := w.fall.Mid() + seconds(by)
		late := w.lateness(s, coupling.Onset{At: at, Early: at - w.unsure, Late: at})
		return late.late(&s.set.ReleaseLag)
	}
	var t coupling.Trial
	if w.command && w.known && w.since < w.fall.Early-seconds(by+state.MinEngagedS) {
		t = coupling.Earlier(s.Limits(), s.Trail(), w.fall, by)
	} else {
		t = coupling.Longer(s.Limits(), s.Trail(), w.fall, w.lag+by)
	}
	if t.Outcome == coupling.Lost || t.Outcome == coupling.Taken || w.command && !t.Proven {
		return false
	}
	switch {
	case t.Outcome == coupling.Stalled:
		return true
	case s.Dragged(t.EngineLow, t.TurbineLow) && (!w.command || t.LagS >= s.set.ReleaseLag.DragAfterS && t.LowS >= float64(lateLeast*s.set.ReleaseLag.DragAfterS)):
		return true
	case !w.command:
		at := w.fall.Mid()
		late := w.lateness(s, coupling.Onset{At: at + seconds(t.LagS), Early: at + seconds(t.LowS), Late: at + seconds(t.LagS)})
		return t.Outcome == coupling.Parted && late.late(&s.set.ReleaseLag)
	}
	t.LowS = min(t.LowS, t.SureS)
	if t.LagS-t.LowS > hiddenS {
		t.LagS = t.LowS
	}
	late := t.Outcome == coupling.Held || s.late(w.key, t.LagS, t.LowS)
	return late && t.LowS >= float64(lateLeast*s.set.ReleaseLag.LimitS)
}

// tried runs the self-test and counts the release.
func (d *releaseLag) tried(s *scene) {
	x := &d.test
	x.pending = false
	yes := recognised{true, true, true} // what was told is, later still
	if !x.told || x.seen.placed {
		yes = x.seen.run(s)
	}
	observed := x.judged && yes[observedTrial]
	d.counts.add(observed, x.hit)
	d.trial(x.stop, yes)
	d.told = d.told || x.stop && x.hit
	if x.copy.is {
		asCopy := x.copy.run(s)
		d.owed.owe(x.stop, yes, asCopy)
		if x.copy.judged && asCopy[observedTrial] && !observed && !x.hit {
			d.owed.n++
		}
	}
}

// trial counts what the trials of a release came to.
func (d *releaseLag) trial(stop bool, yes recognised) {
	if stop {
		d.tally.trials.trial(yes)
		d.told = d.told || yes[observedTrial]
	}
}

// owed are the releases of a drive that would have been recognised if the state
// that is reported copies the command, which was not known then: they count as soon
// as it is.
type owed struct {
	any    bool   // there may be some
	n      uint64 // opportunities
	trials ReleaseTrials
}

// owe notes what a release would have shown beyond what it did.
func (o *owed) owe(stop bool, yes, asCopy recognised) {
	o.any = true
	for i := range asCopy {
		asCopy[i] = asCopy[i] && !yes[i]
	}
	if stop {
		o.trials.credit(asCopy)
	}
}

// pay counts what was owed.
func (d *releaseLag) pay() {
	d.counts.Observable += d.owed.n
	t, x := &d.tally.trials, &d.owed.trials
	t.LaterHalfS, t.Later1S, t.Later2S = t.LaterHalfS+x.LaterHalfS, t.Later1S+x.Later1S, t.Later2S+x.Later2S
	d.owed = owed{}
}
