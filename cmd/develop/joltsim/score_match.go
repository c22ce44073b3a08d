package main

import (
	"fmt"
	"math"
	"strings"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
)

// Rows of the table. Vehicles without any clutch command or state on the bus,
// or with speeds a few times a second, have rows of their own: there the aim is
// never to claim what cannot be known, not to find everything.
const (
	rowLate      = "release lag: late"
	rowLateEdge  = "release lag: late by under 0.15 s"
	rowLateDim   = "release lag: late (polled)"
	rowNormal    = "release lag: sound"
	rowNormalDim = "release lag: sound (polled)"
	rowDrag      = "release lag: dragging"
	rowAsked     = "hill slip: asked"
	rowUnasked   = "hill slip: unasked"
	rowLockup    = "lockup fraction"
	rowLockupDim = "lockup fraction (polled)"
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
)

var rowNames = []string{rowLate, rowLateEdge, rowLateDim, rowNormal, rowNormalDim, rowDrag, rowAsked, rowUnasked,
	rowLockup, rowLockupDim, rowApply, rowApplyBad, rowShift, rowOpen, rowGearset, rowFlare, rowShudder, rowJolt,
	rowMark, rowBus, rowStale}

// matcher compares one monitor's words about one drive with its truth.
type matcher struct {
	t     *tally
	j     *job
	truth *drive.Truth
	seen  *seen
	set   *detect.Settings
	// dim: speeds come by request; noCommand: nothing tells what the clutch
	// is told. period is the slowest of the signals behind a lag.
	dim, noCommand bool
	period         bus.Micros
	used           []bool // findings that a truth has claimed
}

// match fills the tally.
func match(t *tally, j *job, truth *drive.Truth, s *seen, set *detect.Settings, l *drive.Layout) {
	m := &matcher{t: t, j: j, truth: truth, seen: s, set: set, used: make([]bool, len(s.findings))}
	m.dim, m.period, m.noCommand = signalsOf(l)
	if r := j.Scenario.RateFactor; r > 0 {
		m.period = bus.Micros(float64(m.period) * r)
	}
	hours := truth.Totals().EngineS / 3600
	t.allHours += hours
	if j.normal {
		t.normalHours += hours
	}
	m.releases()
	m.slips()
	m.lockup()
	m.applies()
	m.shifts()
	m.opens()
	m.shakes()
	m.windows(rowGearset, []string{detect.KindGearsetSlip}, 0.5, "gearset-slip")
	m.windows(rowBus, []string{detect.KindBusFault}, 1.5, "bus-off", "frames-lost", "error-frames", "silent", "down", "clock-jump")
	m.windows(rowStale, []string{detect.KindRoleStale}, 6, "dropout", "not-available")
	m.troubled()
	m.marks()
	m.rest()
}

