package detect

import (
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

var (
	launchShare = Quantity{"launch_capacity_share", "", 0.01}
	launchCount = Quantity{"launches", "", 1}
	launchPull  = Quantity{"launch_pull_share", "", 0.01}
)

// launches learns the converter's capacity factor at low speed ratio, K = N/√T of
// SAE J643, each time the vehicle pulls away, and what speed it gains by the engine's
// torque: a one-way clutch that does not hold, or does not let go, makes it another
// converter there, and one that does not hold multiplies no torque.
type launches struct {
	last []float64  // the latest, oldest first, in rpm/√(N·m)
	at   bus.Micros // of the latest
	// pulls are those from standstill, in m/s for each kN·m·s.
	pulls []float64

	sum, s, n float64 // of the launch under way; n is the engine's speed before
	pull      pull
}

// pull is what speed a launch has gained so far, and by what torque.
type pull struct {
	on       bool
	gear     int
	gained   float64 // km/h
	impulse  float64 // N·m·s
	unbroken bool
}

const (
	// launchesKept bounds them; launchFewest are the earlier ones that make what is
	// usual, beside launchLatest that are held against it.
	launchesKept, launchFewest, launchLatest = 40, 6, 2
	// launchRatio is the highest speed ratio, launchKmh the highest speed, launchPct
	// the least pedal and launchNm the least torque of a launch: there the capacity
	// hardly goes with speed ratio (common practice).
	launchRatio, launchKmh, launchPct, launchNm = 0.3, 14.0, 8.0, 25.0
	// launchRate is how fast the engine's speed may change, rpm/s: its own inertia
	// takes torque.
	launchRate = 500.0
	launchS    = 0.2
)

func (d *launches) row(m *state.Moment) {
	if !m.Running || m.Gap || !m.HasSlip || !m.HasKmh || m.Kmh > launchKmh {
		d.over(m.Running && !m.Gap && m.HasKmh && m.Kmh > launchKmh)
		return
	}
	d.pull.row(m)
	pedal, ok := m.Accelerator()
	if !ok || pedal < launchPct || !m.Row.Has(stream.EngineTorque) || !m.Forward() {
		return
	}
	before := d.n
	d.n = m.EngineRPM
	if m.TurbineRPM > float64(launchRatio*m.EngineRPM) || m.DtS <= 0 || before == 0 || math.Abs(m.EngineRPM-before) > float64(launchRate*m.DtS) {
		return
	}
	if nm := m.Row.V[stream.EngineTorque]; nm >= launchNm {
		d.sum += float64(m.EngineRPM / math.Sqrt(nm) * m.DtS)
		d.s += m.DtS
		d.at = m.At
	}
}

// row follows a launch in one gear from standstill on.
func (p *pull) row(m *state.Moment) {
	if m.StoodS > 0 {
		*p = pull{on: true, gear: m.Gear, unbroken: true}
	}
	if !p.on {
		return
	}
	p.gained = m.Kmh
	if !m.Row.Has(stream.EngineTorque) || m.HasGear && m.Gear != p.gear {
		p.unbroken = false
		return
	}
	p.impulse += float64(max(0, m.Row.V[stream.EngineTorque]) * m.DtS)
}

// over ends a launch; fast where it came to its end by its speed.
func (d *launches) over(fast bool) {
	if d.s >= launchS {
		d.last = keepLatest(d.last, state.Round(d.sum/d.s, 0.01))
		if p := &d.pull; fast && p.unbroken && p.impulse > 0 {
			d.pulls = keepLatest(d.pulls, state.Round(p.gained/3.6/p.impulse*1e3, 0.01))
		}
	}
	d.sum, d.s, d.n, d.pull = 0, 0, 0, pull{}
}

func keepLatest(list []float64, v float64) []float64 {
	if len(list) == launchesKept {
		list = append(list[:0], list[1:]...)
	}
	return append(list, v)
}

// describe adds to a finding how the latest launches stand to those before.
func (d *launches) describe(f *Finding) {
	n := len(d.last) - launchLatest
	if n < launchFewest {
		return
	}
	usual := slices.Sorted(slices.Values(d.last[:n]))
	late := 0.0
	for _, k := range d.last[n:] {
		late += k / launchLatest
	}
	f.Measures = append(f.Measures, launchShare.of(late/usual[n/2]), launchCount.of(float64(n)))
	f.Instants = append(f.Instants, Instant{"last launch", d.at, d.at, d.at})
	// A grade and a load pull too: the better of the latest against the weakest before.
	if n := len(d.pulls) - launchLatest; n >= launchFewest {
		if weakest := slices.Min(d.pulls[:n]); weakest > 0 {
			f.Measures = append(f.Measures, launchPull.of(slices.Max(d.pulls[n:])/weakest))
		}
	}
}

func (d *engineDied) keep(h *history) { h.Launches, h.Pulls = d.starts.last, d.starts.pulls }

func (d *engineDied) recall(h *history) {
	d.starts.last = h.Launches[max(0, len(h.Launches)-launchesKept):]
	d.starts.pulls = h.Pulls[max(0, len(h.Pulls)-launchesKept):]
}
