package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// segment cuts the rows into drives and stops.
type segment struct {
	set   *DriveSettings
	facts *stream.Facts

	drive   int
	inDrive bool
	running bool
	start   bus.Micros
	// heard is the last row in which the engine ran.
	heard bus.Micros
	// off is since when it is known to stand.
	off    bus.Micros
	hasOff bool

	moving bool
	rolled bool // has moved since the last stop
}

// rolledKmh is the speed that makes the next standstill a stop: creeping in a
// queue is no stop of its own.
const rolledKmh = 5.0

// follow takes the next row. It reports whether a drive began, whether one
// ended, and whether the vehicle came to a stop.
func (s *segment) follow(m *moment) (began, ended, stopped bool) {
	r := m.row
	if r.Has(stream.EngineSpeed) {
		rpm := r.V[stream.EngineSpeed]
		switch {
		case rpm >= s.set.RunningRPM:
			s.running, s.hasOff, s.heard = true, false, m.at
			if !s.inDrive {
				s.inDrive, began = true, true
				s.drive++
				s.start = m.at
			}
		case rpm < 0.6*s.set.RunningRPM:
			s.running = false
			if !s.hasOff {
				s.off, s.hasOff = m.at, true
			}
		case s.running:
			s.heard = m.at
		}
	}
	if s.inDrive && !began {
		limit := s.set.EndS
		if s.facts.StopStart && s.hasOff && r.Has(stream.EngineSpeed) {
			limit = s.set.StopStartS
		}
		if (m.at-s.heard).Seconds() > limit && (s.hasOff || (m.at-s.heard).Seconds() > max(limit, unheardS)) {
			s.inDrive, s.running, ended = false, false, true
		}
	}
	m.running = s.running && s.inDrive
	m.kmh, m.hasKmh = s.speed(r)
	if m.hasKmh {
		if m.kmh >= s.set.MovingKmh {
			s.moving = true
		} else if m.kmh < 0.9*s.set.MovingKmh {
			s.moving = false
		}
		if m.kmh > rolledKmh {
			s.rolled = true
		}
		if s.rolled && !s.moving && s.inDrive {
			s.rolled, stopped = false, true
		}
	}
	m.moving = s.moving && m.hasKmh && s.inDrive
	return began, ended, stopped
}

// expired reports whether the drive under way was over before a row at this
// instant: the buses went to sleep and have woken up since.
func (s *segment) expired(at bus.Micros) bool {
	limit := unheardS
	if s.facts.StopStart && s.hasOff {
		limit = max(limit, s.set.StopStartS)
	}
	return s.inDrive && (at-s.heard).Seconds() > limit
}

// unheardS is how long an engine speed that has merely fallen silent may stay
// so within one drive: a controller that restarts takes seconds.
const unheardS = 60.0

// speed returns the road speed without its sign, from road or output speed.
func (s *segment) speed(r *stream.Row) (float64, bool) {
	if r.Has(stream.VehicleSpeed) {
		return abs(r.V[stream.VehicleSpeed]), true
	}
	if r.Has(stream.OutputSpeed) {
		per := s.facts.OutputPerKmh
		if per <= 0 {
			// Output shafts turn 20-40 rpm for 1 km/h (cp): enough to tell
			// moving from standing.
			per = 30
		}
		return abs(r.V[stream.OutputSpeed]) / per, true
	}
	return 0, false
}

func (s *segment) sinceStart(at bus.Micros) float64 { return (at - s.start).Seconds() }

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}
