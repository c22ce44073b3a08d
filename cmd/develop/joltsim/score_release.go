package main

import (
	"fmt"
	"math"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
)

// lateRelease is a late one that came to its end.
type lateRelease struct {
	lagS float64
	told bool
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
			m.sound(f)
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
func (m *matcher) sound(f *detect.Finding) {
	x := m.t.row(rowSound)
	switch {
	case f == nil:
		x.unobservable++
	case alarming(f):
		x.miss("")
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
