package main

import (
	"fmt"
	"math"
	"strings"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/stream"
)

// Rows of a class's table.
const (
	rowLate      = "release lag: late"
	rowLateEdge  = "release lag: late by under 0.15 s"
	rowSound     = "release lag: sound"
	rowCommand   = "release lag: late command"
	rowDrag      = "release lag: dragging"
	rowStallHeld = "stall: with the clutch holding"
	rowStallOpen = "stall: with the clutch open"
	rowKeyOff    = "stall: key-offs"
	rowAsked     = "hill slip: asked"
	rowUnasked   = "hill slip: unasked"
	rowTrend     = "slip trend"
	rowLockup    = "lockup fraction"
	rowApply     = "apply"
	rowApplyBad  = "apply: slow or partial"
	rowShift     = "shift with the clutch on"
	rowOpen      = "open under drive"
	rowGearset   = "gearset slip"
	rowFlare     = "flare"
	rowShudder   = "shudder"
	rowJolt      = "jolt"
	rowMark      = "mark"
	rowBus       = "bus fault"
	rowStale     = "role stale"
	rowTrouble   = "trouble told once"
	// Of a car of which nothing is known but two speeds.
	rowAskedDrawn = "release lag: two speeds, drawn below idle"
	rowAskedLate  = "release lag: two speeds, late by 1 s or more"
	rowAskedAbove = "release lag: two speeds, of those above idle still"
)

var rowNames = []string{rowAskedDrawn, rowAskedLate, rowAskedAbove, rowLate, rowLateEdge, rowSound, rowCommand, rowDrag, rowStallHeld, rowStallOpen, rowKeyOff, rowAsked, rowUnasked, rowTrend,
	rowLockup, rowApply, rowApplyBad, rowShift, rowOpen, rowGearset, rowFlare, rowShudder, rowJolt,
	rowMark, rowBus, rowStale, rowTrouble}

// Kinds that only some programs have.
const (
	kindLockup = "lockup-fraction"
)

// rowOfKind is where what is found of a kind without any truth is counted. A
// test fails where a detector has no row here, or its row no truth.
var rowOfKind = map[string]string{
	detect.KindReleaseLag: rowSound, detect.KindHillSlip: rowUnasked, kindLockup: rowLockup, detect.KindApply: rowApply,
	detect.KindShift: rowShift, detect.KindOpenUnderDrive: rowOpen, detect.KindGearsetSlip: rowGearset, detect.KindFlare: rowFlare,
	detect.KindShudder: rowShudder, detect.KindJolt: rowJolt, detect.KindMark: rowMark, detect.KindBusFault: rowBus,
	detect.KindRoleStale: rowStale, detect.KindEngineDied: rowStallOpen, detect.KindSlipTrend: rowTrend,
}

// wiring is what the signals of a class can carry.
type wiring struct {
	polled  bool // speeds come by request, or a few times a second
	asked   bool // and so fast as the program asks: both speeds, and no more
	command bool // what the clutch is told is on the bus
	state   bool // what its controller says of it is
	// body: road speed or an accelerometer is fine and quick enough for what
	// the body feels.
	body   bool
	period bus.Micros // the slowest behind a lag
	// slipTolRPM is how much more slip there must be to show where the turbine's
	// speed is worked out of a ratio and another shaft's.
	slipTolRPM float64
}

// derivedTolRPM is half a percent of 2000 rpm, from a ratio and a coarse shaft
// speed, and something for the ripple.
const derivedTolRPM = 15.0

// wiringOf reads a layout.
func wiringOf(l *drive.Layout) wiring {
	w := wiring{polled: l.Polled, asked: l.WatchHz > 0, slipTolRPM: derivedTolRPM}
	for i := range l.Messages {
		m := &l.Messages[i]
		p := bus.Micros(m.PeriodMs) * 1000
		if l.Polled {
			p = bus.Micros(1e6 / l.PollHz)
		}
		for k := range m.Signals {
			s := &m.Signals[k]
			if s.Unmapped {
				continue
			}
			switch s.Role {
			case stream.EngineSpeed, stream.TurbineSpeed:
				w.period = max(w.period, p)
				if s.Role == stream.TurbineSpeed {
					w.slipTolRPM = 0
				}
			case stream.ClutchPressureCommand, stream.ClutchCommand:
				w.period, w.command = max(w.period, p), true
			case stream.LockupState:
				w.period, w.state = max(w.period, p), true
			case stream.Acceleration:
				w.body = w.body || p <= 50_000
			case stream.VehicleSpeed:
				w.body = w.body || p <= 50_000 && s.Scale <= 0.05
			}
		}
	}
	return w
}

