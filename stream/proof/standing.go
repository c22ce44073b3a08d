package proof

import (
	"fmt"

	"joltwatch/stream"
)

// standing: after a stop in gear, with the engine running, the turbine stands
// with the wheels. A stop rolled out in neutral shows nothing.
type standing struct {
	stop                      int
	engine, turbine           float64
	n                         int
	stands, turns, engineDead int
}

func (p *standing) row(s *scene) {
	if s.stops != p.stop {
		p.judge()
		p.stop, p.engine, p.turbine, p.n = s.stops, 0, 0, 0
	}
	if s.stopped && s.standS < 3 && s.slipKnown && !(s.r.Has(stream.Gear) && s.gear == stream.GearNeutral) {
		p.engine += s.engine
		p.turbine += s.turbine
		p.n++
	}
}

func (p *standing) judge() {
	if p.n < 2 {
		return
	}
	e, t := p.engine/float64(p.n), p.turbine/float64(p.n)
	switch {
	case e < 150 && t > 300:
		p.engineDead++
	case e < 150: // stopped itself
	case t < 0.4*e:
		p.stands++
	case t > 0.7*e:
		p.turns++
	}
}

func (p *standing) statements(s *scene) []Statement {
	if !s.mapped[stream.EngineSpeed] || !s.mapped[stream.TurbineSpeed] {
		return nil
	}
	p.judge()
	p.n = 0
	x := Statement{What: "turbine at standstill"}
	switch {
	case p.engineDead > p.stands:
		x.Verdict = Against
		x.Says = fmt.Sprintf("at standstill engine_speed stands and turbine_speed turns, in %d stops", p.engineDead)
		x.Change = "the signals of engine_speed and turbine_speed: exchange them"
	case p.turns > p.stands && p.turns > 1:
		x.Verdict = Against
		x.Says = fmt.Sprintf("turbine_speed turns on at standstill in gear, in %d of %d stops", p.turns, p.turns+p.stands)
		x.Change = "turbine_speed: its signal is not the gearbox input shaft"
	case p.stands > 0:
		x.Verdict = Shown
		x.Says = fmt.Sprintf("stands while the engine runs, in %d stops", p.stands)
	default:
		x.Says = "no stop in gear with the engine running yet"
	}
	return []Statement{x}
}

// idle: an engine idles between 450 and 1300 rpm, and as the file says.
type idle struct {
	all            spread
	zero           uint64
	last           float64
	crawls, turned uint64 // rows while it crawls, and those of them in which an engine turns
}

const (
	idleLow, idleHigh = 450, 1300
	// idleShare is how far the stated idle may lie from the slowest tenth: cold
	// engines idle faster, and a fan or a compressor adds a little.
	idleShare = 0.14
	// crawlLow and crawlHigh, km/h: a wheel is far slower there than any engine.
	crawlLow, crawlHigh = 2, 10
	// stoppedRPM is above what a noisy sensor says of an engine that stands.
	stoppedRPM = 40
)

func (p *idle) row(s *scene) {
	if s.hasRoad && s.road > crawlLow && s.road < crawlHigh && s.r.Has(stream.EngineSpeed) {
		p.crawls++
		if s.engine > idleLow {
			p.turned++
		}
	}
	if s.standS < 1.5 || !s.r.Has(stream.EngineSpeed) {
		return
	}
	if s.r.Has(stream.Accelerator) && s.r.V[stream.Accelerator] > 9 { // many a pedal rests at 5
		return
	}
	if s.engine < stoppedRPM {
		p.zero++ // on purpose or by the key
		return
	}
	if last := p.last; abs(s.engine-last) < 0.03*last+3 { // neither starting nor stopping
		p.all.add(s.engine)
	}
	p.last = s.engine
}

func (p *idle) statements(s *scene) []Statement {
	if !s.mapped[stream.EngineSpeed] {
		return nil
	}
	x := Statement{What: "idle speed"}
	v, share := p.all.densest(0.05)
	low := p.all.quantile(0.25)
	want := s.facts.IdleRPM
	switch {
	case p.all.n < 20 && p.zero > 100 && s.stops > 1 && !s.facts.StopStart && p.crawls > 20 && 4*p.turned > 3*p.crawls:
		x.Verdict, x.Says = Shown, "the engine stops itself whenever the vehicle stands: stop_start = true in the vehicle file says so"
	case p.all.n < 20 && p.zero > 100 && s.stops > 1 && !s.facts.StopStart:
		return []Statement{{"idle speed", Against, "engine_speed is 0 whenever the vehicle stands",
			"engine_speed: its signal follows the wheels, not the engine; or stop_start = true, if it stops itself"}}
	case p.all.n < 20 || share < 0.25:
		x.Says = "no standstill with the engine running yet"
	case v < idleLow || v > idleHigh:
		x.Verdict = Against
		x.Says = fmt.Sprintf("engine_speed is %.0f rpm at standstill, and engines idle at %d to %d", v, idleLow, idleHigh)
		x.Change = "engine_speed: " + scaleHint(v/750)
	case want > 0 && (low > want*(1+2*idleShare) || v < want*(1-idleShare) || v > want*(1+idleShare) && share > 0.5 && low > want*(1+idleShare)):
		x.Verdict = Against
		x.Says = fmt.Sprintf("engine_speed is %.0f rpm at standstill; the vehicle file says %.0f", v, want)
		x.Change = fmt.Sprintf("idle_rpm = %.0f, if the engine was warm", v)
	default:
		x.Verdict, x.Says = Shown, fmt.Sprintf("%.0f rpm at standstill", v)
	}
	return []Statement{x}
}
