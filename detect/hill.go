package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Hill slip: slip held for seconds at road speed under load with no gear
// change. Asked: the command went down with it (or the controller says that it
// regulates). Unasked: the command stands where it used to hold, and the slip
// grows. Where no command is known the two cannot be told apart, and the class
// is "unknown".
type hillSlip struct {
	on      bool
	ctx     Context
	quiet   float64 // seconds since slip last was held
	hillSum         // so far
	keep    hillSum // up to the last row in which it was held
	now     float64 // slip of the last second
	moved   float64 // seconds for which that has been at another level

	// hold is the command at which the clutch held, closed and under load.
	hold     float64
	holdS    float64
	lastGear int
	ready    bus.Micros
	chanced  float64 // seconds under load that could have shown it
	// proved is when a clutch without known command was last coupled under
	// load: an open converter at a steady pull looks like regulated slip.
	proved    bus.Micros
	hasProved bool
}

func (d *hillSlip) row(s *scene, m *moment) {
	set := &s.set.HillSlip
	a, hasPedal := m.accelerator()
	load := m.moving && m.hasKmh && m.kmh >= set.MinKmh && m.running && m.forward() && (!hasPedal || a >= set.MinAcceleratorPct)
	if m.gap || m.shifting || m.sinceShift < set.SettleS || m.rose || m.hasCommand && !m.engaged {
		d.ready = m.at + seconds(set.SettleS)
	}
	if m.rose || m.hasGear && m.gear != d.lastGear {
		d.ready = max(d.ready, m.at+seconds(set.SettleS))
	}
	d.lastGear = m.gear
	usable := load && m.hasSlip && m.at >= d.ready && m.tol <= tolUsable/2 && (!m.hasCommand || m.engaged)
	if !m.hasCommand && m.state == closed {
		d.proved, d.hasProved = m.at, true
	}
	// A clutch whose command is not known counts as open with so much slip.
	if !m.hasCommand && m.slip > s.set.Clutch.OpenRPM {
		usable = false
	}
	if usable {
		d.chanced += m.dt
		if d.chanced >= 60 {
			// A minute under load is one chance.
			d.chanced -= 60
			s.out.ledger.opportunity(opHill, true, false)
		}
		if m.state == closed && m.hasPressure && !d.on {
			if d.holdS == 0 {
				d.hold = m.command
			}
			d.holdS += m.dt
			d.hold += float64(min(1, m.dt/2) * (m.command - d.hold))
		}
	}
	limit := set.MinRPM + m.tol
	switch {
	case usable && m.slip >= limit:
		if d.on && d.levelled(m) {
			d.finish(s, m)
		}
		if !d.on {
			d.begin(s, m)
		}
		d.quiet = 0
		d.add(m)
		d.keep = d.hillSum
	case d.on:
		// Dips do not end it, but count only if it goes on.
		d.quiet += max(m.dt, 0.001)
		if !usable || d.quiet > dipS {
			d.finish(s, m)
			break
		}
		d.add(m)
	}
}

// dipS is how long a dip below the least slip may last within one finding.
const dipS = 0.5

// hillSum is what is summed up over a stretch of held slip.
type hillSum struct {
	start, last bus.Micros
	n           float64 // seconds
	sum         float64
	peak, low   float64
	command     float64 // summed over cn seconds
	cn          float64
	state       float64 // seconds in which the state said closed
	known       float64
	want        float64 // slip asked for, summed over wantN seconds
	wantN       float64
	hadTol      float64
}

// levelled reports whether the slip has settled at another level: another
// grade, another finding.
func (d *hillSlip) levelled(m *moment) bool {
	d.now += float64(min(1, m.dt) * (m.slip - d.now))
	mean := d.sum / max(d.n, 0.001)
	if d.n < 2 || abs(d.now-mean) < max(25, float64(0.35*mean)) {
		d.moved = 0
		return false
	}
	d.moved += m.dt
	return d.moved > 1
}

func (d *hillSlip) begin(s *scene, m *moment) {
	*d = hillSlip{on: true, now: m.slip, proved: d.proved, hasProved: d.hasProved, hold: d.hold, holdS: d.holdS,
		lastGear: d.lastGear, ready: d.ready, chanced: d.chanced, ctx: m.context(s.seg.sinceStart(m.at))}
	d.hillSum = hillSum{start: m.at, last: m.at, low: math.Inf(1)}
}

