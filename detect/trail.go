package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// trail keeps the speeds of the last seconds for those that look back.
type trail struct {
	p   [trailLen]point
	end int // counting all ever added
	// from is the first that belongs to the present stretch without gaps.
	from int
}

// trailLen holds 8 s of rows at 100 Hz; denser rows are thinned.
const (
	trailLen   = 1024
	trailPitch = 8000 * bus.Micros(1)
)

// point is the speeds at one row. early and late bound when they were true.
type point struct {
	at, early, late bus.Micros
	engine, turbine float64
	tol, grain      float64
}

func (p *point) slip() float64 { return p.engine - p.turbine }

func (t *trail) add(m *moment) {
	if !m.hasSlip {
		return
	}
	if m.gap || t.end > t.from && m.at-t.p[(t.end-1)%trailLen].at > 2*bus.Second {
		t.from = t.end
	}
	if t.end > t.from && m.at-t.p[(t.end-1)%trailLen].at < trailPitch {
		return
	}
	r := m.row
	t.p[t.end%trailLen] = point{
		at:     m.at,
		early:  min(r.Prev[stream.EngineSpeed], r.Prev[stream.TurbineSpeed]),
		late:   max(r.Next[stream.EngineSpeed], r.Next[stream.TurbineSpeed], m.at),
		engine: m.engine, turbine: m.turbine, tol: m.tol, grain: m.grain,
	}
	t.end++
	if t.end-t.from > trailLen {
		t.from = t.end - trailLen
	}
}

// after returns the index of the first point at or after an instant.
func (t *trail) after(at bus.Micros) int {
	lo, hi := t.from, t.end
	for lo < hi {
		mid := lo + (hi-lo)/2
		if t.p[mid%trailLen].at < at {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// rate is how fast the turbine turns up or down at the end, in rpm/s.
func (t *trail) rate() float64 {
	if t.end-t.from < 2 {
		return 0
	}
	a, b := t.get(t.end-2), t.get(t.end-1)
	return abs(b.turbine-a.turbine) / (b.at - a.at).Seconds()
}

func (t *trail) get(i int) *point { return &t.p[i%trailLen] }

func (t *trail) forget() { t.from = t.end }
