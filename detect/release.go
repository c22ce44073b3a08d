package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/coupling"
	"joltwatch/stream"
)

// Release lag: from the instant the command falls below the release level to
// the instant the speeds stop moving together. Classes: late (beyond a limit),
// dragging (still coupled with the turbine below idle speed), stall (the
// engine died with the speeds still together), normal. Where no command is
// known the lag is an upper bound, counted from the last instant at which the
// clutch was certainly closed under drive, and only dragging and stall can be
// told; see coarseStop for turbine speeds that come from a coarse road speed.
type releaseLag struct {
	told bool // a release was observed since the last stop
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

func (d *releaseLag) row(s *scene, m *moment, stopped bool) {
	if s.part.has {
		d.parting(s, m, &s.part.result)
	}
	if m.hasKmh && m.kmh > rollingKmh {
		d.apart = false
	}
	if m.rose {
		d.told, d.apart = false, false
	}
	if d.coarse.row(s, m, stopped) {
		d.told = true
	}
	if m.running && m.hasSlip && !d.coarse.coarse && m.hasKmh && m.kmh < apartKmh && m.slip-m.tol > apartRPM {
		d.apart = true
	}
	if stopped {
		d.waiting = true
	}
	if d.waiting && (d.told || d.apart) {
		s.out.ledger.a.StopsObserved++
		*d = releaseLag{coarse: d.coarse}
	}
	if m.moving {
		d.waiting = false
	}
}

func (d *releaseLag) end(*scene) { *d = releaseLag{} }

func (d *releaseLag) parting(s *scene, m *moment, p *parting) {
	set := &s.set.ReleaseLag
	led := &s.out.ledger
	if !p.command && p.outcome == coupling.Parted && !p.stop {
		return // without a command only a stop says what let go
	}
	if p.outcome == coupling.Taken || p.outcome == coupling.Lost {
		led.opportunity(opRelease, false, false)
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
		led.opportunity(opRelease, false, false)
		return
	}
	f := Finding{Kind: KindReleaseLag, Class: "normal", Start: p.fall.early, End: max(m.at, p.part.Late), Context: p.ctx}
	switch {
	case p.outcome == coupling.Stalled:
		f.Class, f.Severity = "stall", 1
	case dragged && (!p.command || lag >= set.DragAfterS):
		f.Class, f.Severity = "dragging", 0.95
	case late || p.outcome == coupling.Held && p.command:
		f.Class, f.Severity = "late", min(0.9, 0.6+float64(0.1*lag))
	case p.outcome != coupling.Parted:
		led.opportunity(opRelease, true, false)
		return
	}
	f.Keep = f.Class != "normal"
	hit := f.Keep
	led.opportunity(opRelease, true, hit)
	d.told = d.told || p.stop
	// What the state was while it held.
	if p.outcome == coupling.Parted && p.command {
		// It was counted as holding up to the first row that was apart.
		if back := (p.away - p.part.At).Seconds(); back > 0 && m.state == open {
			led.lockup.move(coast, open, back)
		}
	}
	if p.command {
		f.Measures = append(f.Measures, measure("lag_s", lag, 0.001))
	} else {
		low = 0
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
	f.Measures = append(f.Measures,
		measure("lag_min_s", low, 0.001),
		measure("lag_max_s", high, 0.001),
		measure("slip_before_rpm", p.base, 0.1),
		measure("engine_low_rpm", p.engineLow, 0.1),
		measure("turbine_low_rpm", p.turbineLow, 0.1))
	if p.command {
		f.Measures = append(f.Measures, measure("command_before", p.fall.from, 0.1))
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