func (d *hillSum) add(m *moment) {
	d.last = m.at
	w := m.dt
	if d.n == 0 {
		w = min(w, 0.02)
	}
	d.n += w
	d.sum += float64(m.slip * w)
	d.peak = max(d.peak, m.slip)
	d.low = min(d.low, m.slip)
	d.hadTol = max(d.hadTol, m.tol)
	if m.hasPressure {
		d.command += float64(m.command * w)
		d.cn += w
	}
	if m.row.Has(stream.LockupState) {
		d.known += w
		if m.row.V[stream.LockupState] == stream.LockupClosed {
			d.state += w
		}
	}
	if m.row.Has(stream.SlipCommand) {
		d.want += float64(m.row.V[stream.SlipCommand] * w)
		d.wantN += w
	}
}

func (d *hillSlip) end(s *scene, m *moment) {
	if d.on {
		d.finish(s, m)
	}
	d.chanced = 0
}

func (d *hillSlip) finish(s *scene, m *moment) {
	set := &s.set.HillSlip
	d.on = false
	d.hillSum = d.keep
	long := (d.last - d.start).Seconds()
	if d.n <= 0 || long < min(set.MinS, set.UnaskedS) {
		return
	}
	mean := d.sum / d.n
	if d.cn == 0 && d.known == 0 && d.wantN == 0 && !(d.hasProved && d.start >= d.proved && d.start-d.proved < 3*bus.Second) {
		return // whether the clutch was on at all is not known
	}
	class := "unknown"
	command := 0.0
	if d.cn > 0 {
		command = d.command / d.cn
	}
	switch {
	case d.wantN > 0.5*d.n:
		class = "asked"
		if want := d.want / d.wantN; mean-want > max(30, float64(0.5*want)) {
			class = "unasked"
		}
	case d.known > 0.5*d.n && s.saysPartial:
		// The controller says whether it means to slip.
		class = "asked"
		if d.state > 0.7*d.known {
			class = "unasked"
		}
	case d.cn > 0.5*d.n && d.holdS >= 2:
		class = "asked"
		if command >= float64((1-set.AskedDip)*d.hold) {
			class = "unasked"
		}
	}
	if class == "unasked" && (mean < set.UnaskedRPM || long < set.UnaskedS) || class != "unasked" && long < set.MinS {
		return
	}
	f := Finding{Kind: KindHillSlip, Class: class, Start: d.start, End: d.last, Context: d.ctx,
		Severity: 0.2, Keep: class == "unasked"}
	switch class {
	case "unasked":
		f.Severity = min(0.9, 0.6+mean/1000)
	case "unknown":
		f.Severity = 0.3
	}
	f.Measures = append(f.Measures,
		measure("slip_mean_rpm", mean, 0.1), measure("slip_peak_rpm", d.peak, 0.1),
		measure("duration_s", long, 0.001), measure("slip_least_rpm", d.low, 0.1))
	if d.hadTol > 0 {
		f.Measures = append(f.Measures, measure("slip_tolerance_rpm", d.hadTol, 0.1))
		f.MissingInputs = append(f.MissingInputs, "turbine_speed")
	}
	if d.cn > 0 {
		f.Measures = append(f.Measures, measure("command_mean_kpa", command, 0.1))
		if d.holdS > 0 {
			f.Measures = append(f.Measures, measure("command_hold_kpa", d.hold, 0.1))
		}
	} else {
		f.MissingInputs = append(f.MissingInputs, "clutch_pressure_command")
	}
	f.MissingInputs = append(f.MissingInputs, missingInputs(m.row, stream.LockupState, stream.EngineTorque, stream.Accelerator)...)
	s.out.ledger.opportunity(opHill, true, class == "unasked")
	key := historyOf("slip_mean_rpm", &d.ctx)
	percentiles := s.out.history.percentile(key, mean)
	s.out.history.add(key, round(mean, 0.1))
	s.out.finding(&f, percentiles)
}