// at names a place in a drive for a note.
func (m *matcher) at(x bus.Micros) string {
	return fmt.Sprintf("%s at %.2f s", m.j.Name, (x - m.truth.Start).Seconds())
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

// alarming are the classes of a release that a technician would act on.
func alarming(class detect.Class) bool { return !detect.Ordinary(detect.KindReleaseLag, class) }

const edge = 0.15 // s beyond the limit from which a late release must be found

func (m *matcher) releases() {
	limit := m.set.ReleaseLag.LimitS
	for i := range m.truth.Releases {
		r := &m.truth.Releases[i]
		// Little drag lets go as the engine pulls; it is dragging once the
		// engine truly goes down with the turbine.
		dragging := r.InjectedNm > 0 && r.LagS > limit && r.TurbineMin < (0.93-m.set.ReleaseLag.DragSag)*m.idle()
		if r.Reapplied || r.Reason == "selector" || r.InjectedNm > 0 && !dragging || r.InjectedS > 0 && r.Reason != "stop" {
			m.claim(r) // whatever is said of it is neither right nor wrong
			continue
		}
		end := r.Parted5
		if end == 0 {
			end = r.Fell + 6*bus.Second
		}
		f := m.release(r, end)
		// Slip that was being regulated when the command fell has no sharp
		// end: judged, but not measured.
		clear := math.Abs(r.SlipRPM) < 5 && r.Parted > 0
		late := r.Parted > 0 && r.LagS > limit && r.Reason == "stop" || r.Stalled && r.InjectedS > limit
		row := rowNormal
		switch {
		case (late || dragging) && m.dim:
			row = rowLateDim
		case dragging:
			row = rowDrag
		case late && r.LagS >= limit+edge || r.Stalled:
			row = rowLate
		case late:
			row = rowLateEdge
		case m.dim:
			row = rowNormalDim
		}
		x := m.t.row(row)
		if row == rowLateDim && !r.Stalled && (f == nil || !alarming(f.Class)) && r.TurbineMin >= (0.93-m.set.ReleaseLag.DragSag)*m.idle() {
			// Nothing says when it was told to let go, and it let go before
			// the engine was drawn below idle: nobody can tell.
			x.unobservable++
			continue
		}
		if f == nil && m.dim && row == rowNormalDim {
			x.unobservable++ // it said so
			continue
		}
		x.truths++
		switch {
		case f == nil:
			x.misses++
			if !late && !dragging {
				break
			}
			x.note("missed: " + m.at(r.Fell) + fmt.Sprintf(" lag %.2f s in gear %d at %.1f km/h", r.LagS, r.Gear, r.Kmh))
		case late || dragging:
			if alarming(f.Class) {
				x.hits++
			} else {
				x.misses++
				x.note("missed: " + m.at(r.Fell) + fmt.Sprintf(" lag %.2f s, called %s", r.LagS, describe(f)))
			}
		default:
			x.hits++
			if alarming(f.Class) && (!clear || r.LagS < limit) {
				x.hits--
				x.misses++
				m.spurious(row, f)
			}
		}
		if f == nil || !clear || dragging || f.Class == detect.ReleaseStall {
			continue
		}
		lag, ok := f.Get("lag_s")
		if !ok {
			if hi, ok := f.Get("lag_max_s"); ok {
				x.within(min(r.LagS, r.FreedS), 0, hi) // a bound
			}
			continue
		}
		lo, _ := f.Get("lag_min_s")
		hi, _ := f.Get("lag_max_s")
		// Between the moment the clutch was free and the moment the speeds
		// parted nobody can tell which it was.
		truth := min(r.LagS, max(lag, min(r.LagS, r.FreedS)))
		inside := lo-0.0005 <= r.LagS && hi+0.0005 >= min(r.LagS, r.FreedS)
		if inside {
			x.inside++
		} else {
			x.outside++
			x.note("outside: " + m.at(r.Fell) + fmt.Sprintf(" lag %.3f s, %s", r.LagS, describe(f)))
		}
		if m.noCommand {
			continue // an upper bound by design
		}
		x.off("lag_s", lag, truth)
		x.off("lag beyond one period, s", math.Max(0, math.Abs(lag-truth)-m.period.Seconds()), 0)
	}
}

// idle is the vehicle's nominal idle speed.
func (m *matcher) idle() float64 {
	v, err := drive.VehicleByName(m.j.Scenario.Vehicle)
	if err != nil {
		return 0
	}
	return v.IdleRPM
}

// release returns the finding about a release.
func (m *matcher) release(r *drive.Release, end bus.Micros) *detect.Finding {
	before := bus.Second / 2
	if m.noCommand {
		before = 4 * bus.Second
	}
	return m.find(detect.KindReleaseLag, r.Fell-before, end+bus.Second/2)
}

// claim takes what is said of a stretch out of the count.
func (m *matcher) claim(r *drive.Release) {
	long := 3 * bus.Second
	if r.InjectedNm > 0 {
		long = 8 * bus.Second // as long as the fault drags
	}
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if f.Kind == detect.KindReleaseLag && f.Start <= r.Fell+long && f.End >= r.Fell-bus.Second {
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
		row := rowUnasked
		if s.Asked {
			row = rowAsked
		}
		if m.faulted("partial-apply", s.From) || s.Kmh < m.set.HillSlip.MinKmh+3 || d < m.set.HillSlip.MinS+2 || s.Mean < m.set.HillSlip.MinRPM+5 || m.dim {
			m.overlapping(detect.KindHillSlip, s.From, s.To, func(f *detect.Finding) { m.slipMean(row, f) })
			continue
		}
		x := m.t.row(row)
		x.truths++
		found, named := false, false
		m.overlapping(detect.KindHillSlip, s.From, s.To, func(f *detect.Finding) {
			found = true
			named = named || f.Class == detect.Asked == s.Asked && f.Class != detect.Unknown
			m.slipMean(row, f)
		})
		switch {
		case named:
			x.hits++
		case found && m.j.Scenario.Vehicle != "minibus" && m.j.Scenario.Vehicle != "van":
			// Without a command nobody can tell whether it was asked for.
			x.hits++
		default:
			x.misses++
			x.note("missed: " + m.at(s.From) + fmt.Sprintf(" %.0f rpm for %.1f s, found %v", s.Mean, d, found))
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
	}
	d := m.moving()
	if d.MovingS < 300 || a.MovingS < 1 || !m.j.normal {
		return
	}
	row := rowLockup
	if m.dim {
		row = rowLockupDim
	}
	x := m.t.row(row)
	x.truths++
	truth := 100 * (d.ClosedS + d.PartialS + d.CoastS) / d.MovingS
	got := 100 * (a.ClosedS + a.PartialS + a.CoastS) / max(a.MovingS-a.UnknownS, 1)
	// What was unknown may have been either.
	lo := 100 * (a.ClosedS + a.PartialS + a.CoastS) / a.MovingS
	hi := lo + 100*a.UnknownS/a.MovingS
	inside := truth >= lo-0.5 && truth <= hi+0.5
	x.within(truth, lo-0.5, hi+0.5)
	if m.dim {
		// Here the answer is an interval: as wide as what is unknown.
		x.off("unknown_points", hi-lo, 0)
	} else {
		x.off("points", got, truth)
	}
	if m.dim && !inside || !m.dim && math.Abs(got-truth) > 0.5 {
		x.misses++
		x.note(fmt.Sprintf("off: %s %.2f %% for %.2f %% (closed %.1f/%.1f partial %.1f/%.1f coast %.1f/%.1f open %.1f/%.1f unknown %.1f s)", m.j.Name, got, truth,
			a.ClosedS, d.ClosedS, a.PartialS, d.PartialS, a.CoastS, d.CoastS, a.OpenS, d.OpenS, a.UnknownS))
	} else {
		x.hits++
	}
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
			switch m.truth.Trace[k].State {
			case drive.StateOpen:
				d.OpenS += step
			case drive.StatePartial:
				d.PartialS += step
			case drive.StateClosed:
				d.ClosedS += step
			case drive.StateCoast:
				d.CoastS += step
			}
		}
	}
	return d
}

