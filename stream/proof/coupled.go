package proof

import (
	"fmt"
	"math"

	"joltwatch/stream"
)

// coupled: with the clutch closed engine and turbine turn as one, so their
// ratio lies at 1 for much of any drive.
type coupled struct{ ratio spread }

func (p *coupled) row(s *scene) {
	if s.slipKnown && s.hasRoad && s.road > droveKmh && s.turbine > 100 && s.engine > 100 {
		p.ratio.add(s.engine / s.turbine)
	}
}

func (p *coupled) statements(s *scene) []Statement {
	if !s.mapped[stream.EngineSpeed] || !s.mapped[stream.TurbineSpeed] {
		return nil
	}
	x := Statement{What: "engine against turbine"}
	v, share := p.ratio.densest(0.015)
	switch {
	case p.ratio.n < 100:
		x.Says = "not enough driving yet"
	case abs(v-1) < 0.025 && share > 0.1:
		x.Verdict = Shown
		x.Says = fmt.Sprintf("together for %.0f %% of the driving", 100*share)
	case v > 1.3 && share > 0.15 || v < 0.93 && share > 0.08:
		x.Verdict = Against
		x.Says = fmt.Sprintf("engine_speed stays at %.3g times turbine_speed (%.0f %% of the driving); a closed clutch makes it 1", v, 100*share)
		x.Change = "turbine_speed or engine_speed: " + scaleHint(1/v)
	case v < 1 && p.ratio.quantile(0.5) < 0.97:
		x.Verdict = Against
		x.Says = fmt.Sprintf("turbine_speed is above engine_speed for most of the driving (half of it below a ratio of %.2f)", p.ratio.quantile(0.5))
		x.Change = "turbine_speed, engine_speed: check both signals, their places and scales"
	default:
		x.Says = "they have not turned together yet: no closed clutch was seen"
	}
	return []Statement{x}
}

// scales are wrong factors with a usual cause.
var scales = []struct {
	factor float64
	cause  string
}{
	{2, "its scale is off by 2"}, {4, "its scale is off by 4"}, {8, "its scale is off by 8"},
	{10, "its scale is off by 10"}, {100, "its scale is off by 100"}, {256, "its byte order or start bit is wrong"},
	{1.609, "miles and kilometres are mixed up: give its unit"}, {3.6, "m/s and km/h are mixed up: give its unit"},
	{1.8, "degrees Fahrenheit and Celsius are mixed up: give its unit"},
	{9.81, "g and m/s² are mixed up: give its unit"}, {6.895, "psi and kPa are mixed up: give its unit"},
	{9.549, "rad/s and rpm are mixed up: give its unit"},
}

// scaleHint names the usual cause of a value that is factor times what it
// should be.
func scaleHint(factor float64) string {
	if !(factor > 0) {
		return "check its place and scale"
	}
	for _, c := range scales {
		if abs(abs(math.Log(factor))-math.Log(c.factor)) < 0.03 {
			return c.cause
		}
	}
	return "check its place and scale"
}

// signs: engine above turbine while the vehicle speeds up, not while it slows
// down; at least less so.
type signs struct {
	up, down       float64
	nUp, nDown     int
	negative, held int // slices speeding up with the engine clearly below, all
}

func (p *signs) row(*scene) {}

func (p *signs) slice(_ *scene, x *slice) {
	if !x.slipKnown || !x.oneGear || min(x.first, x.final) < 20 { // below, a stop has opened the clutch
		return
	}
	slip := x.slip / float64(x.n)
	switch {
	case x.faster():
		p.up += slip
		p.nUp++
		p.held++
		if slip < -25 {
			p.negative++
		}
	case x.slower():
		p.down += slip
		p.nDown++
	}
}

func (p *signs) statements(s *scene) []Statement {
	if !s.mapped[stream.EngineSpeed] || !s.mapped[stream.TurbineSpeed] {
		return nil
	}
	x := Statement{What: "slip under drive"}
	if p.nUp < 4 || p.nDown < 4 {
		x.Says = "not enough speeding up and slowing down yet"
		return []Statement{x}
	}
	up, down := p.up/float64(p.nUp), p.down/float64(p.nDown)
	x.Says = fmt.Sprintf("%.0f rpm while speeding up, %.0f while slowing down", up, down)
	switch {
	case 2*p.negative > p.held:
		x.Verdict = Against
		x.Says += "; an engine that drives turns faster than its turbine"
		x.Change = "engine_speed and turbine_speed: swapped, or one scale is wrong"
	case up < down-30:
		x.Verdict = Against
		x.Says += "; it should be the other way round"
		x.Change = "the recording's time, or the signals of engine_speed and turbine_speed"
	default:
		x.Verdict = Shown
	}
	return []Statement{x}
}

// reportedSlip: slip_reported is engine less turbine.
type reportedSlip struct{ same, turned, n float64 }

func (p *reportedSlip) row(s *scene) {
	if s.slipKnown && s.r.Has(stream.SlipReported) && s.turbine > 300 {
		d := s.engine - s.turbine
		p.same += min(abs(s.r.V[stream.SlipReported]-d), 300)
		p.turned += min(abs(s.r.V[stream.SlipReported]+d), 300)
		p.n++
	}
}

func (p *reportedSlip) statements(*scene) []Statement {
	if p.n < 200 {
		return nil
	}
	x := Statement{What: "reported slip", Verdict: Shown,
		Says: fmt.Sprintf("within %.0f rpm of engine less turbine", p.same/p.n)}
	switch {
	case p.turned < 0.7*p.same:
		x.Verdict, x.Change = Against, "slip_reported: its sign is turned, use a scale of the other sign"
		x.Says = "slip_reported is turbine less engine"
	case p.same/p.n > 120:
		x.Verdict, x.Change = Against, "slip_reported: check its place and scale"
		x.Says = fmt.Sprintf("slip_reported is %.0f rpm off engine less turbine", p.same/p.n)
	}
	return []Statement{x}
}
