package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// ShiftSettings judge shifts with the clutch on.
type ShiftSettings struct {
	BeforeS   float64 `toml:"before_s"`
	AfterS    float64 `toml:"after_s"`
	OpenedRPM float64 `toml:"opened_rpm"`
}

// ShiftOpened is a shift in which the clutch opened.
var ShiftOpened = Class{"opened"}

var (
	shiftLeastKPa = Quantity{"command_least_kpa", "kPa", 0.1}
	shiftDipKPa   = Quantity{"dip_depth_kpa", "kPa", 0.1}
	shiftDipS     = Quantity{"dip_s", "s", 0.001}
)

var shiftSpec = &Spec{
	Kind:        KindShift,
	Ordinary:    []Class{Normal, ShiftOpened},
	Measures:    []*Quantity{&fromGear, &toGear, &slipPeakRPM, &shiftS, &commandKPa, &shiftLeastKPa, &shiftDipKPa, &shiftDipS},
	Chief:       []*Quantity{&slipPeakRPM, &shiftS},
	Needs:       append(needsSlip, needsRoad, needsGear),
	Sharpens:    []stream.Role{stream.Shifting, stream.ClutchPressureCommand},
	Opportunity: "a shift with the clutch on",
	Rate:        true,
	Settings: Table{"shift_with_clutch", []Setting{
		{"before_s", "s", 0.6, 0, 5, "taken for the shift before the gear changes, where only the gear is known"},
		{"after_s", "s", 0.6, 0.1, 5, "the same after it"},
		{"opened_rpm", "rpm", 60, 10, 500, "slip that a command below the release level must have led to before the clutch has opened in the shift: a short dip lets no oil out"},
	}},
	can: func(in *Inputs) Ability {
		return able(in.slipPeriod(), "to %.2g s%s", in.slipPeriod(), in.derivedNote())
	},
	make: func(c *counts, _ *stream.Plan) detector { return &shiftOn{counts: c} },
}

// Shift with the clutch on: how deep and how long the command dipped, the
// largest slip, how long the shift took, and whether the clutch opened in it.
// Classes: normal (closed through), opened. A shift is bounded by the controller's
// report, else by the change of the gear. Where no command tells plates that slip from an
// open converter, it is seen and not observable.
type shiftOn struct {
	counts   *counts
	on       bool
	start    bus.Micros
	ctx      Context
	from     int
	engaged  bool
	before   float64 // command
	hasP     bool
	least    float64
	dipS     float64
	peak     float64
	sure     float64 // the same less what the alignment of the speeds may make
	slip     bool
	opened   bool
	reported bool // by the controller
	ended    bus.Micros
	over     bool
	usual    float64 // command between shifts
	usualAt  bus.Micros
	changed  bool
	lastGear int
	had      bool
}

// openedWithoutCommandRPM is the slip from which a clutch whose command is not known
// has opened: a shift with the clutch on may slip 150 rpm (cp).
const openedWithoutCommandRPM = 250.0

func (d *shiftOn) row(s *scene, m *state.Moment) {
	set := &s.set.Shift
	if m.Gap || !s.InDrive() {
		d.on = false
		d.had = false
		return
	}
	changed := m.HasGear && d.had && m.Gear != d.lastGear && m.Gear >= 1 && d.lastGear >= 1 && m.Gear != stream.GearShifting
	old := d.lastGear
	if m.HasGear && m.Gear != stream.GearShifting {
		d.lastGear, d.had = m.Gear, true
	}
	if !d.on {
		if m.Shifting && m.Forward() && d.had && d.lastGear >= 1 && m.Moving {
			d.begin(s, m, d.lastGear, true)
		} else if changed && m.Moving {
			d.begin(s, m, old, false)
			d.changed = true
			d.ended, d.over = m.At, true
		} else if m.HasPressure && m.Engaged {
			d.usual, d.usualAt = m.PressureKPa, m.At
		}
	}
	if !d.on {
		return
	}
	if changed {
		d.changed = true
	}
	if m.HasSlip {
		d.peak = max(d.peak, math.Abs(m.SlipRPM))
		d.seen(s, s.Trail().End()-1)
	}
	if m.HasPressure {
		if m.PressureKPa < d.least {
			d.least = m.PressureKPa
		}
		if m.PressureKPa < float64(0.95*d.before) {
			d.dipS += m.DtS
		}
	}
	if m.HasCommand && !m.Engaged && (!d.over || !d.reported) {
		d.opened = true // the gear may be told before the command falls
	}
	if d.reported && !m.Shifting && !d.over {
		d.ended, d.over = m.At, true
	}
	if d.over && m.Shifting {
		d.over = false // one shift after another: take them as one
	}
	if d.over && (m.At-d.ended).Seconds() >= set.AfterS {
		d.finish(s, m)
	}
	if !d.over && (m.At-d.start).Seconds() > 5 {
		d.on = false // no shift takes so long
	}
}

