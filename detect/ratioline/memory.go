package ratioline

import "math"

// Memory is what a Tracker knows of a vehicle, to be kept across drives.
type Memory struct {
	// DelayS is how much later than the engine's the road speed comes, in s, and
	// StepKmh one step of it.
	DelayS  float64 `json:"delay_s"`
	StepKmh float64 `json:"step_kmh"`
	IdleRPM float64 `json:"idle_rpm"`
	// Lines are the gears' lines, from the highest gear (the least ratio) on.
	Lines []Line `json:"lines"`
	// Counts are the seconds at each ratio, as pairs of a bin's number and what
	// it holds, Cells those at each pair of speeds.
	Counts [][2]float64 `json:"counts"`
	Cells  []Cell       `json:"cells"`
	// Releases are the latest that were seen, oldest first.
	Releases []Release `json:"releases"`
	// Downshifts are where the lines are left for the next lower gear's.
	Downshifts []Downshift `json:"downshifts,omitempty"`
	// Lows are how low the engine went around the latest stops, as shares of idle.
	Lows []float64 `json:"lows,omitempty"`
	// Passes are what the latest stops showed of shifts down.
	Passes []Pass `json:"passes,omitempty"`
	// Loads are what the clutch has carried in top gear.
	Loads []Load `json:"loads,omitempty"`
}

// keepSeconds is the most driving that is remembered at full weight: new tyres
// move the lines.
const keepSeconds = 10 * 3600.0

// Memory returns what is known, nil where nothing is yet.
func (t *Tracker) Memory() *Memory {
	if t.known.n == 0 {
		return nil
	}
	m := &Memory{DelayS: t.known.Delay, StepKmh: t.known.Step, Lines: append([]Line(nil), t.known.Lines()...), Cells: t.learn.cloud.cells()}
	m.Loads = t.slip.loads.list()
	m.IdleRPM = round(t.idle.rpm, 0.1)
	total := 0.0
	for _, c := range t.learn.sum {
		total += float64(c)
	}
	share := min(1, keepSeconds/max(total, 1))
	for i, c := range t.learn.sum {
		if v := round(float64(c)*share, 0.1); v > 0 {
			m.Counts = append(m.Counts, [2]float64{float64(i), v})
		}
	}
	for _, x := range t.work.downs.of[:t.work.downs.n] {
		x.Turbine = round(x.Turbine, 0.1)
		m.Downshifts = append(m.Downshifts, x)
	}
	for _, x := range t.lows.inOrder() {
		m.Lows = append(m.Lows, round(x, 0.001))
	}
	m.Passes = t.passes.inOrder()
	m.Releases = append(m.Releases, t.habit.inOrder()...)
	return m
}

// Recall takes up what an earlier Tracker's Memory returned. What is out of range
// is left out.
func (t *Tracker) Recall(m *Memory) {
	if m == nil || !(math.Abs(m.DelayS) < 5) {
		return
	}
	l := t.learn
	l.priorDelay, l.priorKnown, l.step = m.DelayS, true, m.StepKmh
	l.index = delayNumber(m.DelayS)
	for _, c := range m.Counts {
		if i := int(c[0]); i >= 0 && i < ratioBins && c[1] > 0 && c[1] < 1e7 {
			l.prior[i] = float32(c[1])
			l.priorS += c[1]
		}
	}
	for _, x := range m.Lines {
		if i, ok := l.scale.bin(x.Ratio); ok {
			l.seen[anyhow][i] = seen{float32(x.Stretches), float32(x.KmhMin), float32(x.KmhMax), float32(x.Wide)}
			l.seen[driving][i] = seen{float32(x.Driven), float32(x.DrivenMin), float32(x.DrivenMax), float32(x.DrivenWide)}
			l.seen[coasting][i].Stretches = float32(x.Coasts)
		}
	}
	for _, c := range m.Cells {
		l.cloud.add(c.Kmh, c.RPM, c.Seconds)
	}
	if m.IdleRPM > 0 && m.IdleRPM < 3000 {
		t.idle.rpm = m.IdleRPM
	}
	for _, r := range m.Releases {
		t.habit.add(r)
	}
	for _, x := range m.Lows {
		if x > 0 && x < 2 {
			t.lows.add(x)
		}
	}
	for _, x := range m.Passes {
		if x.Ratio > 0 && x.Fall >= slowest && x.Fall < 1e4 {
			t.passes.add(x)
		}
	}
	for _, x := range m.Loads {
		if x.HeldS >= 0 && x.HeldS <= loadKeep && x.SlippedS >= 0 && x.SlippedS < 1e6 && x.SlipRPM >= 0 && x.SlipRPM < 1e4 {
			t.slip.loads.add(x.Kmh, x.Pedal, load{x.HeldS, x.SlippedS, float64(x.SlipRPM * x.SlippedS)})
		}
	}
	d := &t.work.downs
	d.n = 0
	for _, x := range m.Downshifts {
		if d.n < len(d.of) && x.From > 0 && x.To > x.From && x.Turbine > 0 && x.Count > 0 {
			d.of[d.n] = x
			d.n++
		}
	}
	t.relearn()
}
