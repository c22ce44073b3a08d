package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
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

func (d *flare) row(s *scene, m *state.Moment) {
	usable := m.HasSlip && m.TolRPM == 0 && m.HasGear && m.Row.Has(stream.OutputSpeed) && m.Row.V[stream.OutputSpeed] >= gearsetOutput && m.Running && m.Moving
	if m.Gap || !usable {
		d.on, d.has, d.steady = false, false, 0
		return
	}
	out := m.Row.V[stream.OutputSpeed]
	now := m.TurbineRPM / out
	if d.on {
		if over := m.TurbineRPM - float64(d.old*out); over > d.peak {
			d.peak, d.peakT = over, m.At
		}
		if m.Gear > d.oldG {
			d.rise = true
		}
		if m.Gear < d.oldG {
			d.on = false // a downshift runs up on purpose
		}
		if m.Shifting {
			d.ended = m.At
		}
		if (m.At - d.ended).Seconds() > 0.3 {
			d.finish(s, m)
		}
		if (m.At - d.start).Seconds() > 4 {
			d.on = false
		}
	}
	if m.Shifting && !d.on && !d.wait {
		d.wait = true
		if d.has && d.steady > 0.5 {
			*d = flare{counts: d.counts, ratio: d.ratio, gear: d.gear, has: d.has, steady: d.steady, wait: true,
				on: true, start: m.At, ended: m.At, old: d.ratio, oldG: d.gear, ctx: m.Context(s.SinceStart(m.At))}
		}
	}
	if m.Shifting {
		d.has, d.steady = false, 0
		return
	}
	d.wait = false
	if m.SinceShiftS < 0.4 {
		return
	}
	if !d.has || m.Gear != d.gear {
		d.ratio, d.gear, d.has, d.steady = now, m.Gear, true, 0
		return
	}
	if math.Abs(now/d.ratio-1) > 0.03 {
		d.steady = 0
	}
	d.steady += m.DtS
	d.ratio += float64(min(1, m.DtS/0.3) * (now - d.ratio))
}

func (d *flare) finish(s *scene, m *state.Moment) {
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
		fromGear.of(float64(d.oldG)), toGear.of(float64(m.Gear)), shiftS.of((d.ended - d.start).Seconds()))
	f.Instants = append(f.Instants, Instant{"highest", d.peakT, d.peakT, d.peakT})
	s.out.finding(&f, nil)
}