func (m *matcher) applies() {
	if m.dim {
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
		if flared && !m.dim {
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
		if !s.Engaged || m.dim || flared || s.From < 1 {
			continue
		}
		x := m.t.row(rowShift)
		x.truths++
		f := m.find(detect.KindShift, s.Begin-bus.Second/2, s.End+bus.Second/2)
		if f == nil {
			x.misses++
			continue
		}
		if f.Class == detect.ShiftOpened && !s.Opened && s.SlipPeak < 60 && !m.fellNear(s.Begin, s.End+bus.Second) ||
			f.Class == detect.Normal && s.Opened && s.SlipPeak > 150 {
			x.misses++
			m.spurious(rowShift, f)
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
		if (s.To-s.From).Seconds() < 1.2 || m.dim {
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
		if s.What != "shudder" || m.dim {
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
	for i := range m.truth.Jolts {
		s := &m.truth.Jolts[i]
		if m.dim {
			m.overlapping(detect.KindJolt, s.From-bus.Second, s.To+bus.Second, func(*detect.Finding) {})
			continue
		}
		x := m.t.row(rowJolt)
		x.truths++
		if f := m.find(detect.KindJolt, s.From-bus.Second, s.To+bus.Second); f != nil {
			x.hits++
		} else {
			x.misses++
			x.note("missed: " + m.at(s.From) + fmt.Sprintf(" push of %g m/s²", s.Value))
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
		if (in.Fault.Kind == "dropout" || in.Fault.Kind == "not-available") && ((in.To-in.From).Seconds() < m.set.RoleStale.MinS+1 ||
			m.dim && in.Fault.Kind == "not-available") {
			continue // too short to be told, or an answer that has no such value
		}
		x := m.t.row(row)
		if row == rowGearset && m.dim {
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
	}
}

// troubled claims what is said of buses and roles around any trouble: a silent
// bus makes roles stale, and the reverse.
func (m *matcher) troubled() {
	for _, in := range m.truth.Injected {
		switch in.Fault.Kind {
		case "bus-off", "silent", "down", "dropout", "not-available", "frames-lost", "stuck", "clock-jump":
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
	rows := map[string]string{
		detect.KindHillSlip: rowUnasked, detect.KindOpenUnderDrive: rowOpen, detect.KindGearsetSlip: rowGearset,
		detect.KindFlare: rowFlare, detect.KindShudder: rowShudder, detect.KindJolt: rowJolt, detect.KindMark: rowMark,
		detect.KindBusFault: rowBus, detect.KindRoleStale: rowStale, detect.KindApply: rowApply, detect.KindShift: rowShift,
	}
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if m.used[i] {
			continue
		}
		switch f.Kind {
		case detect.KindReleaseLag:
			if alarming(f.Class) {
				row := rowNormal
				if m.dim {
					row = rowNormalDim
				}
				m.spurious(row, f)
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
				m.spurious(rows[f.Kind], f)
			}
		default:
			if row := rows[f.Kind]; row != "" && f.Class != detect.Normal {
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
