package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// ReleaseLagSettings judge releases.
type ReleaseLagSettings struct {
	LimitS         float64 `toml:"limit_s"`
	RelativeFactor float64 `toml:"relative_factor"`
	RelativeS      float64 `toml:"relative_s"`
	RelativeCount  float64 `toml:"relative_count"`
	PartedRPM      float64 `toml:"parted_rpm"`
	DragSag        float64 `toml:"drag_sag"`
	DragAfterS     float64 `toml:"drag_after_s"`
	WatchS         float64 `toml:"watch_s"`
}

// Classes of a release.
var (
	ReleaseLate     = Class{"late"}
	ReleaseDragging = Class{"dragging"}
	ReleaseStall    = Class{"stall"}
)

// LagS is the lag of a release; the two others bound it.
var (
	LagS             = Quantity{"lag_s", "s", 0.001}
	LagMinS          = Quantity{"lag_min_s", "s", 0.001}
	LagMaxS          = Quantity{"lag_max_s", "s", 0.001}
	releaseEngineRPM = Quantity{"engine_low_rpm", "rpm", 0.1}
	releaseTurbine   = Quantity{"turbine_low_rpm", "rpm", 0.1}
	releaseCommand   = Quantity{"command_before", "", 0.1}
)

var releaseSpec = &Spec{
	Kind:        KindReleaseLag,
	Ordinary:    []Class{Normal},
	Alarms:      []Class{ReleaseLate, ReleaseDragging, ReleaseStall},
	Measures:    []*Quantity{&LagS, &LagMinS, &LagMaxS, &slipWasRPM, &releaseEngineRPM, &releaseTurbine, &releaseCommand},
	Chief:       []*Quantity{&LagS, &LagMaxS},
	Needs:       needsSlip,
	Sharpens:    []stream.Role{stream.ClutchPressureCommand, stream.ClutchCommand, stream.LockupState, stream.TurbineSpeed, stream.Accelerator, stream.FluidTemperature},
	Opportunity: "a release of the clutch",
	Rate:        true,
	Settings: Table{"release_lag", []Setting{
		{"limit_s", "s", 0.6, 0.1, 5, "lag from which a release is late: a healthy clutch lets go in 0.1-0.3 s warm (cp); with 0.4 s, ordinary releases of the simulated vehicles begin to count"},
		{"relative_factor", "", 3.5, 0, 20, "so many times the vehicle's own median lag at this temperature is late too; 0 switches this limit off"},
		{"relative_s", "s", 0.25, 0, 5, "if it is also so far beyond that median"},
		{"relative_count", "", 30, 5, 10000, "and the median rests on so many releases"},
		{"parted_rpm", "rpm", 10, 3, 100, "how far slip must leave what it was before the speeds have parted: above noise and interpolation error, small against the 100 rpm and more that follow at once"},
		{"drag_sag", "", 0.12, 0.02, 0.5, "share of idle speed by which a turbine that is still coupled must have drawn the engine below idle before it drags: a governor lets idle sag by up to a tenth by itself (cp)"},
		{"drag_after_s", "s", 0.3, 0, 3, "lag from which that counts where the command is known: in a hard stop the turbine falls 500 rpm/s, 50 rpm in the 0.1 s that the oil needs anyhow"},
		{"watch_s", "s", 25, 1, 60, "how long a release is watched at most"},
	}},
	can: func(in *Inputs) Ability {
		fine := in.slipPeriod()
		r, ok := in.command()
		if !ok {
			return able(fine, "upper bounds only, to %.2g s: no command is known%s", fine, in.derivedNote())
		}
		fine += in.Period[r]
		return able(fine, "to %.2g s, from %s%s", fine, r, in.derivedNote())
	},
	make: func(c *counts, _ *stream.Plan) detector { return &releaseLag{counts: c} },
}

// Release lag: from the instant the command falls below the release level to
// the instant the speeds stop moving together. Classes: late (beyond a limit),
// dragging (still coupled with the turbine below idle speed), stall (the
// engine died with the speeds still together), normal. Where no command is
// known the lag is an upper bound, counted from the last instant at which the
// clutch was certainly closed under drive, and only dragging and stall can be
// told; see coarseStop for turbine speeds that come from a coarse road speed.
type releaseLag struct {
	counts *counts
	told   bool // a release was observed since the last stop
	// apart: the engine was seen to idle on well above the turbine, so that
	// the clutch had let go for certain.
	apart bool
	// waiting: the vehicle has come to a stop with the release still to be
	// told.
	waiting bool
	coarse  coarseStop
}

const (
	apartRPM = 100.0 // slip that no clutch in a stop has
	apartKmh = 12.0
	// rollingKmh is the speed from which an approach is a new one.
	rollingKmh = 25.0
)