// matcher compares one monitor's words about one drive with its truth.
type matcher struct {
	wiring
	t     *tally
	j     *job
	truth *drive.Truth
	seen  *seen
	set   *detect.Settings
	used  []bool // findings that a truth has claimed
	// admitted is how many releases the accounts say could not be observed,
	// less those that a truth has already been excused by.
	admitted int
	// silent is how many the accounts say were observed and made no finding.
	silent int
	late   []lateRelease
	// slipObserved is how many opportunities of held slip the accounts say were
	// observed.
	slipObserved uint64
}

// lateRelease is a late one that came to its end.
type lateRelease struct {
	lagS float64
	told bool
}

// match fills the tally.
func match(t *tally, j *job, truth *drive.Truth, s *seen, set *detect.Settings, l *drive.Layout) {
	m := &matcher{wiring: wiringOf(l), t: t, j: j, truth: truth, seen: s, set: set, used: make([]bool, len(s.findings))}
	if j.rate > 0 {
		m.period = bus.Micros(float64(m.period) * j.rate)
	}
	hours := truth.Totals().EngineS / 3600
	t.allHours += hours
	if j.normal {
		t.normalHours += hours
	}
	m.account()
	m.stalls()
	if m.asked {
		m.askedReleases()
	} else {
		m.releases()
	}
	if m.lateAtTimes() {
		m.observed()
	}
	m.slips()
	m.trends()
	m.lockup()
	m.applies()
	m.shifts()
	m.opens()
	m.shakes()
	m.jolts()
	m.windows(rowGearset, []string{detect.KindGearsetSlip}, 0.5, "gearset-slip")
	m.windows(rowBus, []string{detect.KindBusFault}, 1.5, "bus-off", "frames-lost", "error-frames", "silent", "down", "clock-jump", "clock")
	m.windows(rowStale, []string{detect.KindRoleStale}, 6, "dropout", "not-available", "missing")
	m.windows(rowBus, []string{detect.KindBusFault, detect.KindRoleStale}, 6, "quiet", "flood")
	m.troubled()
	m.marks()
	m.rest()
}

// account reads what the accounts say of releases.
func (m *matcher) account() {
	for i := range m.seen.accounts {
		trials := &m.seen.accounts[i].ReleaseTrials
		if m.j.stops {
			m.t.released += trials.Releases
			m.t.later1S += trials.Later1S
		}
		for _, o := range m.seen.accounts[i].Opportunities {
			if o.Kind == detect.KindHillSlip {
				m.slipObserved += o.Observable
			}
			if o.Kind == detect.KindReleaseLag {
				m.t.opportunities += o.Seen
				m.t.observable += o.Observable
				m.admitted += int(o.Seen - o.Observable)
				m.silent += int(o.Observable)
			}
		}
	}
	for i := range m.seen.findings {
		if m.seen.findings[i].Kind == detect.KindReleaseLag {
			m.silent--
		}
	}
}

// observed sets what the self-tests say of releases later by so much beside what was
// found of those that truly were, seen or not.
func (m *matcher) observed() {
	var trials detect.ReleaseTrials
	for i := range m.seen.accounts {
		trials.Add(m.seen.accounts[i].ReleaseTrials)
	}
	usual := m.usualLagS()
	for _, x := range m.late {
		m.t.late++
		m.t.expected += recognisable(&trials, x.lagS-usual)
		if x.told {
			m.t.found++
		}
	}
}

// recognisable is the share of releases that would have been recognised had they come
// later by so many seconds, as the self-tests by 0.5, 1 and 2 s say.
func recognisable(t *detect.ReleaseTrials, s float64) float64 {
	half, one, two := float64(t.LaterHalfS), float64(t.Later1S), float64(t.Later2S)
	n := two
	switch {
	case s < 0.5:
		n = half
	case s < 1:
		n = half + (one-half)*(s-0.5)/0.5
	case s < 2:
		n = one + (two-one)*(s-1)
	}
	return n / max(1, float64(t.Releases))
}

// lateAtTimes reports whether some releases of the drive are late, and the most are
// not: one that is late already is no measure of what a later one would have shown.
func (m *matcher) lateAtTimes() bool {
	late, sound := 0, 0
	for i := range m.truth.Releases {
		switch m.rowOf(&m.truth.Releases[i]) {
		case rowLate, rowDrag:
			late++
		case rowSound, "":
			sound++
		}
	}
	return late > 0 && late < sound
}

// at names a place in a drive for a note.
func (m *matcher) at(x bus.Micros) string {
	return fmt.Sprintf("%s at %.2f s", m.j.name, (x - m.truth.Start).Seconds())
}