func (d *shiftOn) begin(s *scene, m *state.Moment, from int, reported bool) {
	*d = shiftOn{counts: d.counts, on: true, start: m.At, ctx: m.Context(s.SinceStart(m.At)), from: from, reported: reported,
		lastGear: d.lastGear, had: d.had, least: math.Inf(1), usual: d.usual, usualAt: d.usualAt}
	d.engaged = m.HasCommand && m.Engaged || !m.HasCommand && m.State.On()
	if m.HasPressure {
		d.hasP = true
		d.before = m.PressureKPa
		if (m.At - d.usualAt).Seconds() < 1 {
			d.before = max(d.before, d.usual)
		}
	}
	if reported {
		return
	}
	// Only the gear is known, and its change comes late in the shift or early:
	// take in what was before.
	for i := s.Trail().After(m.At - seconds(s.set.Shift.BeforeS)); i < s.Trail().End(); i++ {
		d.seen(s, i)
	}
	d.start = m.At - seconds(s.set.Shift.BeforeS)
}

const (
	// throughS is how long before the change of gear a shift is looked at in which the
	// clutch may have held, where no command tells: the change may be told as the shift
	// begins or as it ends.
	throughS = 0.3
	// throughLeastRPM and throughMostRPM bound the slip of a clutch that is on (cp):
	// an open converter is further behind in overrun, and slips more under drive.
	throughLeastRPM, throughMostRPM = -20.0, 50.0
)

// heldThrough reports whether the speeds moved together from one gear to the other: a
// clutch that closed just before is not known to be on yet by anything else.
func (d *shiftOn) heldThrough(s *scene, m *state.Moment) bool {
	from := d.ended - seconds(throughS)
	if d.reported {
		from = d.start
	}
	g := s.Trail().Judge(s.Limits(), from, m.At)
	return !m.HasCommand && g.Verdict == coupling.Coupled && g.Mean >= throughLeastRPM-g.Tol && g.Mean <= throughMostRPM+g.Tol
}

// seen takes a point of the trail.
func (d *shiftOn) seen(s *scene, i int) {
	d.slip = true
	if i >= s.Trail().First() {
		p := s.Trail().Get(i)
		d.peak, d.sure = max(d.peak, math.Abs(p.Slip)), max(d.sure, math.Abs(p.Slip)-3*p.Sigma)
	}
}

func (d *shiftOn) finish(s *scene, m *state.Moment) {
	d.on = false
	on := d.engaged || d.heldThrough(s, m)
	switch {
	case !d.changed, !on && (m.HasCommand || d.sure > openedWithoutCommandRPM):
		return
	case !on, !d.slip:
		d.counts.add(false, false)
		return
	}
	f := Finding{Kind: KindShift, Class: Normal, Start: d.start, End: d.ended, Context: d.ctx, Severity: 0.05}
	if d.opened && d.peak > s.set.Shift.OpenedRPM || !d.opened && !m.HasCommand && d.sure > openedWithoutCommandRPM {
		f.Class, f.Severity = ShiftOpened, 0.15
	}
	f.Measures = append(f.Measures,
		fromGear.of(float64(d.from)), toGear.of(float64(d.lastGear)),
		slipPeakRPM.of(d.peak))
	if d.reported {
		f.Measures = append(f.Measures, shiftS.of((d.ended - d.start).Seconds()))
	} else {
		f.MissingInputs = append(f.MissingInputs, "shifting")
	}
	if d.hasP && !math.IsInf(d.least, 1) {
		f.Measures = append(f.Measures,
			commandKPa.of(d.before), shiftLeastKPa.of(d.least),
			shiftDipKPa.of(max(0, d.before-d.least)), shiftDipS.of(d.dipS))
	} else {
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
	d.counts.add(true, f.Class == ShiftOpened)
	s.out.finding(&f, nil)
}
