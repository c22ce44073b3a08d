package elastic

import (
	"math"
	"math/rand/v2"

	"joltwatch/stream"
)

// resonance is noise of deviation 1 in a narrow band: a damped oscillator
// struck at random, its strength coming and going.
type resonance struct {
	hz, damping  float64
	x, v, gust   float64
	rnd          *rand.Rand
	gustS, swing float64
}

func (r *resonance) step() float64 {
	w := 2 * math.Pi * r.hz
	r.gust += -r.gust*step/r.gustS + math.Sqrt(2*step/r.gustS)*r.rnd.NormFloat64()
	hit := math.Sqrt(4*r.damping*w*w*w*step) * r.rnd.NormFloat64() * math.Exp(r.swing*r.gust-r.swing*r.swing)
	r.v += (-2*r.damping*w*r.v-w*w*r.x)*step + hit
	r.x += r.v * step
	return r.x
}

// newRipple returns noise in the shape of real closed slip. In two public
// recordings of a truck (30 s each; slip formed by interpolating engine speed,
// every 20 ms, and input shaft speed, every 10 ms, to common instants; seven
// stretches of 0.9 to 18.6 s with the clutch holding and no shift) closed slip
// deviates by 3.7 to 14 rpm and reaches 10 to 57; 70 to 92 % of its power lies
// between 2 and 8 Hz; its autocorrelation crosses zero after 50 to 75 ms, is
// -0.5 to -0.8 at 80 to 120 ms and comes back to +0.1 to +0.6 at 190 to
// 240 ms; its kurtosis is 2.6 to 6.5, so it comes in gusts. Most of it is the
// shaft's speed arriving 25 ms late, or through a filter of 20 to 30 ms:
// aligned, 0.6 to 2.3 rpm are left. Vehicles here have it both ways: a surge
// that engine and turbine share, seen through unlike filters, and this noise,
// which no alignment takes away.
func newRipple(rnd *rand.Rand) *resonance {
	return &resonance{hz: 4.8, damping: 0.24, gustS: 1.5, swing: 0.25, rnd: rnd}
}

// path is a speed on its way through filter and delay.
type path struct {
	filterS float64
	delay   int // ms
	y       float64
	ring    [128]float64
}

func (p *path) step(ms int64, x float64) {
	if p.filterS > 0 {
		p.y += (x - p.y) * step / (p.filterS + step)
	} else {
		p.y = x
	}
	p.ring[ms&127] = p.y
}

func (p *path) at(ms int64) float64 { return p.ring[(ms-int64(p.delay))&127] }

// senses is what the vehicle's sensors and controllers say. It is the Source
// of the wire.
type senses struct {
	p *plant
	c *control
	d *driver

	ms                      int64
	engine, turbine, output path
	road                    path
	ripple                  *resonance
	held                    float64 // 0…1, how far the clutch has been holding
	state                   [1024]uint8
	settledS                float64
	awake                   bool
	fluidC                  float64
	noise                   float64
	// brakeHides: the brake signal does not come.
	brakeHides bool
}

func newSenses(v *Vehicle, p *plant, c *control, d *driver, rnd *rand.Rand) *senses {
	s := &v.Sensing
	ms := func(x float64) int { return int(1000*x + 0.5) }
	return &senses{p: p, c: c, d: d, ripple: newRipple(rnd), noise: 1,
		engine:  path{filterS: s.EngineFilterS, delay: ms(s.EngineDelayS)},
		turbine: path{filterS: s.TurbineFilterS, delay: ms(s.TurbineDelayS)},
		output:  path{filterS: s.OutputFilterS, delay: ms(s.OutputDelayS)},
		road:    path{filterS: s.RoadFilterS, delay: ms(s.RoadDelayS)}}
}

// step takes the plant's speeds into the chain.
func (s *senses) step(ms int64) {
	s.ms = ms
	p := s.p
	to := 0.25
	if p.stuck {
		to = 1
	}
	s.held += (to - s.held) * step / 0.05
	ripple := s.ripple.step() * p.v.Sensing.RippleRPM * s.held
	if !p.running || p.engineRPM() < 500 {
		ripple = 0
	}
	s.engine.step(ms, p.engineRPM()+ripple)
	s.turbine.step(ms, p.turbineRPM())
	s.output.step(ms, p.outputRPM())
	s.road.step(ms, p.wheel*p.v.Body.WheelRadiusM*3.6)
	s.state[ms&1023] = s.stateNow()
}

// stateNow is the state that the controller reports, before its lag.
func (s *senses) stateNow() uint8 {
	switch s.p.v.Sensing.Report {
	case ReportCopy:
		return uint8(s.c.mode)
	case ReportSettle:
		if s.c.mode == modeOpen {
			s.settledS = 0
			return stream.LockupOpen
		}
		if math.Abs(s.p.slipRPM()) < 15 {
			s.settledS += step
		} else if s.settledS < s.p.v.Sensing.ReportLagS {
			s.settledS = 0
		}
		if s.settledS >= s.p.v.Sensing.ReportLagS {
			return stream.LockupClosed
		}
		return stream.LockupOpen
	}
	switch {
	case s.p.stuck && s.p.capacity > 8:
		return stream.LockupClosed
	case s.p.capacity > 8:
		return stream.LockupPartial
	}
	return stream.LockupOpen
}

// Awake, NoiseFactor, RoadKmh, LoadNm and Value make it a drive.Source.
func (s *senses) Awake() bool          { return s.awake }
func (s *senses) NoiseFactor() float64 { return s.noise }
func (s *senses) RoadKmh() float64     { return s.road.at(s.ms) }
func (s *senses) LoadNm() float64      { return s.p.load }

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// Value returns what the role's sensor or controller says.
func (s *senses) Value(r stream.Role) (float64, bool) {
	top := s.p.v.Sensing.CommandTop
	switch r {
	case stream.EngineSpeed:
		return s.engine.at(s.ms), true
	case stream.TurbineSpeed:
		return s.turbine.at(s.ms), true
	case stream.OutputSpeed:
		return s.output.at(s.ms), true
	case stream.VehicleSpeed:
		return math.Abs(s.road.at(s.ms)), true
	case stream.ClutchCommand, stream.ClutchPressureCommand:
		return top * s.c.command, true
	case stream.ClutchPressure:
		return top * s.p.pressure, true
	case stream.LockupState:
		lag := int64(0)
		if s.p.v.Sensing.Report != ReportSettle {
			lag = int64(1000 * s.p.v.Sensing.ReportLagS)
		}
		return float64(s.state[(s.ms-lag)&1023]), true
	case stream.Gear:
		return s.gear(), true
	case stream.Shifting:
		return flag(s.c.phase == phasePrepare || s.c.phase == phaseRatio), true
	case stream.Accelerator:
		return 100 * s.d.pedal, true
	case stream.EngineTorque:
		return s.p.load, true
	case stream.Brake:
		return flag(s.d.braking && !s.brakeHides), true
	case stream.FluidTemperature:
		return s.fluidC, true
	case stream.Acceleration:
		return s.p.accel, true
	}
	return 0, false
}

func (s *senses) gear() float64 {
	switch s.c.selector {
	case park:
		return stream.GearPark
	case neutral:
		return stream.GearNeutral
	case reverse:
		return stream.GearReverse
	}
	if s.p.v.Sensing.GearAnnounce && (s.c.phase == phasePrepare || s.c.phase == phaseRatio) {
		return float64(s.c.target)
	}
	return float64(s.c.gear)
}
