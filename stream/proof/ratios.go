package proof

import (
	"fmt"
	"slices"

	"joltwatch/stream"
)

// ratios: in a gear that is held, turbine (or, with the clutch closed, engine)
// over output or road speed stands at one value, falls from gear to gear, and
// is what the vehicle file states.
type ratios struct {
	gears map[int]*spread
	// driven counts rows on the road by what the gear says.
	driven, inGear uint64
	direct         bool // by the turbine itself
}

func newRatios() *ratios { return &ratios{gears: map[int]*spread{}} }

func (p *ratios) row(s *scene) {
	r := s.r
	if !s.hasRoad || s.road < droveKmh {
		return
	}
	if r.Has(stream.Gear) {
		p.driven++
		if s.gear >= 1 {
			p.inGear++
		}
	}
	above := s.engine
	if s.mapped[stream.TurbineSpeed] {
		if !s.slipKnown {
			return
		}
		above, p.direct = s.turbine, true
	}
	if !r.Has(stream.Gear) || s.gear < 1 || s.gear > 24 || s.calmS < settleS || above <= 0 {
		return
	}
	x := p.gears[s.gear]
	if x == nil {
		x = &spread{}
		p.gears[s.gear] = x
	}
	x.add(above / p.below(s))
}

// below is the speed under the line: of the output shaft where it is mapped.
func (p *ratios) below(s *scene) float64 {
	if s.mapped[stream.OutputSpeed] {
		return abs(s.r.V[stream.OutputSpeed])
	}
	return s.road
}

// slipShare is how far engine speed may stay above what a ratio makes of the
// road speed because the clutch slips.
const slipShare = 0.12

// seenRatio is one gear's.
type seenRatio struct {
	gear     int
	v, share float64
}

// seen returns the gears whose ratio shows, from the lowest.
func (p *ratios) seen() []seenRatio {
	width, least := 0.015, 0.5
	if !p.direct {
		width, least = 0.03, 0.3
	}
	var out []seenRatio
	for g, x := range p.gears {
		if v, share := x.densest(width); x.n >= 60 && share >= least {
			out = append(out, seenRatio{g, v, share})
		}
	}
	slices.SortFunc(out, func(a, b seenRatio) int { return a.gear - b.gear })
	return out
}

func (p *ratios) statements(s *scene) []Statement {
	if !s.mapped[stream.Gear] {
		return nil
	}
	if p.driven > 300 && float64(p.inGear) < 0.2*float64(p.driven) {
		return []Statement{{"gear", Against, fmt.Sprintf("on the road the gear is a forward one in %.0f %% of the time", 100*float64(p.inGear)/float64(p.driven)),
			"gear: its signal or its states"}}
	}
	seen := p.seen()
	out := p.order(seen)
	if len(s.facts.Ratios) > 0 {
		out = append(out, p.stated(s, seen)...)
	}
	if p.direct {
		out = append(out, p.scattered(s)...)
	}
	if len(out) == 0 && len(seen) > 0 {
		out = append(out, Statement{"gears", Shown, fmt.Sprintf("the ratio of %d gears stands, and falls from gear to gear", len(seen)), ""})
	}
	return out
}

// order: the ratio falls as the gear rises.
func (p *ratios) order(seen []seenRatio) []Statement {
	for i := 1; i < len(seen); i++ {
		a, b := seen[i-1], seen[i]
		if b.v > a.v*1.05 {
			return []Statement{{"gears", Against, fmt.Sprintf("the ratio rises from %.3g in gear %d to %.3g in gear %d; it has to fall", a.v, a.gear, b.v, b.gear),
				"gear: its states are in the wrong order, or it is no gear; or the speeds are upside down"}}
		}
	}
	return nil
}

// scattered: a gear without one ratio is no gear, or a shaft is no shaft.
func (p *ratios) scattered(s *scene) []Statement {
	var all, stray uint64
	width := 0.03
	if !s.mapped[stream.OutputSpeed] {
		width = 0.06
	}
	for _, x := range p.gears {
		v, _ := x.densest(width)
		all += x.n
		stray += x.n - uint64(x.near(v, width)*float64(x.n))
	}
	if all > 500 && float64(stray) > 0.4*float64(all) {
		return []Statement{{"gears", Against, fmt.Sprintf("turbine over %s keeps to no ratio within a gear in %.0f %% of the time", belowName(s), 100*float64(stray)/float64(all)),
			"gear, turbine_speed or output_speed: one of the signals is another quantity"}}
	}
	return nil
}

func belowName(s *scene) string {
	if s.mapped[stream.OutputSpeed] {
		return "output_speed"
	}
	return "vehicle_speed"
}

