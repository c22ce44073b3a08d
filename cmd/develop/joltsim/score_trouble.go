package main

import (
	"fmt"
	"slices"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
)

// windows judges faults that have a beginning and an end: found if any finding
// of the kinds overlaps.
func (m *matcher) windows(row string, kinds []string, slackS float64, faults ...string) {
	slack := bus.Micros(slackS * 1e6)
	for _, in := range m.truth.Injected {
		if !slices.Contains(faults, in.Fault.Kind) {
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
		n := 0
		for _, k := range kinds {
			n += m.overlapping(k, in.From-slack, in.To+slack, nil)
		}
		if n == 0 && row != rowGearset && m.stands(in.From, in.To) {
			x.unobservable++
			continue
		}
		if n > 0 {
			x.hit()
		} else {
			x.miss(m.at(in.From) + " " + in.Fault.Kind + " " + in.Fault.On)
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

// stands reports whether the engine stood with the vehicle for so much of a trouble that what
// is left is too short to be told: it may have been the key.
func (m *matcher) stands(from, to bus.Micros) bool {
	i := int((from - m.truth.Start) / drive.TraceStep)
	n := int((to - from) / drive.TraceStep)
	if i < 0 || i+n > len(m.truth.Trace) || n == 0 {
		return false
	}
	running := func(p *drive.TracePoint) bool { return float64(p.Engine) >= m.set.Drive.RunningRPM }
	going := 0
	for k := range m.truth.Trace[i : i+n] {
		if p := &m.truth.Trace[i+k]; running(p) || float64(p.Kmh) >= m.set.Drive.MovingKmh {
			going++
		}
	}
	return going < n && (bus.Micros(going)*drive.TraceStep).Seconds() < m.set.RoleStale.MinS+1
}

// troubled claims what is said of buses and roles around any trouble: a silent
// bus makes roles stale, and the reverse.
func (m *matcher) troubled() {
	for _, in := range m.truth.Injected {
		switch in.Fault.Kind {
		case "bus-off", "silent", "down", "dropout", "not-available", "frames-lost", "stuck", "clock-jump", "missing", "quiet", "flood", "clock":
			for _, k := range []string{detect.KindBusFault, detect.KindRoleStale} {
				m.overlapping(k, in.From-bus.Second, in.To+8*bus.Second, nil)
			}
		}
	}
}

func (m *matcher) marks() {
	for _, at := range m.truth.Marks {
		x := m.t.row(rowMark)
		if m.find(detect.KindMark, at-2*bus.Second, at+2*bus.Second) != nil {
			x.hit()
		} else {
			x.miss("")
		}
	}
}