// find returns the first finding of the kind, not claimed yet, that overlaps
// the stretch.
func (m *matcher) find(kind string, from, to bus.Micros) *detect.Finding {
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if !m.used[i] && f.Kind == kind && f.Start <= to && f.End >= from {
			m.used[i] = true
			return f
		}
	}
	return nil
}

// spurious counts a finding that no truth stands behind.
func (m *matcher) spurious(row string, f *detect.Finding) {
	r := m.t.row(row)
	if m.j.normal {
		r.falseAlarms++
		r.note("false: " + m.at(f.Start) + " " + describe(f))
	} else {
		r.wrong++
		r.note("wrong: " + m.at(f.Start) + " " + describe(f))
	}
}

func describe(f *detect.Finding) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s", f.Kind, f.Class)
	for _, x := range f.Measures {
		fmt.Fprintf(&b, " %s=%g", x.Name, x.Value)
	}
	return b.String()
}

// alarming reports whether a technician would act on a release so called.
func alarming(f *detect.Finding) bool {
	return isStall(f) || f.Kind == detect.KindReleaseLag && !detect.Ordinary(f.Kind, f.Class)
}

// isStall reports whether the finding says that the engine died.
func isStall(f *detect.Finding) bool {
	return f.Class == detect.ReleaseStall || f.Kind == detect.KindEngineDied
}

// stalls: each told once, whatever the clutch did; and none where a key was
// turned. A finding of a stall belongs to the stall nearest to its end.
func (m *matcher) stalls() {
	told := make([]int, len(m.truth.Stalls))
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if !isStall(f) {
			continue
		}
		best, dist := -1, 6*bus.Second
		for k, s := range m.truth.Stalls {
			if d := max(f.End-s.At, s.At-f.End); d < dist && f.Start <= s.At+bus.Second {
				best, dist = k, d
			}
		}
		if best >= 0 {
			told[best]++
			m.used[i] = true
		}
	}
	for k, s := range m.truth.Stalls {
		x := m.t.row(rowStallOpen)
		if s.Holding {
			x = m.t.row(rowStallHeld)
		}
		if told[k] == 1 {
			x.hit()
		} else {
			x.miss(m.at(s.At) + fmt.Sprintf(" told %d times", told[k]))
		}
	}
	for range m.truth.KeyOffs {
		m.t.row(rowKeyOff).hit() // what is said of one is counted as false
	}
}

const edge = 0.15 // s beyond the limit from which a late release must be found

// Shares of idle speed: a turbine that is still coupled below the one has
// truly drawn the engine down; above the other it has not; between them it may
// be called either.
const (
	drawnShare   = 0.80
	undrawnShare = 0.95
)

// rowOf says which row a release belongs to; empty where nobody can say
// what it should be called.
func (m *matcher) rowOf(r *drive.Release) string {
	limit := m.set.ReleaseLag.LimitS
	least := least(r)
	switch {
	case moot(r):
		return ""
	case r.Cause == drive.CauseCommand && r.Parted > 0 && r.LagS <= limit:
		return rowCommand
	case r.Stalled && r.LagS > limit:
		return rowLate
	case r.Parted == 0:
		return ""
	case r.LagS > limit && least <= limit:
		return "" // free in time, and together by chance
	case least <= limit && r.InjectedNm > 0:
		return ""
	case least <= limit:
		return rowSound
	case r.TurbineMin < drawnShare*m.j.idleRPM:
		return rowDrag
	case least >= limit+edge:
		return rowLate
	}
	return rowLateEdge
}

// moot reports whether a release came to no end of its own, or a fault of stops met
// another one: nobody can say what it should be called.
func moot(r *drive.Release) bool {
	held := r.InjectedS > 0 || r.InjectedNm > 0
	return r.Reapplied || r.Reason == "selector" || held && r.Reason != "stop"
}

// ended is until when a finding may be about a release.
func ended(r *drive.Release) bus.Micros {
	if r.Parted5 == 0 {
		return r.Fell + 6*bus.Second
	}
	return r.Parted5
}

// least is the lag in s from which on only chance held the speeds together.
func least(r *drive.Release) float64 {
	if r.FreedS == 0 {
		return r.LagS
	}
	return min(r.LagS, r.FreedS)
}

