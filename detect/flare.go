package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// FlareSettings judge the engine's running up in an upshift.
type FlareSettings struct {
	MinRPM float64 `toml:"min_rpm"`
}

// FlareSeen is the only class of flare.
var FlareSeen = Class{"flare"}

var flareRPM = Quantity{"flare_rpm", "rpm", 0.1}

var flareSpec = &Spec{
	Kind:        KindFlare,
	Alarms:      []Class{FlareSeen},
	Measures:    []*Quantity{&flareRPM, &fromGear, &toGear, &shiftS},
	Chief:       []*Quantity{&flareRPM},
	Needs:       append(needsSlip, needsRoad, needsGear, needsOutput),
	Sharpens:    []stream.Role{stream.Shifting},
	Opportunity: "an upshift with the ratio seen before it",
	Rate:        true,
	Settings: Table{"flare", []Setting{
		{"min_rpm", "rpm", 60, 10, 1000, "turbine speed above what the old gear gives"},
	}},
	can: func(in *Inputs) Ability {
		if _, derived := in.turbine(); derived {
			return Ability{Says: "not observable: turbine speed is worked out from the ratio"}
		}
		return able(in.slipPeriod(), "in upshifts, by the ratio seen")
	},
	make: func(c *counts, _ *stream.Plan) detector { return &flare{counts: c} },
}

// Flare: in an upshift the turbine runs above what the old gear gives, before
// the new one takes it down. The old gear's ratio is the one seen just before.
type flare struct {
	counts *counts
	ratio  float64 // seen in the present gear, steady
	gear   int
	has    bool
	steady float64

	on    bool
	start bus.Micros
	peak  float64
	peakT bus.Micros
	ctx   Context
	ended bus.Micros
	rise  bool // the shift went up
	old   float64
	oldG  int
	wait  bool
}

func (d *flare) row(s *scene, m *moment) {
	usable := m.hasSlip && m.tol == 0 && m.hasGear && m.row.Has(stream.OutputSpeed) && m.row.V[stream.OutputSpeed] >= gearsetOutput && m.running && m.moving
	if m.gap || !usable {
		d.on, d.has, d.steady = false, false, 0
		return
	}
	out := m.row.V[stream.OutputSpeed]
	now := m.turbine / out
	if d.on {
		if over := m.turbine - float64(d.old*out); over > d.peak {
			d.peak, d.peakT = over, m.at
		}
		if m.gear > d.oldG {
			d.rise = true
		}
		if m.gear < d.oldG {
			d.on = false // a downshift runs up on purpose
		}
		if m.shifting {
			d.ended = m.at
		}
		if (m.at - d.ended).Seconds() > 0.3 {
			d.finish(s, m)
		}
		if (m.at - d.start).Seconds() > 4 {
			d.on = false
		}
	}
	if m.shifting && !d.on && !d.wait {
		d.wait = true
		if d.has && d.steady > 0.5 {
			*d = flare{counts: d.counts, ratio: d.ratio, gear: d.gear, has: d.has, steady: d.steady, wait: true,
				on: true, start: m.at, ended: m.at, old: d.ratio, oldG: d.gear, ctx: m.context(s.seg.sinceStart(m.at))}
		}
	}
	if m.shifting {
		d.has, d.steady = false, 0
		return
	}
	d.wait = false
	if m.sinceShift < 0.4 {
		return
	}
	if !d.has || m.gear != d.gear {
		d.ratio, d.gear, d.has, d.steady = now, m.gear, true, 0
		return
	}
	if abs(now/d.ratio-1) > 0.03 {
		d.steady = 0
	}
	d.steady += m.dt
	d.ratio += float64(min(1, m.dt/0.3) * (now - d.ratio))
}

func (d *flare) finish(s *scene, m *moment) {
	d.on = false
	if !d.rise {
		return
	}
	hit := d.peak >= s.set.Flare.MinRPM
	d.counts.add(true, hit)
	if !hit {
		return
	}
	f := Finding{Kind: KindFlare, Class: FlareSeen, Start: d.start, End: d.ended, Context: d.ctx, Severity: 0.7, Keep: true}
	f.Measures = append(f.Measures, flareRPM.of(d.peak),
		fromGear.of(float64(d.oldG)), toGear.of(float64(m.gear)), shiftS.of((d.ended - d.start).Seconds()))
	f.Instants = append(f.Instants, Instant{"highest", d.peakT, d.peakT, d.peakT})
	s.out.finding(&f, nil)
}