func (d *releaseLag) row(s *scene, m *moment) {
	if s.part.has {
		d.parting(s, m, &s.part.result)
	}
	if m.hasKmh && m.kmh > rollingKmh {
		d.apart = false
	}
	if m.rose {
		d.told, d.apart = false, false
	}
	if d.coarse.row(s, m, d.counts) {
		d.told = true
	}
	if m.running && m.hasSlip && !d.coarse.coarse && m.hasKmh && m.kmh < apartKmh && m.slip-m.tol > apartRPM {
		d.apart = true
	}
	if m.stopped {
		d.waiting = true
	}
	if d.waiting && (d.told || d.apart) {
		s.out.ledger.a.StopsObserved++
		*d = releaseLag{counts: d.counts, coarse: d.coarse}
	}
	if m.moving {
		d.waiting = false
	}
}

func (d *releaseLag) end(*scene, bus.Micros) { *d = releaseLag{counts: d.counts} }

func (d *releaseLag) parting(s *scene, m *moment, p *parting) {
	set := &s.set.ReleaseLag
	led := &s.out.ledger
	if !p.command && p.outcome == coupling.Parted && !p.stop {
		return // without a command only a stop says what let go
	}
	if p.outcome == coupling.Taken || p.outcome == coupling.Lost {
		d.counts.add(false, false)
		return
	}
	lag := (p.part.At - p.fall.mid()).Seconds()
	low := max(0, (p.part.Early - p.fall.late).Seconds())
	high := max(0, (p.part.Late - p.fall.early).Seconds())
	lag = min(max(lag, low), high)
	below := float64((1 - set.DragSag) * s.idle)
	dragged := s.idleKnown && p.engineLow < below && p.turbineLow < below
	proven := p.proven
	// Late by more than half of what it may be less, not on the strength of one
	// noisy row.
	late := p.command && lag-min(lateMargin, (lag-low)/2) >= set.LimitS
	key := historyOf("lag_s", &p.ctx)
	if p.command && set.RelativeFactor > 0 {
		mid, n := s.out.history.median(key)
		if n >= set.RelativeCount && lag >= float64(set.RelativeFactor*mid) && lag-mid >= set.RelativeS {
			late = true
		}
	}
	if p.command && !proven && (late || lag >= set.DragAfterS || p.outcome != coupling.Parted) {
		// That the speeds had not parted does not show that the clutch held.
		d.counts.add(false, false)
		return
	}
	f := Finding{Kind: KindReleaseLag, Class: Normal, Start: p.fall.early, End: max(m.at, p.part.Late), Context: p.ctx}
	switch {
	case p.outcome == coupling.Stalled:
		f.Class, f.Severity = ReleaseStall, 1
	case dragged && (!p.command || lag >= set.DragAfterS):
		f.Class, f.Severity = ReleaseDragging, 0.95
	case late || p.outcome == coupling.Held && p.command:
		f.Class, f.Severity = ReleaseLate, min(0.9, 0.6+float64(0.1*lag))
	case p.outcome != coupling.Parted:
		d.counts.add(true, false)
		return
	}
	f.Keep = f.Class != Normal
	hit := f.Keep
	d.counts.add(true, hit)
	d.told = d.told || p.stop
	// What the state was while it held.
	if p.outcome == coupling.Parted && p.command {
		// It was counted as holding up to the first row that was apart.
		if back := (p.away - p.part.At).Seconds(); back > 0 && m.state == open {
			led.lockup.move(coast, open, back)
		}
	}
	if p.command {
		f.Measures = append(f.Measures, LagS.of(lag))
	} else {
		low = 0
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
	f.Measures = append(f.Measures,
		LagMinS.of(low),
		LagMaxS.of(high),
		slipWasRPM.of(p.base),
		releaseEngineRPM.of(p.engineLow),
		releaseTurbine.of(p.turbineLow))
	if p.command {
		f.Measures = append(f.Measures, releaseCommand.of(p.fall.from))
		f.Instants = append(f.Instants, Instant{"command fell", p.fall.mid(), p.fall.early, p.fall.late})
	} else {
		f.Instants = append(f.Instants, Instant{"certainly closed", p.fall.early, p.fall.early, p.fall.early})
	}
	name := "speeds parted"
	if p.outcome == coupling.Stalled {
		name = "engine died"
	}
	f.Instants = append(f.Instants, Instant{name, p.part.At, p.part.Early, p.part.Late})
	if p.command && s.cmd.role != stream.ClutchPressureCommand {
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
	if m.tol > 0 {
		f.MissingInputs = append(f.MissingInputs, "turbine_speed")
	}
	f.MissingInputs = append(f.MissingInputs, missingInputs(m.row, stream.FluidTemperature)...)
	var percentiles []Percentile
	if p.command && p.outcome == coupling.Parted {
		percentiles = s.out.history.percentile(key, lag)
		s.out.history.add(key, round(lag, 0.001))
	}
	s.out.finding(&f, percentiles)
}

// lateMargin is the most by which a lag that is not well known must be beyond
// the limit, in s.
const lateMargin = 0.07

// seconds turns seconds into an instant's unit.
func seconds(x float64) bus.Micros { return bus.Micros(x * 1e6) }