func (m *matcher) releases() {
	for i := range m.truth.Releases {
		r := &m.truth.Releases[i]
		end := ended(r)
		row := m.rowOf(r)
		if row == "" {
			m.claim(r.Fell-bus.Second, max(end, r.Fell+8*bus.Second))
			continue
		}
		f := m.release(r, end)
		if row == rowDrag {
			m.judge(rowDrag, r, f, func(f *detect.Finding) bool { return f.Class == detect.ReleaseDragging || isStall(f) })
			row = rowLate // and it is late
		}
		if row == rowSound {
			m.sound(r, f)
		} else {
			m.judge(row, r, f, alarming)
		}
		if row == rowLate && !r.Stalled {
			m.late = append(m.late, lateRelease{least(r), f != nil && alarming(f)})
		}
		if f != nil {
			m.measure(row, r, f)
		}
	}
}

// release returns the finding about a release: of those not claimed yet that
// overlap it, the one that begins nearest to the fall.
func (m *matcher) release(r *drive.Release, end bus.Micros) *detect.Finding {
	before := bus.Second / 2
	if !m.command {
		before = 4 * bus.Second // the report comes when it comes
	}
	best := -1
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if m.used[i] && !isStall(f) || f.Kind != detect.KindReleaseLag || f.Start > end+bus.Second/2 || f.End < r.Fell-before {
			continue
		}
		if m.used[i] && !r.Stalled {
			continue
		}
		if best < 0 || near(f, r) < near(&m.seen.findings[best], r) {
			best = i
		}
	}
	if best < 0 {
		return nil
	}
	m.used[best] = true
	return &m.seen.findings[best]
}

func near(f *detect.Finding, r *drive.Release) bus.Micros { return max(f.Start-r.Fell, r.Fell-f.Start) }

// judge counts a release that is late or dragging. It is not observable where
// the monitor says so: by a bound without a lag that holds the truth, by its
// account (or its silence), or because nothing tells when the clutch was told to let go and it
// let go before the engine was drawn down.
func (m *matcher) judge(row string, r *drive.Release, f *detect.Finding, right func(*detect.Finding) bool) {
	x := m.t.row(row)
	note := m.at(r.Fell) + fmt.Sprintf(" lag %.2f s in gear %d at %.1f km/h, turbine to %.0f rpm", r.LagS, r.Gear, r.Kmh, r.TurbineMin)
	switch {
	case f != nil && right(f):
		x.hit()
	case f != nil && bounded(f, r):
		x.unobservable++
	case f != nil:
		x.miss(note + ", called " + describe(f))
	case m.admitted > 0:
		m.admitted--
		x.unobservable++
	case m.silent <= 0 || !m.command && r.TurbineMin > undrawnShare*m.j.idleRPM && !r.Stalled:
		x.unobservable++ // nobody says that it was observed
	case row == rowDrag && r.Stalled:
		x.unobservable++ // a row of its own
	default:
		x.miss(note)
	}
}

// bounded reports whether a finding claims no lag, but a most that holds the
// truth.
func bounded(f *detect.Finding, r *drive.Release) bool {
	_, ok := f.Get("lag_s")
	hi, has := f.Get("lag_max_s")
	return !ok && (!has || hi >= r.LagS-0.001) && !alarming(f)
}

// sound counts a release in which nothing is wrong.
func (m *matcher) sound(r *drive.Release, f *detect.Finding) {
	x := m.t.row(rowSound)
	switch {
	case f == nil:
		x.unobservable++
	case alarming(f):
		x.truths++
		x.misses++
		m.spurious(rowSound, f)
	default:
		x.hit()
	}
}

// lagBeyond is the measure of how far a lag is off beyond what the sample
// period and the delay that the finding states allow.
const lagBeyond = "lag beyond one period, s"

// measure compares lag and interval with the truth. Between the moment the
// clutch was free and the moment the speeds parted nobody can tell which it
// was. Slip that was being regulated when the command fell has no sharp end:
// it is judged, but not measured.
func (m *matcher) measure(row string, r *drive.Release, f *detect.Finding) {
	if math.Abs(r.SlipRPM) >= 5 || r.Parted == 0 || isStall(f) && !r.Stalled {
		return
	}
	x := m.t.row(row)
	lo, hasLo := f.Get("lag_min_s")
	hi, hasHi := f.Get("lag_max_s")
	if !hasLo && !hasHi {
		return
	}
	if !hasHi || r.Stalled {
		hi = math.Inf(1) // at least so much
	}
	least := r.LagS
	if r.FreedS > 0 {
		least = min(least, r.FreedS)
	}
	if lo-0.0005 <= r.LagS && hi+0.0005 >= least {
		x.inside++
	} else {
		x.outside++
		x.note("outside: " + m.at(r.Fell) + fmt.Sprintf(" lag %.3f s, free %.3f s, %s", r.LagS, r.FreedS, describe(f)))
	}
	lag, ok := f.Get("lag_s")
	if !ok || !m.command && !m.state || r.Stalled || !hasHi {
		return // an upper bound by design, or a lower one
	}
	truth := min(r.LagS, max(lag, least))
	stated, _ := f.Get("delay_s")
	x.off("lag_s", lag, truth)
	x.off(lagBeyond, math.Max(0, math.Abs(lag-truth)-m.period.Seconds()-math.Abs(stated)), 0)
}

