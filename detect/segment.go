package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// Drives and stops. A drive begins when the engine runs; it ends when the
// engine has stood for a while, or nothing is heard for a while. A stop is
// counted at standstill after the vehicle moved at stopFromKmh or more.
const (
	runningRPM      = 350 // below it an engine is being cranked or stopping
	engineOffS      = 5
	engineOffStopS  = 300 // with stop-start a standing engine ends nothing for long
	endAfterGapS    = 10
	movingKmh       = 2.0 // wheel sensors tell nothing below about 2 km/h
	movingOutputRPM = 35  // the same, where only the output shaft is known
	stopFromKmh     = 8.0
)

type segment struct {
	drive int
	on    bool
	from  bus.Micros
	offS  float64 // how long the engine has stood

	moving  bool
	kmh     float64
	hasKmh  bool
	fastest float64 // since the last standstill, km/h
	// stopped is true on the row at which a stop is complete.
	stopped bool
	stops   int
}

func (s *segment) end() {
	*s = segment{drive: s.drive}
}

func (s *segment) row(m *Monitor) {
	r := m.now.row
	s.stopped = false
	if r.Has(stream.EngineSpeed) {
		if r.V[stream.EngineSpeed] >= runningRPM {
			s.offS = 0
			if !s.on {
				s.on, s.from, s.drive = true, r.At, s.drive+1
				m.handed = r.At
			}
		} else {
			s.offS += m.now.dt
		}
	}
	if !s.on {
		return
	}
	limit := float64(engineOffS)
	if m.plan.Facts.StopStart {
		limit = engineOffStopS
	}
	if s.offS > limit {
		m.endDrive(r.At)
		return
	}
	s.speed(m)
	if s.hasKmh {
		s.fastest = max(s.fastest, s.kmh)
		if !s.moving && s.fastest >= stopFromKmh {
			s.stopped = true
			s.stops++
		}
		if !s.moving {
			s.fastest = 0
		}
	}
}

// speed finds the road speed: as broadcast, else from the output shaft.
func (s *segment) speed(m *Monitor) {
	r := m.now.row
	s.hasKmh = true
	per := m.plan.Facts.OutputPerKmh
	switch {
	case r.Has(stream.VehicleSpeed):
		s.kmh = r.V[stream.VehicleSpeed]
	case r.Has(stream.OutputSpeed) && per > 0:
		s.kmh = r.V[stream.OutputSpeed] / per
	case r.Has(stream.OutputSpeed):
		s.kmh = r.V[stream.OutputSpeed] * movingKmh / movingOutputRPM
	default:
		s.hasKmh, s.moving = false, false
		return
	}
	if s.moving {
		s.moving = s.kmh > 0.75*movingKmh
	} else {
		s.moving = s.kmh > movingKmh
	}
}

// idleRPM is the idle speed, nominal or a common one (common practice, no
// source).
func (m *Monitor) idleRPM() float64 {
	if f := m.plan.Facts.IdleRPM; f > 0 {
		return f
	}
	return 600
}
