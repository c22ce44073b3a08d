package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// OpenSettings judge a clutch that opens under drive with the gear held.
type OpenSettings struct {
	MinRPM            float64 `toml:"min_rpm"`
	MinS              float64 `toml:"min_s"`
	MinAcceleratorPct float64 `toml:"min_accelerator_pct"`
	MinKmh            float64 `toml:"min_kmh"`
}

var openRatioPct = Quantity{"ratio_off_percent", "%", 0.1}

var openSpec = &Spec{
	Kind:        KindOpenUnderDrive,
	Ordinary:    []Class{Asked},
	Alarms:      []Class{Unknown},
	Measures:    []*Quantity{&slipPeakRPM, &slipMeanRPM, &durationS, &openRatioPct},
	Chief:       []*Quantity{&slipPeakRPM, &slipMeanRPM},
	Needs:       append(needsSlip, needsRoad, needsGear),
	Sharpens:    []stream.Role{stream.OutputSpeed, stream.TurbineSpeed},
	Opportunity: "an opening of the clutch under drive",
	Rate:        true,
	Settings: Table{"open_under_drive", []Setting{
		{"min_rpm", "rpm", 80, 20, 800, "least slip: an open converter under moderate pedal runs 100-800 rpm of slip (cp)"},
		{"min_s", "s", 0.4, 0.1, 10, "and for so long"},
		{"min_accelerator_pct", "%", 10, 1, 80, "pedal that makes it under drive"},
		{"min_kmh", "km/h", 10, 2, 120, "road speed from which it counts"},
	}},
	can: func(in *Inputs) Ability {
		return able(in.slipPeriod(), "with the gear held%s", in.derivedNote())
	},
	make: func(c *counts, _ *stream.Plan) detector { return &openUnderDrive{counts: c} },
}

// Open under drive: the command dropped and slip is high with the gear held
// and the pedal down: the converter multiplies torque in place of a downshift.
// It is told apart from a slipping gearset by the ratio seen. Classes: asked;
// unclear where the ratio cannot be seen.
type openUnderDrive struct {
	counts *counts
	on     bool
	start  bus.Micros
	ctx    Context
	gear   int
	peak   float64
	sum    float64
	n      float64
	fellAt bus.Micros
	armed  bool
	ratio  float64 // worst departure of the ratio seen, as a share
	seen   bool
}

func (d *openUnderDrive) row(s *scene, m *moment) {
	set := &s.set.OpenUnderDrive
	if m.fell {
		// Only a clutch that opens while it is driven through.
		a, ok := m.accelerator()
		d.armed = ok && a >= set.MinAcceleratorPct && m.hasKmh && m.kmh >= set.MinKmh && m.forward()
		d.fellAt = m.at
		d.gear = m.gear
	}
	a, ok := m.accelerator()
	under := d.armed && s.seg.inDrive && m.hasCommand && !m.engaged && ok && a >= set.MinAcceleratorPct && m.hasKmh &&
		m.kmh >= set.MinKmh && m.hasGear && m.gear == d.gear && m.hasSlip && !m.gap
	if !under {
		if d.on {
			d.finish(s, m)
		}
		if m.rose || m.hasGear && m.gear != d.gear || m.gap {
			d.armed = false
		}
		return
	}
	if m.slip < set.MinRPM && !d.on {
		return
	}
	if !d.on {
		d.on, d.start, d.peak, d.sum, d.n, d.ratio, d.seen = true, d.fellAt, 0, 0, 0, 0, false
		d.ctx = m.context(s.seg.sinceStart(m.at))
	}
	d.peak = max(d.peak, m.slip)
	d.sum += float64(m.slip * m.dt)
	d.n += m.dt
	if r := s.facts.Ratios[m.gear]; r > 0 && m.tol == 0 && m.row.Has(stream.OutputSpeed) && m.row.V[stream.OutputSpeed] > 100 && !m.shifting {
		d.seen = true
		d.ratio = max(d.ratio, abs(m.turbine/m.row.V[stream.OutputSpeed]/r-1))
	}
}

func (d *openUnderDrive) end(s *scene, _ bus.Micros) {
	if d.on {
		d.finish(s, &s.m)
	}
	d.armed = false
}

func (d *openUnderDrive) finish(s *scene, m *moment) {
	d.on, d.armed = false, false
	if d.n < s.set.OpenUnderDrive.MinS {
		return
	}
	f := Finding{Kind: KindOpenUnderDrive, Class: Asked, Start: d.start, End: m.at, Context: d.ctx, Severity: 0.1}
	f.Measures = append(f.Measures, slipPeakRPM.of(d.peak), slipMeanRPM.of(d.sum/max(d.n, math.SmallestNonzeroFloat64)),
		durationS.of((m.at - d.start).Seconds()))
	if d.seen {
		f.Measures = append(f.Measures, openRatioPct.of(100*d.ratio))
	} else {
		f.Class = Unknown
		f.MissingInputs = append(f.MissingInputs, "gear ratio seen")
	}
	d.counts.add(true, false)
	s.out.finding(&f, nil)
}