// claim takes what is said of releases in a stretch out of the count.
func (m *matcher) claim(from, to bus.Micros) {
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if f.Kind == detect.KindReleaseLag && f.Start <= to && f.End >= from {
			m.used[i] = true
		}
	}
}

// slips judges slip that is held: found, called by its right name, and its
// mean right over the time that was reported.
func (m *matcher) slips() {
	for i := range m.truth.Slips {
		s := &m.truth.Slips[i]
		d := (s.To - s.From).Seconds()
		row, least := rowUnasked, m.set.HillSlip.UnaskedS
		if s.Asked {
			row, least = rowAsked, m.set.HillSlip.MinS
		}
		if m.faulted("partial-apply", s.From) || s.Kmh < m.set.HillSlip.MinKmh+3 || d < least+2 || s.Mean < m.set.HillSlip.MinRPM+5+m.slipTolRPM || m.polled {
			m.overlapping(detect.KindHillSlip, s.From, s.To, func(f *detect.Finding) { m.slipMean(row, f) })
			continue
		}
		x := m.t.row(row)
		found, named, unsaid := false, false, false
		for i := range m.seen.findings {
			f := &m.seen.findings[i]
			if f.Kind != detect.KindHillSlip || f.Start >= s.To || f.End <= s.From {
				continue
			}
			// One finding may go over two stretches.
			found = true
			unsaid = unsaid || f.Class == detect.Unknown
			named = named || (f.Class == detect.Asked) == s.Asked && f.Class != detect.Unknown
			if !m.used[i] {
				m.slipMean(row, f)
			}
			m.used[i] = true
		}
		switch {
		case named:
			x.hit()
		case unsaid && (!m.command || !s.Asked):
			// Without a command nobody can tell whether it was asked for; and an
			// alarm that says so is no all-clear.
			x.hit()
		case !found && m.slipObserved == 0:
			x.unobservable++ // nobody says that any would have been told
		default:
			x.miss(m.at(s.From) + fmt.Sprintf(" %.0f rpm for %.1f s, found %v", s.Mean, d, found))
		}
	}
}

// trends: slip that grows from day to day is told at least once, by a detector
// that there is.
func (m *matcher) trends() {
	for _, x := range m.truth.Trends {
		r := m.t.row(rowTrend)
		if !m.command && !m.state {
			r.unobservable++
			continue
		}
		n := 0
		m.overlapping(detect.KindSlipTrend, x.From, x.To+bus.Second, func(*detect.Finding) { n++ })
		if n > 0 {
			r.hit()
		} else {
			r.miss(m.at(x.From) + fmt.Sprintf(" %g rpm a day", x.RPMPerDay))
		}
	}
}

// faulted reports whether a fault of the kind was at work.
func (m *matcher) faulted(kind string, at bus.Micros) bool {
	for _, in := range m.truth.Injected {
		if in.Fault.Kind == kind && in.From <= at && in.To > at {
			return true
		}
	}
	return false
}

// overlapping calls each for every finding of the kind in the stretch, and
// claims it.
func (m *matcher) overlapping(kind string, from, to bus.Micros, each func(*detect.Finding)) {
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if f.Kind == kind && f.Start < to && f.End > from {
			if !m.used[i] {
				each(f)
			}
			m.used[i] = true
		}
	}
}

// slipMean compares the mean slip with the true mean over the same stretch.
func (m *matcher) slipMean(row string, f *detect.Finding) {
	mean, ok := f.Get("slip_mean_rpm")
	if !ok {
		return
	}
	sum, n := 0.0, 0
	for t := f.Start; t <= f.End; t += drive.TraceStep {
		k := int((t - m.truth.Start) / drive.TraceStep)
		if k >= 0 && k < len(m.truth.Trace) {
			p := m.truth.Trace[k]
			sum += float64(p.Engine - p.Turbine)
			n++
		}
	}
	if n > 0 {
		m.t.row(row).off("slip_mean_rpm", mean, sum/float64(n))
		if math.Abs(mean-sum/float64(n)) > 5 {
			m.t.row(row).note("off: " + m.at(f.Start) + fmt.Sprintf(" truly %.1f rpm, ", sum/float64(n)) + describe(f))
		}
	}
}

