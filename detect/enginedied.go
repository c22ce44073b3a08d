package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// EngineDiedSettings judge an engine that dies at a stop.
type EngineDiedSettings struct {
	WithinS  float64 `toml:"within_s"`
	ConfirmS float64 `toml:"confirm_s"`
}

// Classes of an engine that died. One that died with the clutch still holding
// is a stalled release.
var (
	DiedClutchOpen    = Class{"clutch-open"}
	DiedClutchUnknown = Class{"clutch-unknown"}
)

var (
	diedSlipRPM = Quantity{"slip_before_rpm", "rpm", 0.1}
	diedStoodS  = Quantity{"stood_s", "s", 0.01}
)

var diedSpec = &Spec{
	Kind:        KindEngineDied,
	Alarms:      []Class{DiedClutchOpen, DiedClutchUnknown},
	Measures:    []*Quantity{&diedSlipRPM, &diedStoodS, &launchShare, &launchCount},
	Chief:       []*Quantity{&diedStoodS},
	Needs:       [][]stream.Role{needsEngine, needsRoad},
	Sharpens:    []stream.Role{stream.Gear, stream.TurbineSpeed},
	Opportunity: "a stop with the engine running",
	Rate:        true,
	Settings: Table{"engine_died", []Setting{
		{"within_s", "s", 3, 0.5, 60, "how long after the standstill an engine that dies has died at the stop; later, somebody has turned the key"},
		{"confirm_s", "s", 1.5, 0.2, 20, "how long the controllers must go on speaking after it: a key that is turned off silences them, mostly within a second (cp)"},
	}},
	can: func(in *Inputs) Ability {
		if !in.has(stream.Gear) {
			return able(in.Period[stream.EngineSpeed], "only within a second of the standstill: without gear, a key turned off in park looks alike")
		}
		return able(in.Period[stream.EngineSpeed], "in the last moments of a stop and just after")
	},
	make: func(c *counts, plan *stream.Plan) detector {
		return &engineDied{counts: c, afterLines: onlyRoad(plan)}
	},
}

// Engine died: the engine stops by itself in the last moments of a stop, or just
// after it, in a forward gear. A key turned off in park or long after the stop is
// nothing of the kind, nor is one that silences the bus; an engine that stops
// itself on purpose cannot be told apart, but for the first times (see ownStarts).
type engineDied struct {
	counts *counts
	ran    bool
	moved  bool       // and moved, in the same drive
	apart  bus.Micros // when engine and turbine were last seen far apart
	slip   float64    // then
	found  Finding
	wait   bool
	// sure: the controllers have gone on speaking. afterLines: the lines are told
	// of the stop first, which may know that the clutch held (see lines).
	sure, afterLines bool
	starts           launches
}

func (d *engineDied) row(s *scene, m *state.Moment) {
	d.starts.row(m)
	known := m.Row.Has(stream.EngineSpeed)
	if d.wait && known {
		d.confirm(s, m)
	}
	if m.Gap {
		d.ran, d.moved = false, false
	}
	d.moved = d.moved || m.Running && m.Moving
	if m.Stopped && m.Running {
		d.counts.add(m.HasGear && !d.onPurpose(s), false)
	}
	if m.Running && m.HasSlip && math.Abs(m.SlipRPM)-m.TolRPM > state.ApartRPM {
		d.apart, d.slip = m.At, m.SlipRPM
	}
	stopped := !m.Running && d.ran && known && m.Row.V[stream.EngineSpeed] < s.Limits().DeadRPM
	s.ownStarts.row(m, stopped)
	if m.Running {
		d.ran, d.wait = true, d.wait && d.sure && !s.ownStarts.own // it may have been started again
	} else if stopped {
		d.ran = false
		d.died(s, m)
	}
}

// onPurpose reports whether this engine stops itself at standstill, as far as is
// stated or learned.
func (*engineDied) onPurpose(s *scene) bool { return s.Facts().StopStart || s.ownStarts.known() }

const (
	// apartAgo is how old the sight of an open clutch may be. Structural: an
	// engine takes about a second to run down.
	apartAgo = 2 * bus.Second
)

func (d *engineDied) died(s *scene, m *state.Moment) {
	if !d.moved || d.onPurpose(s) || !m.HasKmh || !m.HasGear && m.StoodS > noGearS || s.KeyedOff(m) || m.Kmh > diedKmh || s.StalledNear(m.At) {
		return
	}
	if d.wait && d.sure {
		d.tell(s) // the one before
	}
	f := Finding{Kind: KindEngineDied, Class: DiedClutchUnknown, Start: m.At - bus.Second, End: m.At, Drive: s.Drive(),
		Severity: 0.9, Keep: true, Context: m.Context(s.SinceStart(m.At))}
	if d.apart != 0 && m.At-d.apart <= apartAgo {
		f.Class = DiedClutchOpen
		f.Measures = append(f.Measures, diedSlipRPM.of(d.slip))
	} else {
		f.MissingInputs = append(f.MissingInputs, missingInputs(m.Row, stream.TurbineSpeed)...)
	}
	f.Measures = append(f.Measures, diedStoodS.of(m.StoodS))
	f.MissingInputs = append(f.MissingInputs, missingInputs(m.Row, stream.Gear)...)
	f.Instants = append(f.Instants, Instant{"engine died", m.At, m.At - seconds(s.PitchS()), m.At})
	d.starts.describe(&f)
	d.found, d.wait, d.sure = f, true, false
}

// noGearS is how long the vehicle may have stood where the gear is not known.
// Structural: nobody puts the selector in park and turns the key in less.
const noGearS = 1.0

// diedKmh is the speed above which an engine that dies does not do so at a stop.
// Structural: a stop's last moments.
const diedKmh = 15.0

// confirm tells what was found once the controllers have gone on speaking.
func (d *engineDied) confirm(s *scene, m *state.Moment) {
	if m.Gap || m.At < d.found.End {
		if d.sure {
			d.tell(s)
		}
		d.wait = false
		return
	}
	long := (m.At - d.found.End).Seconds()
	if long < s.set.EngineDied.ConfirmS {
		return
	}
	if d.afterLines && long < linesS || s.ownStarts.open() {
		d.sure = true
		return
	}
	d.tell(s)
}

// linesS is when what the lines of engine over road speed say of a stop is out:
// ratioline looks up to 5 s ahead.
const linesS = 10.0

func (d *engineDied) tell(s *scene) {
	d.wait, d.sure = false, false
	if s.StalledNear(d.found.End) {
		return
	}
	s.TellStall(d.found.End)
	d.counts.add(true, true)
	s.out.finding(&d.found, nil)
}

func (d *engineDied) end(s *scene, _ bus.Micros) {
	if d.wait && d.sure {
		d.tell(s)
	}
	d.wait, d.sure, d.ran, d.moved = false, false, false, false
}
