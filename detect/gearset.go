package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// GearsetSlipSettings judge the ratio seen.
type GearsetSlipSettings struct {
	MinRPM   float64 `toml:"min_rpm"`
	MinShare float64 `toml:"min_share"`
	MinS     float64 `toml:"min_s"`
	SettleS  float64 `toml:"settle_s"`
}

// GearsetSlipping is the only class of gearset slip.
var GearsetSlipping = Class{"slipping"}

var gearsetRatio = Quantity{"ratio_nominal", "", 0.001}

var gearsetSpec = &Spec{
	Kind:        KindGearsetSlip,
	Alarms:      []Class{GearsetSlipping},
	Measures:    []*Quantity{&slipMeanRPM, &slipPeakRPM, &durationS, &gearsetRatio, &outputOffRoad, &speedStoodS},
	Chief:       []*Quantity{&slipMeanRPM, &slipPeakRPM},
	Needs:       append(needsSlip, needsRoad, needsGear, needsOutput),
	Sharpens:    []stream.Role{stream.Shifting},
	Opportunity: "a minute in a gear with the ratio seen",
	Rate:        true,
	Settings: Table{"gearset_slip", []Setting{
		{"min_rpm", "rpm", 30, 5, 500, "the turbine is off what output speed and ratio give by more than this"},
		{"min_share", "", 0.02, 0.002, 0.3, "and by more than this share: ratios are stated to two or three digits"},
		{"min_s", "s", 1, 0.1, 30, "and for so long"},
		{"settle_s", "s", 1.5, 0, 10, "left out after shifts and changes of the selector"},
	}},
	can: func(in *Inputs) Ability {
		if _, derived := in.turbine(); derived {
			return Ability{Says: "not observable: turbine speed is worked out from the ratio"}
		}
		return able(in.slipPeriod(), "by the ratio seen")
	},
	make: func(c *counts, _ *stream.Plan) detector { return &gearsetSlip{counts: c} },
}

// Gearset slip: turbine over output speed departs from the gear's nominal
// ratio outside a shift: the gearset's own clutches slip, not the converter's.
// Not observable where the turbine speed is itself derived from the ratio.
type gearsetSlip struct {
	counts  *counts
	own     ownRatios
	on      bool
	start   bus.Micros
	last    bus.Micros
	ctx     Context
	sum     float64
	n       float64
	peak    float64
	ready   bus.Micros
	provenS float64
	quiet   float64
	ratio   float64
	road    roadRatio
	stands  standing
}

// ownRatios are the gears' ratios, stated or seen on this vehicle.
type ownRatios struct {
	seen [gearBands]float64
	s    [gearBands]float64 // seconds it rests on
	// gear is the one last asked for, stated what the vehicle file says of it, has
	// whether that says anything.
	gear   int
	stated float64
	has    bool
}

// ownRatioS is how long a gear must have been seen before its own ratio counts,
// in seconds.
const ownRatioS = 20.0

func (o *ownRatios) of(f *stream.Facts, gear int) (float64, bool) {
	if gear != o.gear {
		o.gear = gear
		o.stated, o.has = f.Ratios[gear]
	}
	if o.stated > 0 {
		return o.stated, true
	}
	if gear >= 1 && gear < gearBands && o.s[gear] >= ownRatioS {
		return o.seen[gear], true
	}
	return 0, false
}

func (o *ownRatios) learn(gear int, ratio, dt float64) {
	if gear < 1 || gear >= gearBands {
		return
	}
	if o.s[gear] == 0 {
		o.seen[gear] = ratio
	}
	o.s[gear] += dt
	o.seen[gear] += float64(min(1, dt/max(5, min(o.s[gear], 60))) * (ratio - o.seen[gear]))
}

// gearsetOutput is the output speed from which the ratio can be seen, rpm: the
// sensors know nothing below.
const gearsetOutput = 200.0

func (d *gearsetSlip) row(s *scene, m *state.Moment) {
	set := &s.set.GearsetSlip
	if m.Gap || m.Shifting || m.HasGear && m.SinceGearS < set.SettleS || !m.HasGear {
		d.ready = m.At + seconds(set.SettleS)
	}
	usable := m.At >= d.ready && m.HasSlip && m.TolRPM == 0 && m.HasGear && m.Gear >= 1 && m.Running &&
		m.Row.Has(stream.OutputSpeed) && m.Row.V[stream.OutputSpeed] >= gearsetOutput
	if !usable {
		if d.on {
			d.finish(s, m)
		}
		return
	}
	out := m.Row.V[stream.OutputSpeed]
	d.road.row(m, out, d.on)
	want, ok := d.own.of(s.Facts(), m.Gear)
	if !ok {
		d.own.learn(m.Gear, m.TurbineRPM/out, m.DtS)
		return
	}
	d.provenS += m.DtS
	if d.provenS >= 60 {
		d.provenS -= 60
		d.counts.add(true, false)
	}
	synchronous := float64(want * out)
	off := m.TurbineRPM - synchronous
	// Under drive a slipping gear lets the turbine run ahead; a turbine that
	// lags behind is still being taken up. One that is far from anything the
	// output gives is a sensor's fault.
	if off < max(set.MinRPM, float64(set.MinShare*synchronous)) || off > float64(0.6*synchronous) {
		if d.on {
			d.quiet += max(m.DtS, 0.001)
			if d.quiet > 0.3 {
				d.finish(s, m)
			}
		} else if !d.own.has {
			d.own.learn(m.Gear, m.TurbineRPM/out, m.DtS)
		}
		return
	}
	if !d.on {
		d.on, d.start, d.sum, d.n, d.peak = true, m.At, 0, 0, 0
		d.road.begin()
		d.stands = standing{}
		d.ctx = m.Context(s.SinceStart(m.At))
		d.ratio = want
	}
	d.quiet, d.last = 0, m.At
	d.stands.row(m.At, m.TurbineRPM, m.EngineRPM)
	d.sum += float64(off * m.DtS)
	d.n += m.DtS
	d.peak = max(d.peak, off)
}

func (d *gearsetSlip) end(s *scene, _ bus.Micros) {
	if d.on {
		d.finish(s, s.Now())
	}
}

func (d *gearsetSlip) finish(s *scene, m *state.Moment) {
	d.on = false
	if d.n < s.set.GearsetSlip.MinS {
		return
	}
	f := Finding{Kind: KindGearsetSlip, Class: GearsetSlipping, Start: d.start, End: d.last, Context: d.ctx, Severity: 0.8, Keep: true}
	f.Measures = append(f.Measures, slipMeanRPM.of(d.sum/max(d.n, math.SmallestNonzeroFloat64)),
		slipPeakRPM.of(d.peak), durationS.of((d.last - d.start).Seconds()), gearsetRatio.of(d.ratio))
	d.road.describe(&f)
	f.Measures = append(f.Measures, speedStoodS.of(d.stands.s))
	f.MissingInputs = append(f.MissingInputs, missingInputs(m.Row, stream.Shifting)...)
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}