// lockup compares the shares of moving time of a drive of some length.
func (m *matcher) lockup() {
	var a detect.Account
	for _, x := range m.seen.accounts {
		a.MovingS += x.MovingS
		a.ClosedS += x.ClosedS
		a.PartialS += x.PartialS
		a.CoastS += x.CoastS
		a.OpenS += x.OpenS
		a.UnknownS += x.UnknownS
		a.EdgeS += x.EdgeS
	}
	d := m.moving()
	if d.MovingS < 300 || a.MovingS < 1 || !m.j.normal {
		return
	}
	x := m.t.row(rowLockup)
	truth := 100 * (d.ClosedS + d.PartialS + d.CoastS) / d.MovingS
	got := 100 * (a.ClosedS + a.PartialS + a.CoastS) / max(a.MovingS-a.UnknownS, 1)
	// What was unknown may have been either, and what lies about a change.
	lo := 100 * (a.ClosedS + a.PartialS + a.CoastS - a.EdgeS) / a.MovingS
	hi := lo + 100*(a.UnknownS+2*a.EdgeS)/a.MovingS
	x.off("points", got, truth)
	x.off("unknown_points", hi-lo, 0)
	if math.Abs(got-truth) <= 1 || truth >= lo && truth <= hi {
		x.hit()
		return
	}
	x.miss(fmt.Sprintf("%s %.2f %% (%.1f to %.1f) for %.2f %% (closed %.1f/%.1f partial %.1f/%.1f coast %.1f/%.1f open %.1f/%.1f unknown %.1f s)", m.j.name, got, lo, hi, truth,
		a.ClosedS, d.ClosedS, a.PartialS, d.PartialS, a.CoastS, d.CoastS, a.OpenS, d.OpenS, a.UnknownS))
}

// moving shares out the time in which the vehicle truly moved, at the speed
// that the settings call moving.
func (m *matcher) moving() drive.DriveTruth {
	var d drive.DriveTruth
	step := drive.TraceStep.Seconds()
	for _, x := range m.truth.Drives {
		for at := x.From; at < x.To; at += drive.TraceStep {
			k := int((at - m.truth.Start) / drive.TraceStep)
			if k < 0 || k >= len(m.truth.Trace) || float64(m.truth.Trace[k].Kmh) < m.set.Drive.MovingKmh {
				continue
			}
			d.MovingS += step
			*d.In(m.truth.Trace[k].State) += step
		}
	}
	return d
}

func (m *matcher) applies() {
	if m.polled {
		return
	}
	for i := range m.truth.Applies {
		a := &m.truth.Applies[i]
		bad := ""
		for _, kind := range []string{"slow-apply", "partial-apply"} {
			if m.faulted(kind, a.Rise) {
				bad = kind
			}
		}
		if took := (a.Done - a.Rise).Seconds(); bad != "" && a.Done > 0 && took < m.set.Apply.SlowS+0.3 {
			// Under little load the slip goes down of itself: nothing wrong
			// to be seen in this one.
			m.overlapping(detect.KindApply, a.Rise-bus.Second/2, a.Done, func(*detect.Finding) {})
			continue
		}
		row := rowApply
		if bad != "" {
			row = rowApplyBad
		}
		x := m.t.row(row)
		x.truths++
		end := a.Done
		if end == 0 {
			end = a.Rise + 8*bus.Second
		}
		f := m.find(detect.KindApply, a.Rise-bus.Second/2, end)
		switch {
		case f == nil:
			x.misses++
			x.note("missed: " + m.at(a.Rise) + fmt.Sprintf(" took %.2f s", (a.Done-a.Rise).Seconds()))
		case bad != "" && f.Class == detect.Normal:
			x.misses++
			x.note("missed: " + m.at(a.Rise) + " " + bad + ", called " + describe(f))
		case bad == "" && f.Class != detect.Normal:
			x.misses++
			m.spurious(row, f)
		default:
			x.hits++
		}
		if f == nil || bad != "" {
			continue
		}
		if v, ok := f.Get("engine_pulled_down_rpm"); ok && a.Done > 0 {
			x.off("engine_pulled_down_rpm", v, max(0, a.EngineAt-a.EngineMin))
		}
		if v, ok := f.Get("lining_energy_j"); ok && a.Done > 0 {
			x.off("lining_energy_j", v, a.LiningJ)
		}
	}
}

