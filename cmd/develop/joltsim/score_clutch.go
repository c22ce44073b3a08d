package main

import (
	"fmt"
	"math"

	"joltwatch/bus"
	"joltwatch/detect"
)

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
			m.overlapping(detect.KindApply, a.Rise-bus.Second/2, a.Done, nil)
			continue
		}
		row := rowApply
		if bad != "" {
			row = rowApplyBad
		}
		x := m.t.row(row)
		end := a.Done
		if end == 0 {
			end = a.Rise + 8*bus.Second
		}
		f := m.find(detect.KindApply, a.Rise-bus.Second/2, end)
		switch {
		case f == nil:
			x.miss(m.at(a.Rise) + fmt.Sprintf(" took %.2f s", (a.Done-a.Rise).Seconds()))
		case bad != "" && f.Class == detect.Normal:
			x.miss(m.at(a.Rise) + " " + bad + ", called " + describe(f))
		case bad == "" && f.Class != detect.Normal:
			x.miss("")
			m.spurious(row, f)
		default:
			x.hit()
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
			if f := m.find(detect.KindFlare, s.Begin-bus.Second, s.End+bus.Second); f != nil {
				x.hit()
				if v, ok := f.Get("flare_rpm"); ok {
					x.off("flare_rpm", v, s.FlareRPM)
				}
			} else {
				x.miss(m.at(s.Begin) + fmt.Sprintf(" flare of %.0f rpm", s.FlareRPM))
			}
		} else if s.FlareRPM > 30 {
			m.overlapping(detect.KindFlare, s.Begin-bus.Second, s.End+bus.Second, nil)
		}
		if !s.Engaged || m.polled || flared || s.From < 1 {
			continue
		}
		x := m.t.row(rowShift)
		f := m.find(detect.KindShift, s.Begin-bus.Second/2, s.End+bus.Second/2)
		if f == nil && m.shiftsAdmitted > 0 {
			m.shiftsAdmitted--
			x.unobservable++
			continue
		}
		if f == nil {
			x.miss("")
			continue
		}
		if opened := f.Class == detect.ShiftOpened; opened && !s.Opened && s.SlipPeak < 60 && !m.fellNear(s.Begin, s.End+bus.Second) ||
			!opened && s.Opened && s.SlipPeak > 150 {
			x.miss(m.at(s.Begin) + fmt.Sprintf(" opened %v, slip to %.0f rpm, called ", s.Opened, s.SlipPeak) + describe(f))
			continue
		}
		x.hit()
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
			m.overlapping(detect.KindOpenUnderDrive, s.From-bus.Second, s.To+bus.Second, nil)
			continue
		}
		x := m.t.row(rowOpen)
		if m.find(detect.KindOpenUnderDrive, s.From-bus.Second, s.To+bus.Second) != nil {
			x.hit()
		} else {
			x.miss(m.at(s.From) + fmt.Sprintf(" open for %.1f s", (s.To-s.From).Seconds()))
		}
	}
	// A clutch that opens for full pedal is open under drive too.
	for i := range m.truth.Releases {
		r := &m.truth.Releases[i]
		if r.Reason == "kickdown" || r.Reason == "slow" || r.Reason == "under-drive" {
			m.overlapping(detect.KindOpenUnderDrive, r.Fell-bus.Second, r.Fell+8*bus.Second, nil)
		}
	}
}

func (m *matcher) shakes() {
	for i := range m.truth.Shakes {
		s := &m.truth.Shakes[i]
		if s.What != "shudder" || m.polled {
			m.overlapping(detect.KindShudder, s.From, s.To, nil)
			continue
		}
		x := m.t.row(rowShudder)
		n := m.overlapping(detect.KindShudder, s.From, s.To, func(f *detect.Finding) {
			if v, ok := f.Get("frequency_hz"); ok {
				x.off("frequency_hz", v, s.Hz)
			}
		})
		if n == 0 && (s.Hz < m.set.Shudder.FromHz || s.Hz > m.set.Shudder.ToHz || m.period.Seconds()*s.Hz > 0.4) {
			x.unobservable++ // outside the band, or too fast for the signal
			continue
		}
		if n > 0 {
			x.hit()
		} else {
			x.miss(m.at(s.From) + fmt.Sprintf(" %g Hz felt for %.1f s", s.Hz, s.Value))
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
				m.overlapping(detect.KindJolt, from, to, nil)
			}
			continue
		}
		x := m.t.row(rowJolt)
		if m.find(detect.KindJolt, from, to) != nil {
			x.hit()
		} else {
			x.miss(m.at(s.From) + fmt.Sprintf(" %g m/s² at %.0f km/h", s.Value, s.Kmh))
		}
	}
}
