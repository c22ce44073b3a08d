package main

import (
	"fmt"
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

// kindLockup is no kind of finding: the fraction is in the account.
const kindLockup = "lockup-fraction"

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
	// shiftsAdmitted is the same of shifts.
	shiftsAdmitted uint64
	// silent is how many the accounts say were observed and made no finding.
	silent int
	late   []lateRelease
	// slipObserved is how many opportunities of held slip the accounts say were
	// observed.
	slipObserved uint64
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
		for _, o := range m.seen.accounts[i].Opportunities {
			if o.Kind == detect.KindHillSlip {
				m.slipObserved += o.Observable
			}
			if o.Kind == detect.KindShift {
				m.shiftsAdmitted += o.Seen - o.Observable
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

// faulted reports whether a fault of the kind was at work.
func (m *matcher) faulted(kind string, at bus.Micros) bool {
	for _, in := range m.truth.Injected {
		if in.Fault.Kind == kind && in.From <= at && in.To > at {
			return true
		}
	}
	return false
}

// overlapping claims every finding of the kind in the stretch. It returns how many were
// not claimed before, and calls each for them, where that is not nil.
func (m *matcher) overlapping(kind string, from, to bus.Micros, each func(*detect.Finding)) (n int) {
	for i := range m.seen.findings {
		f := &m.seen.findings[i]
		if m.used[i] || f.Kind != kind || f.Start >= to || f.End <= from {
			continue
		}
		m.used[i] = true
		n++
		if each != nil {
			each(f)
		}
	}
	return n
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
