package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
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
// It is told apart from a slipping gearset by the ratio seen, and from a shift
// that dips the command, by the gear: none is announced before, none comes soon
// after, and the turbine keeps its ratio to the road. A command that stays above
// what it rests at regulates slip and opens nothing. Classes: asked;
// unclear where the ratio cannot be seen.
type openUnderDrive struct {
	counts *counts
	on     bool
	start  bus.Micros
	ctx    Context
	gear   int
	peak   float64
	sum    float64
	n      float64 // seconds of slip
	low    float64 // seconds since it was
	fellAt bus.Micros
	armed  bool
	least  float64 // command, in its own unit
	ratio  float64 // worst departure of the ratio seen, as a share
	seen   bool
	// usual is the turbine over the road's speed, in rpm for 1 km/h, while the
	// clutch was on in the gear usualGear for usualS seconds.
	usual, usualS float64
	usualGear     int
	// held is an opening that is over, until it is clear that no shift made it.
	held    Finding
	holding bool
	heldS   float64 // seconds of slip, as of its end
}

const (
	// openSettleS is how long after a gear has changed, or was announced, and how
	// long before, a shift may be at work, in seconds (cp). Structural.
	openSettleS = 1.2
	// openRatioOff is the share by which turbine over road speed may leave what it
	// was: adjacent gears are 15 to 80 % apart (cp).
	openRatioOff = 0.08
	// openUsualS is how long the ratio must have been seen before, in seconds.
	openUsualS = 1.0
	// openLowS is how long slip may be low meanwhile, in seconds.
	openLowS = 0.2
)

func (d *openUnderDrive) row(s *scene, m *state.Moment) {
	set := &s.set.OpenUnderDrive
	d.settle(s, m)
	d.ratioBefore(m)
	if m.Fell {
		// Only a clutch that opens while it is driven through.
		a, ok := m.Accelerator()
		d.armed = ok && a >= set.MinAcceleratorPct && m.HasKmh && m.Kmh >= set.MinKmh && m.Forward() &&
			!m.Shifting && m.SinceGearS >= openSettleS && m.SinceShiftS >= openSettleS
		d.fellAt = m.At
		d.gear = m.Gear
	}
	if !d.under(s, m) {
		if d.on {
			d.finish(s, m)
		}
		if m.Rose || m.HasGear && m.Gear != d.gear || m.Gap {
			d.armed = false
		}
		return
	}
	if slips := m.SlipRPM-m.TolRPM >= set.MinRPM; !slips {
		d.low += m.DtS
		if d.on && d.low > openLowS {
			d.finish(s, m)
		}
		return
	}
	d.low = 0
	if !d.on {
		d.on, d.start, d.peak, d.sum, d.n, d.ratio, d.seen = true, d.fellAt, 0, 0, 0, 0, false
		d.least = math.Inf(1)
		d.ctx = m.Context(s.SinceStart(m.At))
	}
	d.peak = max(d.peak, m.SlipRPM)
	d.sum += float64(m.SlipRPM * m.DtS)
	d.n += m.DtS
	if m.HasLevel {
		d.least = min(d.least, m.Level)
	}
	d.look(s, m)
}

// under reports whether the clutch is told to be open under drive in the gear in
// which it was told so.
func (d *openUnderDrive) under(s *scene, m *state.Moment) bool {
	set := &s.set.OpenUnderDrive
	a, ok := m.Accelerator()
	return d.armed && s.InDrive() && m.HasCommand && !m.Engaged && ok && a >= set.MinAcceleratorPct && m.HasKmh &&
		m.Kmh >= set.MinKmh && m.HasGear && m.Gear == d.gear && m.HasSlip && !m.Gap && !m.Shifting && !d.shifts(m)
}

// ratioBefore follows the turbine over the road's speed while the clutch is on.
func (d *openUnderDrive) ratioBefore(m *state.Moment) {
	if m.Gap || m.Gear != d.usualGear || m.SinceGearS < openSettleS {
		d.usual, d.usualS, d.usualGear = 0, 0, m.Gear
	}
	if !m.HasCommand || !m.Engaged || m.Shifting || m.SinceGearS < openSettleS || !d.visible(m) {
		return
	}
	r := m.TurbineRPM / m.Kmh
	if d.usualS == 0 {
		d.usual = r
	}
	d.usualS += m.DtS
	d.usual += float64(min(1, m.DtS/min(d.usualS+m.DtS, 2)) * (r - d.usual))
}

// visible reports whether the turbine's own speed can be held against the road's.
func (d *openUnderDrive) visible(m *state.Moment) bool {
	return m.HasGear && m.HasKmh && m.Kmh >= 10 && m.HasSlip && m.TolRPM == 0
}

// shifts reports whether the turbine has left its ratio to the road: another gear
// is coming in. Speeds in whole km/h leave one of them open.
func (d *openUnderDrive) shifts(m *state.Moment) bool {
	return d.usualS >= openUsualS && d.usualGear == m.Gear && d.visible(m) &&
		math.Abs(m.TurbineRPM-float64(d.usual*m.Kmh)) > float64(openRatioOff*m.TurbineRPM)+d.usual
}

// look compares the turbine with the gear's ratio.
func (d *openUnderDrive) look(s *scene, m *state.Moment) {
	if r := s.Facts().Ratios[m.Gear]; r > 0 && m.TolRPM == 0 && m.Row.Has(stream.OutputSpeed) && m.Row.V[stream.OutputSpeed] > 100 {
		d.seen = true
		d.ratio = max(d.ratio, math.Abs(m.TurbineRPM/m.Row.V[stream.OutputSpeed]/r-1))
	}
}

// settle hands on what is held once no shift can have made it, and drops what one
// has: all but what was before it.
func (d *openUnderDrive) settle(s *scene, m *state.Moment) {
	if !d.holding {
		return
	}
	after := (m.At - d.held.End).Seconds()
	shift := m.Shifting || m.HasGear && m.Gear != d.gear
	if shift && d.heldS+after-openSettleS < s.set.OpenUnderDrive.MinS {
		d.holding = false
		return
	}
	if shift || after >= openSettleS || m.Gap {
		d.tell(s)
	}
}

func (d *openUnderDrive) tell(s *scene) {
	d.holding = false
	d.counts.add(true, false)
	s.out.finding(&d.held, nil)
}

func (d *openUnderDrive) end(s *scene, _ bus.Micros) {
	if d.on {
		d.finish(s, s.Now())
	}
	if d.holding {
		d.tell(s)
	}
	d.armed, d.usualS = false, 0
}

func (d *openUnderDrive) finish(s *scene, m *state.Moment) {
	d.on, d.armed = false, false
	if d.n < s.set.OpenUnderDrive.MinS || !math.IsInf(d.least, 1) && d.least > s.CommandRest() {
		return // too short, or slip held by a low command
	}
	f := Finding{Kind: KindOpenUnderDrive, Class: Asked, Drive: s.Drive(), Start: d.start, End: m.At, Context: d.ctx, Severity: 0.1}
	f.Measures = append(f.Measures, slipPeakRPM.of(d.peak), slipMeanRPM.of(d.sum/max(d.n, math.SmallestNonzeroFloat64)),
		durationS.of((m.At - d.start).Seconds()))
	if d.seen {
		f.Measures = append(f.Measures, openRatioPct.of(100*d.ratio))
	} else {
		f.Class = Unknown
		f.MissingInputs = append(f.MissingInputs, "gear ratio seen")
	}
	d.held, d.holding, d.heldS = f, true, d.n
	d.settle(s, m)
}
