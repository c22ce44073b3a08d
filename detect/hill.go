package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// hillSlip finds slip that is held for seconds at road speed under load with
// no gear change, and tells whether it was asked for: the command went down
// with it, or stands where it used to hold.
type hillSlip struct {
	on       bool
	from     bus.Micros
	context  Context
	gear     float64
	n        int
	sum, top float64
	heldS    float64
	below    float64 // seconds that slip has been too small
	command  float64 // sum of the command's values
	commands int
	asked    int
	grade    float64
	grades   int
	// usual is the command that held the clutch closed, by gear.
	usual [32]float64
}

func (d *hillSlip) forget(m *Monitor) { d.end(m) }

func (d *hillSlip) row(m *Monitor) {
	n, r, set := &m.now, m.now.row, &m.set.HillSlip
	gear := math.NaN()
	if r.Has(stream.Gear) {
		gear = r.V[stream.Gear]
	}
	g := int(gear)
	role := m.command.role
	if n.state == Closed && m.command.has && r.Has(role) && g > 0 && g < len(d.usual) {
		if d.usual[g] == 0 {
			d.usual[g] = r.V[role]
		}
		d.usual[g] += float64(min(1, n.dt/2) * (r.V[role] - d.usual[g]))
	}
	load := !r.Has(stream.Accelerator) || r.V[stream.Accelerator] >= set.MinAccelerator
	shifting := r.Has(stream.Shifting) && r.V[stream.Shifting] != 0
	fits := n.known && n.state == Partial && n.slip > set.MinRPM/2 && m.segment.kmh >= set.MinKmh && load && !shifting && n.command >= 0
	if d.on && (gear != d.gear && !math.IsNaN(gear)) {
		d.end(m)
	}
	if !fits {
		if d.on {
			if d.below += n.dt; d.below > 0.5 || shifting {
				d.end(m)
			}
		}
		return
	}
	if !d.on {
		*d = hillSlip{on: true, from: r.At, context: m.context(r), gear: gear, usual: d.usual}
	}
	d.below = 0
	d.n++
	d.sum += n.slip
	d.top = max(d.top, n.slip)
	d.heldS = (r.At - d.from).Seconds()
	if m.command.has && r.Has(role) {
		d.command += r.V[role]
		d.commands++
	}
	if r.Has(stream.SlipCommand) && r.V[stream.SlipCommand] > set.MinRPM/2 {
		d.asked++
	}
	if r.Has(stream.Grade) {
		d.grade += r.V[stream.Grade]
		d.grades++
	}
}

func (d *hillSlip) end(m *Monitor) {
	if !d.on {
		return
	}
	d.on = false
	set := &m.set.HillSlip
	if d.heldS < set.MinS || d.n == 0 {
		return
	}
	mean := d.sum / float64(d.n)
	if mean < set.MinRPM {
		return
	}
	m.account.seen(KindHillSlip)
	f := &Finding{
		Kind: KindHillSlip, Start: d.from, End: m.prev, Context: d.context, Class: "unknown",
		Measures: []Measure{
			{"slip_mean_rpm", round(mean, 0.1)}, {"slip_peak_rpm", round(d.top, 0.1)}, {"duration_s", round(d.heldS, 0.01)},
		},
		Lacking: m.lacking(stream.ClutchPressureCommand, stream.SlipCommand, stream.Accelerator, stream.Grade),
	}
	if d.commands > 0 && m.command.role == stream.ClutchPressureCommand {
		f.Measures = append(f.Measures, Measure{"command_mean_kpa", round(d.command/float64(d.commands), 0.1)})
	}
	if d.grades > 0 {
		f.Measures = append(f.Measures, Measure{"grade_mean_percent", round(d.grade/float64(d.grades), 0.1)})
	}
	g := int(d.gear)
	usual := 0.0
	if g > 0 && g < len(d.usual) {
		usual = d.usual[g]
	}
	switch {
	case d.asked*2 > d.n:
		f.Class = "asked"
	case d.commands > 0 && usual > 0 && m.command.role != stream.LockupState:
		f.Measures = append(f.Measures, Measure{"command_usual", round(usual, 0.1)})
		if d.command/float64(d.commands) < set.AskedShare*usual {
			f.Class = "asked"
		} else {
			f.Class, f.Worth, f.Keep = "unasked", 0.85, true
		}
	}
	if f.Class == "asked" {
		f.Worth, f.Keep = 0.3, true
	}
	m.account.observable(KindHillSlip)
	m.emit(f)
}
