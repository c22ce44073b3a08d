package detect

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

// row takes a row and reports whether a stretch that lasts on is proven, and how
// much of it went before, once.
func (c *cruise) row(s *scene, m *moment) (now bool, before float64) {
	pedal, hasPedal := m.accelerator()
	loaded := hasPedal && pedal >= cruisePedal && m.hasKmh && m.kmh >= cruiseKmh && m.hasSlip && !m.gap &&
		m.tol <= cruiseTol && m.forward() && !m.shifting && m.sinceGear > 1 && m.sinceShift > 0.5
	most := s.set.Clutch.ClosedRPM + m.tol
	r := s.trail.Noise().RippleRPM
	if !loaded || abs(m.slip) > most+float64(3*r) {
		*c = cruise{}
		return false, 0
	}
	if c.n == 0 {
		c.from = m.at
	}
	c.n++
	c.sum += m.slip
	c.sum2 += float64(m.slip * m.slip)
	if (m.at-c.from).Seconds() < cruiseS || c.n < 8 {
		return c.proven, 0
	}
	n := float64(c.n)
	c.mean = c.sum / n
	c.sd = math.Sqrt(max(0, c.sum2/n-float64(c.mean*c.mean)))
	held := abs(c.mean) <= cruiseRPM+m.tol && c.sd <= max(4, 1.5*r)+m.grain
	if held && !c.proven {
		before = (m.at - c.from).Seconds()
	}
	c.proven = held
	// The next stretch stands for itself.
	c.from, c.n, c.sum, c.sum2 = m.at, 0, 0, 0
	return held, before
}