// stated compares with the ratios of the vehicle file. Over road speed they
// hold up to one constant, which the file may state too.
func (p *ratios) stated(s *scene, seen []seenRatio) []Statement {
	constant, known := 1.0, true
	tolerance := 0.03
	if !s.mapped[stream.OutputSpeed] {
		constant, known = s.facts.OutputPerKmh, s.facts.OutputPerKmh > 0
		tolerance = 0.05
	}
	if !known {
		constant = middleConstant(s, seen)
	}
	var out []Statement
	wrong, factor := 0, 0.0
	for _, x := range seen {
		want := s.facts.Ratios[x.gear] * constant
		if want == 0 {
			if len(s.facts.Ratios) > 1 {
				out = append(out, Statement{fmt.Sprintf("gear %d", x.gear), Against, "is driven, and the vehicle file states no ratio for it", "ratios: add it, or the states of gear"})
			}
			continue
		}
		st := Statement{What: fmt.Sprintf("ratio in gear %d", x.gear), Verdict: Shown,
			Says: fmt.Sprintf("%.3f over %s in %.0f %% of the samples", x.v, belowName(s), 100*x.share)}
		if off := x.v/want - 1; off < -tolerance || off > tolerance && (p.direct || off > slipShare) {
			wrong++
			factor = x.v / want
			st.Verdict = Against
			st.Says += fmt.Sprintf("; the vehicle file says %.3f", want)
			st.Change = fmt.Sprintf("ratios: %d = %.3f", x.gear, x.v/constant)
		}
		out = append(out, st)
	}
	if wrong > 1 && wrong == len(seen) {
		return []Statement{{"ratios", Against, fmt.Sprintf("in all %d gears seen the ratio over %s is not the vehicle file's, in the last by a factor of %.3g", wrong, belowName(s), factor),
			fmt.Sprintf("ratios; or the scale of turbine_speed or %s (%s)", belowName(s), scaleHint(factor))}}
	}
	return out
}

// middleConstant is output rpm per km/h as the middle gear seen implies it.
func middleConstant(s *scene, seen []seenRatio) float64 {
	var c []float64
	for _, x := range seen {
		if r := s.facts.Ratios[x.gear]; r > 0 {
			c = append(c, x.v/r)
		}
	}
	if len(c) == 0 {
		return 0
	}
	slices.Sort(c)
	return c[len(c)/2]
}

// roadConstant: output shaft and road are joined by gears and tyres: one
// constant, stated or not. Engine over road speed keeps within a road
// vehicle's gearing where there is no output shaft.
type roadConstant struct{ ratio, engine spread }

// Bounds of output rpm per km/h, and of the tallest gear's engine rpm per km/h,
// from a lorry's to a small car's.
const (
	shaftLow, shaftHigh = 7, 75
	tallLow, tallHigh   = 10, 60
)

func (p *roadConstant) row(s *scene) {
	r := s.r
	if !r.Has(stream.VehicleSpeed) || r.V[stream.VehicleSpeed] < droveKmh {
		return
	}
	if r.Has(stream.OutputSpeed) {
		p.ratio.add(abs(r.V[stream.OutputSpeed]) / r.V[stream.VehicleSpeed])
	}
	if r.Has(stream.EngineSpeed) {
		p.engine.add(s.engine / r.V[stream.VehicleSpeed])
	}
}

func (p *roadConstant) statements(s *scene) []Statement {
	if !s.mapped[stream.VehicleSpeed] {
		return nil
	}
	if !s.mapped[stream.OutputSpeed] {
		return p.gearing()
	}
	x := Statement{What: "output against road speed"}
	v, share := p.ratio.densest(0.03)
	x.Says = fmt.Sprintf("output_speed is %.1f rpm for 1 km/h in %.0f %% of the driving", v, 100*share)
	want := s.facts.OutputPerKmh
	switch {
	case p.ratio.n < 60:
		x.Says = "not enough driving yet"
	case share < 0.7:
		x.Verdict, x.Change = Against, "output_speed or vehicle_speed: one of the signals is another quantity, or lies wrongly"
	case want > 0 && abs(v/want-1) > 0.05:
		x.Verdict = Against
		x.Says += fmt.Sprintf("; the vehicle file says %.1f", want)
		x.Change = fmt.Sprintf("output_speed, vehicle_speed (%s), or output_rpm_per_kmh = %.2f", scaleHint(v/want), v)
	case v < shaftLow || v > shaftHigh:
		x.Verdict, x.Change = Against, "output_speed or vehicle_speed: scale or unit; road vehicles have 7 to 75"
	default:
		x.Verdict = Shown
	}
	return []Statement{x}
}

func (p *roadConstant) gearing() []Statement {
	if p.engine.n < 100 {
		return nil
	}
	v := p.engine.quantile(0.05)
	x := Statement{What: "engine against road speed", Verdict: Shown, Says: fmt.Sprintf("%.0f rpm for 1 km/h in the tallest gear seen", v)}
	if v < tallLow || p.engine.quantile(0.02) > 3*tallHigh {
		x.Verdict, x.Change = Against, "engine_speed or vehicle_speed: scale or unit; road vehicles have 10 to 60 in top gear"
	}
	return []Statement{x}
}
