package state

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// commandTrack follows what the controller tells the clutch, sample by sample,
// so that an edge lies between the two samples that show it.
type commandTrack struct {
	set *ClutchSettings
	// role is the one in use: the pressure command, else the duty or state,
	// else the reported state, whichever has spoken lately.
	role stream.Role
	has  bool
	// high is the highest command seen for three samples running, so that a
	// single wrong value does not set the level.
	high   [stream.NumRoles]float64
	recent [3]float64
	seen   int
	// learned are the levels by what the speeds showed; until they are there the
	// levels are shares of the highest. relevel: they are others now, and what
	// changes by that is no edge.
	learned levels
	relevel bool
	drift   drift

	known   bool
	engaged bool
	value   float64
	last    bus.Micros

	edges      [16]Edge
	first, end int
}

// commandRoles are the roles that have a rank, as bits: most samples have none, and
// nothing more is asked of them.
const commandRoles = uint32(1)<<stream.ClutchPressureCommand | 1<<stream.ClutchCommand | 1<<stream.LockupState

func commandRank(r stream.Role) int {
	switch r {
	case stream.ClutchPressureCommand:
		return 3
	case stream.ClutchCommand:
		return 2
	case stream.LockupState:
		return 1
	}
	return 0
}

// staleCommand is how long a better role may be silent before a lesser one
// takes over.
const staleCommand = 2 * bus.Second

func (c *commandTrack) take(s *stream.Sample) {
	if !s.OK {
		return
	}
	if !c.has || s.Role != c.role {
		if c.has && s.At-c.last < staleCommand && commandRank(s.Role) <= commandRank(c.role) {
			return
		}
		c.role, c.has, c.known, c.seen = s.Role, true, false, 0
	}
	early := s.At - bus.Micros(s.Early)
	c.recent[c.seen%3] = s.Value
	c.seen++
	if c.seen >= 3 {
		if low := min(c.recent[0], c.recent[1], c.recent[2]); low > c.high[s.Role] {
			c.high[s.Role] = low
		}
	}
	release, apply := c.levels(s.Role)
	var engaged bool
	switch {
	case !c.known:
		engaged = s.Value > apply
	case c.engaged:
		engaged = s.Value > c.drift.take(s.At, s.Value, release, c.floor(s.Role), c.set.LevelSteadyS)
	default:
		engaged = s.Value > apply
	}
	if c.known && !c.relevel && engaged != c.engaged {
		c.edges[c.end%len(c.edges)] = Edge{Early: c.last, Late: s.At, Rise: engaged, From: c.value}
		c.end++
		if c.end-c.first > len(c.edges) {
			c.first = c.end - len(c.edges)
		}
	}
	c.known, c.engaged, c.relevel = true, engaged, false
	c.value, c.last = s.Value, early
}

func (c *commandTrack) levels(r stream.Role) (release, apply float64) {
	if r == stream.LockupState {
		return 0.5, 0.5
	}
	release = float64(c.set.ReleaseLevel * c.high[r])
	apply = float64(c.set.ApplyLevel * c.high[r])
	if l := c.learned.sums(r); l != nil && l.known {
		// What holds may have been seen only well above what closes.
		release = min(l.release, release)
		return release, min(l.apply, max(apply, release))
	}
	release = max(c.floor(r), release)
	return release, max(release, apply)
}

// floor is a command that is nothing, whatever the highest is.
func (c *commandTrack) floor(r stream.Role) float64 {
	switch r {
	case stream.LockupState:
		return 0.5
	case stream.ClutchPressureCommand:
		return c.set.FloorKPa
	}
	return 5 // duty cycles rest at a few percent (cp)
}

// at brings a moment up to what the command was then.
func (c *commandTrack) at(m *Moment) {
	m.HasCommand = c.has && c.known && m.Row.Has(c.role)
	m.PressureKPa, m.HasPressure = m.Row.V[stream.ClutchPressureCommand], m.Row.Has(stream.ClutchPressureCommand)
	if m.HasCommand && c.role != stream.LockupState {
		m.HasLevel, m.Level = true, m.Row.V[c.role]
	}
	if m.HasCommand && c.learned.row(m, c.role) {
		c.relevel = true
	}
	// Samples run ahead of rows: the state now is that before the first edge
	// still to come.
	if c.first < c.end && c.edges[c.first%len(c.edges)].Late <= m.At {
		m.Edge = c.edges[c.first%len(c.edges)]
		c.first++
		m.Rose, m.Fell = m.Edge.Rise, !m.Edge.Rise
	}
	m.Engaged = c.engaged
	if c.first < c.end {
		m.Engaged = !c.edges[c.first%len(c.edges)].Rise
	}
}

// forget drops edges still to come (the clock has jumped).
func (c *commandTrack) forget() { c.first, c.known = c.end, false }

// onlyState reports whether a reported state is all that is known of the command.
func (c *commandTrack) onlyState() bool { return c.has && c.role == stream.LockupState }

// ClutchSettings judge the state of the clutch.
type ClutchSettings struct {
	ReleaseLevel     float64 `toml:"release_level"`
	ApplyLevel       float64 `toml:"apply_level"`
	FloorKPa         float64 `toml:"floor_kpa"`
	LearnedRelease   float64 `toml:"learned_release"`
	LearnedApply     float64 `toml:"learned_apply"`
	LevelSteadyS     float64 `toml:"level_steady_s"`
	LevelOpenS       float64 `toml:"level_open_s"`
	LevelHeldS       float64 `toml:"level_held_s"`
	HeldRPM          float64 `toml:"held_rpm"`
	ClosedRPM        float64 `toml:"closed_rpm"`
	OpenRPM          float64 `toml:"open_rpm"`
	DwellS           float64 `toml:"dwell_s"`
	CoupledRangeRPM  float64 `toml:"coupled_range_rpm"`
	CoupledSpreadRPM float64 `toml:"coupled_spread_rpm"`
	CoupledSpread    float64 `toml:"coupled_spread"`
	CoupledWindowS   float64 `toml:"coupled_window_s"`
}
