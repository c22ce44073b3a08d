package state

import (
	"math"

	"joltwatch/bus"
)

// cruise proves a closed clutch without any command and without the turbine
// moving: an open converter that carries load slips, and cannot keep within a
// few rpm of nothing under the pedal (SAE J643: the capacity that it has left at
// a speed ratio of nearly 1 is next to none; how near is common practice).
type cruise struct {
	from      bus.Micros
	n         int
	sum, sum2 float64
	proven    bool
	unknown   float64 // s for which nothing had been known of the clutch
	mean, sd  float64 // of the stretch proven last, rpm
}

const (
	// cruiseS is how long it must be held, at no less than cruisePedal percent,
	// within cruiseRPM of nothing on the mean.
	cruiseS     = 2.0
	cruisePedal = 8.0
	cruiseRPM   = 6.0
	cruiseKmh   = 20.0
	// cruiseTol is the most that a derived turbine speed may be unsure by.
	cruiseTol = 8.0
)

// row takes a row and reports whether a stretch that lasts on is proven, and for how
// much of it nothing had been known of the clutch, once; was is what it was taken for.
func (c *cruise) row(s *Vehicle, m *Moment, was Clutch) (now bool, before float64) {
	pedal, hasPedal := m.Accelerator()
	loaded := hasPedal && pedal >= cruisePedal && m.HasKmh && m.Kmh >= cruiseKmh && m.HasSlip && !m.Gap &&
		m.TolRPM <= cruiseTol && m.Forward() && !m.Shifting && m.SinceGearS > 1 && m.SinceShiftS > 0.5
	most := s.set.Clutch.ClosedRPM + m.TolRPM
	r := s.trail.Noise().RippleRPM
	if !loaded || math.Abs(m.SlipRPM) > most+float64(3*r) {
		*c = cruise{}
		return false, 0
	}
	if c.n == 0 {
		c.from, c.unknown = m.At, 0
	} else if was == Unknown {
		c.unknown += m.DtS
	}
	c.n++
	c.sum += m.SlipRPM
	c.sum2 += float64(m.SlipRPM * m.SlipRPM)
	if (m.At-c.from).Seconds() < cruiseS || c.n < 8 {
		return c.proven, 0
	}
	n := float64(c.n)
	c.mean = c.sum / n
	c.sd = math.Sqrt(max(0, c.sum2/n-float64(c.mean*c.mean)))
	held := math.Abs(c.mean) <= cruiseRPM+m.TolRPM && c.sd <= max(4, 1.5*r)+m.StepRPM
	if held && !c.proven {
		before = c.unknown
	}
	c.proven = held
	// The next stretch stands for itself.
	c.from, c.n, c.sum, c.sum2 = m.At, 0, 0, 0
	return held, before
}