func (m *matcher) shifts() {
	for i := range m.truth.Shifts {
		s := &m.truth.Shifts[i]
		flared := s.To > s.From && s.InjectedS > 0 && s.FlareRPM > 60
		if flared && !m.polled {
			x := m.t.row(rowFlare)
			x.truths++
			if f := m.find(detect.KindFlare, s.Begin-bus.Second, s.End+bus.Second); f != nil {
				x.hits++
				if v, ok := f.Get("flare_rpm"); ok {
					x.off("flare_rpm", v, s.FlareRPM)
				}
			} else {
				x.misses++
				x.note("missed: " + m.at(s.Begin) + fmt.Sprintf(" flare of %.0f rpm", s.FlareRPM))
			}
		} else if s.FlareRPM > 30 {
			m.overlapping(detect.KindFlare, s.Begin-bus.Second, s.End+bus.Second, func(*detect.Finding) {})
		}
		if !s.Engaged || m.polled || flared || s.From < 1 {
			continue
		}
		x := m.t.row(rowShift)
		x.truths++
		f := m.find(detect.KindShift, s.Begin-bus.Second/2, s.End+bus.Second/2)
		if f == nil {
			x.misses++
			continue
		}
		if opened := f.Class == detect.ShiftOpened; opened && !s.Opened && s.SlipPeak < 60 && !m.fellNear(s.Begin, s.End+bus.Second) ||
			!opened && s.Opened && s.SlipPeak > 150 {
			x.misses++
			x.note("missed: " + m.at(s.Begin) + fmt.Sprintf(" opened %v, slip to %.0f rpm, called ", s.Opened, s.SlipPeak) + describe(f))
			continue
		}
		x.hits++
		if v, ok := f.Get("dip_depth_kpa"); ok && s.CommandWas > 0 {
			x.off("dip_depth_kpa", v, s.CommandWas-s.CommandMin)
		}
		if v, ok := f.Get("slip_peak_rpm"); ok {
			x.off("slip_peak_rpm", v, s.SlipPeak)
		}
	}
}

// fellNear reports whether the command fell in the stretch or just before: a
// shift into which a release falls may be called either.
func (m *matcher) fellNear(from, to bus.Micros) bool {
	for i := range m.truth.Releases {
		if f := m.truth.Releases[i].Fell; f >= from-bus.Second/2 && f <= to {
			return true
		}
	}
	return false
}

func (m *matcher) opens() {
	for i := range m.truth.Opens {
		s := &m.truth.Opens[i]
		if (s.To-s.From).Seconds() < 1.2 || m.polled {
			m.overlapping(detect.KindOpenUnderDrive, s.From-bus.Second, s.To+bus.Second, func(*detect.Finding) {})
			continue
		}
		x := m.t.row(rowOpen)
		x.truths++
		if f := m.find(detect.KindOpenUnderDrive, s.From-bus.Second, s.To+bus.Second); f != nil {
			x.hits++
		} else {
			x.misses++
			x.note("missed: " + m.at(s.From) + fmt.Sprintf(" open for %.1f s", (s.To-s.From).Seconds()))
		}
	}
	// A clutch that opens for full pedal is open under drive too.
	for i := range m.truth.Releases {
		r := &m.truth.Releases[i]
		if r.Reason == "kickdown" || r.Reason == "slow" || r.Reason == "under-drive" {
			m.overlapping(detect.KindOpenUnderDrive, r.Fell-bus.Second, r.Fell+8*bus.Second, func(*detect.Finding) {})
		}
	}
}

func (m *matcher) shakes() {
	for i := range m.truth.Shakes {
		s := &m.truth.Shakes[i]
		if s.What != "shudder" || m.polled {
			m.overlapping(detect.KindShudder, s.From, s.To, func(*detect.Finding) {})
			continue
		}
		x := m.t.row(rowShudder)
		n := 0
		m.overlapping(detect.KindShudder, s.From, s.To, func(f *detect.Finding) {
			n++
			if v, ok := f.Get("frequency_hz"); ok {
				x.off("frequency_hz", v, s.Hz)
			}
		})
		if n == 0 && (s.Hz < m.set.Shudder.FromHz || s.Hz > m.set.Shudder.ToHz || m.period.Seconds()*s.Hz > 0.4) {
			x.unobservable++ // outside the band, or too fast for the signal
			continue
		}
		x.truths++
		if n > 0 {
			x.hits++
		} else {
			x.misses++
			x.note("missed: " + m.at(s.From) + fmt.Sprintf(" %g Hz felt for %.1f s", s.Hz, s.Value))
		}
	}
}

