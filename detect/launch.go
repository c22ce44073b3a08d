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
)

// launches learns the converter's capacity factor at low speed ratio, K = N/√T of
// SAE J643, each time the vehicle pulls away: a one-way clutch that does not hold,
// or does not let go, makes it another converter there.
type launches struct {
	last []float64  // the latest, oldest first, in rpm/√(N·m)
	at   bus.Micros // of the latest

	sum, s, n float64 // of the launch under way; n is the engine's speed before
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
		d.over()
		return
	}
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

// over ends a launch.
func (d *launches) over() {
	if d.s >= launchS {
		if len(d.last) == launchesKept {
			d.last = append(d.last[:0], d.last[1:]...)
		}
		d.last = append(d.last, state.Round(d.sum/d.s, 0.01))
	}
	d.sum, d.s, d.n = 0, 0, 0
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
}

func (d *engineDied) keep(h *history) { h.Launches = d.starts.last }

func (d *engineDied) recall(h *history) {
	d.starts.last = h.Launches[max(0, len(h.Launches)-launchesKept):]
}
