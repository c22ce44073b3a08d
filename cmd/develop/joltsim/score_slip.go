package main

import (
	"fmt"
	"math"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
)

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
		if m.overlapping(detect.KindSlipTrend, x.From, x.To+bus.Second, nil) > 0 {
			r.hit()
		} else {
			r.miss(m.at(x.From) + fmt.Sprintf(" %g rpm a day", x.RPMPerDay))
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
