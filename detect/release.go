package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// releaseLag times how long the speeds go on moving together after the command
// has fallen. It decides by whether slip departs from what it was while the
// clutch was engaged, not by whether slip is small: in a stop the turbine
// passes through engine speed, and small slip proves nothing.
type releaseLag struct {
	// While engaged: slip's running mean and spread, rpm.
	base, noise float64
	engagedS    float64

	on      bool // a release is being followed
	fell    Instant
	upper   bool // no command: the fall is the last instant that was certain
	context Context
	kmh     float64
	points  [maxPoints]point // from the fall on
	n       int
	same    int // points up to this one moved together
	away    int // points in a row that did not
	lowest  float64
	moved   bool // the row proves that the clutch is open in this stop
}

type point struct {
	at              bus.Micros
	slip, turbine   float64
	prev            bus.Micros // the older of the two speeds' samples before it
	engine, spacing float64
}

// maxPoints bounds a release: 8 s at 100 Hz.
const maxPoints = 800

func (d *releaseLag) init() { d.reset() }

func (d *releaseLag) reset() {
	d.on, d.n, d.same, d.away, d.engagedS = false, 0, 0, 0, 0
}

// together reports whether a release is being followed in which the speeds
// have not parted yet.
func (d *releaseLag) together() bool { return d.on && d.away == 0 }

func (d *releaseLag) forget(m *Monitor) {
	if d.on {
		m.account.unobservable(KindReleaseLag)
	}
	d.reset()
}

// band is the departure of slip that is more than noise, rpm.
func (d *releaseLag) band(m *Monitor) float64 {
	return max(m.set.ReleaseLag.PartRPM/4, 4*d.noise) + m.now.tol
}

func (d *releaseLag) row(m *Monitor) {
	n := &m.now
	d.moved = false
	if !n.known {
		d.forget(m)
		return
	}
	if !d.on {
		if m.command.fellNow && d.engagedS >= 0.3 {
			d.start(m, m.command.fell)
		} else {
			d.engaged(m)
		}
		return
	}
	d.follow(m)
}

// engaged keeps slip's running mean and spread while the clutch is on.
func (d *releaseLag) engaged(m *Monitor) {
	n := &m.now
	if n.state != Closed && n.state != Coast && n.state != Partial || n.command < 0 || !m.segment.moving {
		d.engagedS = 0
		return
	}
	if d.engagedS == 0 {
		d.base, d.noise = n.slip, 2
	}
	k := min(1, n.dt/0.25)
	dev := math.Abs(n.slip - d.base)
	if dev > 60 {
		d.engagedS = 0
		return
	}
	d.base += float64(k * (n.slip - d.base))
	d.noise += float64(k / 2 * (dev - d.noise))
	d.noise = min(max(d.noise, 1), 15)
	d.engagedS += n.dt
}

func (d *releaseLag) start(m *Monitor, fell Instant) {
	d.on, d.fell, d.n, d.same, d.away = true, fell, 0, 0, 0
	d.context = m.context(m.now.row)
	d.kmh = m.segment.kmh
	d.lowest = math.Inf(1)
	m.account.seen(KindReleaseLag)
	d.follow(m)
}

func (d *releaseLag) follow(m *Monitor) {
	n := &m.now
	r := n.row
	if m.command.now > 0 {
		// Called back before the speeds parted.
		d.reset()
		return
	}
	e, t := r.V[stream.EngineSpeed], r.V[stream.TurbineSpeed]
	if d.n < maxPoints {
		d.points[d.n] = point{at: r.At, slip: n.slip, turbine: t, engine: e,
			prev: min(r.Prev[stream.EngineSpeed], r.Prev[stream.TurbineSpeed])}
		d.n++
	}
	off := math.Abs(n.slip - d.base)
	if off <= d.band(m) {
		d.same, d.away = d.n, 0
		d.lowest = min(d.lowest, e)
	} else {
		d.away++
	}
	switch {
	case d.away >= 3 && off >= max(m.set.ReleaseLag.PartRPM+n.tol, 2*d.band(m)):
		d.parted(m, false)
	case e < 200 && d.away == 0 && m.segment.kmh < 15:
		d.parted(m, true)
	case (r.At-d.fell.Late).Seconds() > m.set.ReleaseLag.GiveUpS || d.n == maxPoints:
		m.account.unobservable(KindReleaseLag)
		d.reset()
	}
}

// parted ends the release that was followed: the speeds have parted, or the
// engine died while they had not.
func (d *releaseLag) parted(m *Monitor, stall bool) {
	set := &m.set.ReleaseLag
	end := m.now.row.At
	first := d.same // index of the first point beyond the band
	if first >= d.n {
		first = d.n - 1
	}
	late := d.points[first].at
	at, early := late, d.fell.Early
	if first > 0 {
		early = d.points[first-1].prev
		at = d.points[first-1].at
	}
	if !stall {
		// Slip grew before it left the band: back along its first rise.
		k := min(first+3, d.n-1)
		dt := (d.points[k].at - d.points[first].at).Seconds()
		if rate := math.Abs(d.points[k].slip-d.points[first].slip) / max(dt, 1e-3); k > first && rate > 1 {
			back := bus.Micros(math.Abs(d.points[first].slip-d.base) / rate * 1e6)
			at = max(late-back, d.fell.At)
			early = min(early, at-back/2)
		}
	}
	// Where the turbine did not move enough between two instants, the speeds
	// may have parted at any of them.
	window := set.WindowRPM
	ref := d.points[max(first-1, 0)].turbine
	for i := first - 1; i >= 0 && math.Abs(d.points[i].turbine-ref) < window; i-- {
		if d.points[i].prev < early && d.points[i].at < at {
			early = d.points[i].prev
		}
	}
	early = max(early, d.fell.Early)
	at = max(at, early)
	span := 0.0
	for i := 0; i < first; i++ {
		span = max(span, math.Abs(d.points[i].turbine-d.points[0].turbine))
	}
	lag := (at - d.fell.At).Seconds()
	lagMin := max(0, (early - d.fell.Late).Seconds())
	lagMax := (late - d.fell.Early).Seconds()
	dragged := d.lowest < set.DragShare*m.idleRPM() && lag > 0.3 && span >= window
	f := &Finding{
		Kind: KindReleaseLag, Start: d.fell.Early, End: end, Context: d.context,
		Measures: []Measure{
			{"lag_s", round(lag, 0.001)}, {"lag_min_s", round(lagMin, 0.001)}, {"lag_max_s", round(lagMax, 0.001)},
			{"turbine_at_parting_rpm", round(d.points[max(first-1, 0)].turbine, 1)},
			{"speed_at_fall_kmh", round(d.kmh, 0.1)},
			{"slip_before_rpm", round(d.base, 0.1)},
		},
		Instants: []Instant{d.fell, {"speeds parted", at, early, late}},
		Lacking:  m.lacking(stream.ClutchPressureCommand, stream.ClutchPressure, stream.FluidTemperature),
	}
	if !math.IsInf(d.lowest, 1) {
		f.Measures = append(f.Measures, Measure{"engine_lowest_together_rpm", round(d.lowest, 1)})
	}
	switch {
	case stall:
		f.Class, f.Worth, f.Keep = "stall", 1, true
	case dragged:
		f.Class, f.Worth, f.Keep = "dragging", 0.95, true
	case lagMin > set.LimitS:
		f.Class, f.Worth, f.Keep = "late", 0.9, true
	default:
		f.Class = "normal"
	}
	m.account.observable(KindReleaseLag)
	m.emit(f)
	m.account.released = true
	d.reset()
}