// jolts: pushes of the first family, and what the body of the second feels.
// The end of a stop is a jerk of its own.
func (m *matcher) jolts() {
	const lowKmh = 8
	least := m.set.Jolt.MinMps2
	for i := range m.truth.Jolts {
		s := &m.truth.Jolts[i]
		from, to := s.From-bus.Second, s.To+bus.Second
		size := math.Abs(s.Value)
		if m.polled || !m.body || s.What == "felt" && (size < 1.35*least || s.Kmh < lowKmh) {
			if s.What != "felt" || size >= 0.5*least {
				m.overlapping(detect.KindJolt, from, to, func(*detect.Finding) {})
			}
			continue
		}
		x := m.t.row(rowJolt)
		if f := m.find(detect.KindJolt, from, to); f != nil {
			x.hit()
		} else {
			x.miss(m.at(s.From) + fmt.Sprintf(" %g m/s² at %.0f km/h", s.Value, s.Kmh))
		}
	}
}

// windows judges faults that have a beginning and an end: found if any finding
// of the kinds overlaps.
func (m *matcher) windows(row string, kinds []string, slackS float64, faults ...string) {
	slack := bus.Micros(slackS * 1e6)
	for _, in := range m.truth.Injected {
		ours := false
		for _, k := range faults {
			ours = ours || in.Fault.Kind == k
		}
		if !ours {
			continue
		}
		if (in.Fault.Kind == "dropout" || in.Fault.Kind == "not-available" || in.Fault.Kind == "missing") && ((in.To-in.From).Seconds() < m.set.RoleStale.MinS+1 ||
			m.polled && in.Fault.Kind != "dropout") {
			continue // too short to be told, or an answer that has no such value
		}
		x := m.t.row(row)
		if row == rowGearset && m.polled {
			// The ratio seen takes two shaft speeds.
			x.unobservable++
			continue
		}
		x.truths++
		n := 0
		for _, k := range kinds {
			m.overlapping(k, in.From-slack, in.To+slack, func(*detect.Finding) { n++ })
		}
		if n > 0 {
			x.hits++
		} else {
			x.misses++
			x.note("missed: " + m.at(in.From) + " " + in.Fault.Kind + " " + in.Fault.On)
		}
		if row == rowGearset {
			continue
		}
		once := m.t.row(rowTrouble)
		if n == 1 {
			once.hit()
		} else {
			once.miss(m.at(in.From) + fmt.Sprintf(" %s %s told %d times", in.Fault.Kind, in.Fault.On, n))
		}
	}
}

// troubled claims what is said of buses and roles around any trouble: a silent
// bus makes roles stale, and the reverse.
func (m *matcher) troubled() {
	for _, in := range m.truth.Injected {
		switch in.Fault.Kind {
		case "bus-off", "silent", "down", "dropout", "not-available", "frames-lost", "stuck", "clock-jump", "missing", "quiet", "flood", "clock":
			for _, k := range []string{detect.KindBusFault, detect.KindRoleStale} {
				m.overlapping(k, in.From-bus.Second, in.To+8*bus.Second, func(*detect.Finding) {})
			}
		}
	}
}

func (m *matcher) marks() {
	for _, at := range m.truth.Marks {
		x := m.t.row(rowMark)
		x.truths++
		if m.find(detect.KindMark, at-2*bus.Second, at+2*bus.Second) != nil {
			x.hits++
		} else {
			x.misses++
		}
	}
}

// rest counts what no truth has claimed.
func (m *matcher) rest() {
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if m.used[i] {
			continue
		}
		switch f.Kind {
		case detect.KindReleaseLag:
			if isStall(f) {
				m.spurious(rowKeyOff, f)
			} else if alarming(f) {
				m.spurious(rowSound, f)
			}
		case detect.KindHillSlip:
			row := rowUnasked
			if f.Class == detect.Asked {
				row = rowAsked
			}
			m.slipMean(row, f)
			if f.Class == detect.HillUnasked || f.Class == detect.Unknown && !m.regulated(f) {
				m.spurious(row, f)
			}
		case detect.KindShift:
			// A description of a change of gear, no alarm.
		case detect.KindApply:
			if f.Class != detect.Normal {
				m.spurious(rowOfKind[f.Kind], f)
			}
		default:
			if isStall(f) {
				m.spurious(rowKeyOff, f)
			} else if row := rowOfKind[f.Kind]; row != "" && !detect.Ordinary(f.Kind, f.Class) {
				m.spurious(row, f)
			}
		}
	}
}

// regulated reports whether the clutch truly slipped under control through
// most of the finding: that is slip, whoever wants it.
func (m *matcher) regulated(f *detect.Finding) bool {
	n, partial := 0, 0
	for t := f.Start; t <= f.End; t += drive.TraceStep {
		k := int((t - m.truth.Start) / drive.TraceStep)
		if k >= 0 && k < len(m.truth.Trace) {
			n++
			if m.truth.Trace[k].State == drive.StatePartial {
				partial++
			}
		}
	}
	return partial*2 > n
}
