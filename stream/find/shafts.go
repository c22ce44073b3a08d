package find

import (
	"fmt"
	"math"

	"joltwatch/stream"
)

// shafts turns the triple into proposals with scales.
func (a *analysis) shafts() {
	r, t := a.result, a.triple
	engine := RoleResult{Role: stream.EngineSpeed}
	turbine := RoleResult{Role: stream.TurbineSpeed}
	output := RoleResult{Role: stream.OutputSpeed}
	if t == nil || !t.told(a.step) || !a.proved(t) {
		turbine.Why = a.whyNoTriple()
		output.Why = turbine.Why
		a.engineAlone(&engine)
		if t != nil {
			// Shown as what was tried, not as found.
			a.proposeOutputs(&output, a.proposeTurbines(&turbine, 0, 0))
		}
		r.Roles = append(r.Roles, engine, turbine, output)
		return
	}
	scale, offset := a.proposeEngines(&engine)
	engine.Found = true
	a.proposeOutputs(&output, a.proposeTurbines(&turbine, scale, offset))
	turbine.Found, output.Found = len(turbine.Proposals) > 0, len(output.Proposals) > 0
	r.Roles = append(r.Roles, engine, turbine, output)
	if idle, _ := a.engineSpeeds(t); idle > 0 {
		r.IdleRPM = math.Round((idle*scale+offset)/10) * 10
	}
}

// whyNoTriple says what was wrong with the best there is.
func (a *analysis) whyNoTriple() string {
	t := a.triple
	switch {
	case t != nil && t.coupled.share > 0.95:
		return "not found: the nearest to engine and turbine turn as one throughout, so no converter is to be seen; see --recipe for a drive that would show one"
	case t != nil && t.stepped > mostStepped:
		return "not found: the nearest to engine and turbine stand at ratios a gear's step apart, as the shafts of a gearbox with two clutches do, so no converter is to be seen"
	case t != nil && !t.told(a.step):
		return "two speeds follow the gears of a third, but engine and turbine were never seen apart: record a standstill in gear and a pull-away (see --recipe)"
	}
	return "not found: no three speeds do together what engine, turbine and output shaft do; what is listed is the nearest to it. They may not be sent on this bus, there may be no converter (a manual or twin-clutch gearbox, an electric drive), or the drive did not show them apart (see --recipe)"
}

// proposeEngines fills in engine speed, and returns the scaling of the triple's.
func (a *analysis) proposeEngines(engine *RoleResult) (scale, offset float64) {
	e := a.triple.engine
	known := a.s.answers.get(ParamEngineSpeed) != nil
	scale, offset, rounded, note := a.engineScaling()
	for _, x := range a.engines {
		p := x.engine.proposal(100 * x.score / mostScore)
		if x.engine == e {
			p.Scale, p.Offset, p.Rounded, p.Guessed = scale, offset, rounded, a.engineFit[e].r2 < leastR2
			p.Evidence = append(p.Evidence, note)
		} else if g := a.engineFit[x.engine]; known && g.r2 >= 0.9 {
			p.Scale, p.Offset, p.Rounded = g.round(0.01, (x.engine.hi-x.engine.lo)*g.scale, scalings())
			p.Evidence = append(p.Evidence, fmt.Sprintf("answers to the standard request fit with %.1f %% of their variance explained", 100*g.r2))
		} else {
			p.Scale, p.Guessed = scale/ratioOf(e, x.engine), true
		}
		p.Evidence = append(p.Evidence, x.engineEvidence(a.step)...)
		engine.Proposals = append(engine.Proposals, p)
	}
	engine.rank()
	return scale, offset
}

// proposeTurbines fills in turbine speed, and returns the scale of the triple's;
// scale and offset are the engine's, 0 where nothing is known of it.
func (a *analysis) proposeTurbines(turbine *RoleResult, scale, offset float64) (turbineScale float64) {
	for _, x := range a.turbines {
		p := x.turbine.proposal(100 * x.score / mostScore)
		measured := scale / math.Exp(x.coupled.log)
		p.Scale = x.turbineScale(scale)
		p.Rounded = p.Scale != measured
		if x.turbine == a.triple.turbine {
			turbineScale = p.Scale
			if scale > 0 && offset == 0 {
				p.Evidence = append(p.Evidence, fmt.Sprintf("scale from the closed clutch, where it must read as the engine does (%.5g measured)", measured))
			}
		}
		p.Evidence = append(p.Evidence, x.turbineEvidence()...)
		turbine.Proposals = append(turbine.Proposals, p)
	}
	turbine.rank()
	return turbineScale
}

// proposeOutputs fills in output speed.
func (a *analysis) proposeOutputs(output *RoleResult, turbineScale float64) {
	t := a.triple
	launch := t.stood(a.step)
	for _, x := range a.outputs {
		p := x.output.proposal(100 * x.score / mostScore)
		if turbineScale > 0 {
			ratio := x.ratios(turbineScale)
			scale, near := outputScale(ratio, turbineScale, launch)
			if scale == 0 {
				continue // no scale makes gear ratios of it
			}
			for i := range ratio {
				ratio[i] /= scale
			}
			p.Scale, p.Rounded, p.Guessed = scale, true, true
			why := "the most usual gear ratios"
			if near < 0.03 {
				why = "a pattern of gear ratios that has been published"
			}
			p.Evidence = append(p.Evidence, "scale guessed: it makes "+why+": "+list("%.3g", ratio))
			if x.output == t.output {
				a.result.Ratios = append(a.result.Ratios, ratio...)
				a.result.FirstGear = launch
			}
		}
		p.Evidence = append(p.Evidence, x.outputEvidence()...)
		output.Proposals = append(output.Proposals, p)
	}
	output.rank()
}

// engineScaling is rpm for one raw step of the triple's engine speed, and how it
// is known.
func (a *analysis) engineScaling() (scale, offset float64, rounded bool, note string) {
	e := a.triple.engine
	if f := a.engineFit[e]; f.r2 >= leastR2 {
		scale, offset, rounded = f.round(0.01, (e.hi-e.lo)*f.scale, scalings())
		return scale, offset, rounded, f.evidence(ParamEngineSpeed)
	}
	idle, working := a.engineSpeeds(a.triple)
	scale, note = engineScale(idle, working, math.Exp(a.triple.coupled.log))
	return scale, 0, true, note
}

// turbineScale is the turbine's scale that the closed clutch makes of the
// engine's.
func (t *speedTriple) turbineScale(engine float64) float64 {
	measured := engine / math.Exp(t.coupled.log)
	if v, ok := plausible(measured, 0.025, scalings()); ok {
		return v
	}
	return measured
}

// engineSpeeds are the idle speed and the middle speed while moving, in raw
// steps; 0 where not seen.
func (a *analysis) engineSpeeds(t *speedTriple) (idle, working float64) {
	var still, moving []float64
	for i, v := range t.output.grid {
		x := t.engine.grid[i]
		switch {
		case math.IsNaN(v + x), x < 0.06*t.engine.top:
		case v < 0.004*t.output.top:
			still = append(still, x)
		case v > 0.1*t.output.top:
			moving = append(moving, x)
		}
	}
	if float64(len(still))*a.step > 1 {
		idle = quantile(still, 0.3)
	}
	if len(moving) > 0 {
		working = quantile(moving, 0.5)
	}
	return idle, working
}

// proved says whether the recording has shown that the three are what they
// seem: at standstill the engine idles and the turbine is held; or the answers
// tell the engine, or on the road the three do all that can be seen there.
func (a *analysis) proved(t *speedTriple) bool {
	if t.stepped > mostStepped || t.runs < 0.97 || t.coupled.share > 0.95 || t.judged < leastScore {
		return false
	}
	if t.stood(a.step) {
		return t.stand >= 0.9 && t.held >= 0.2
	}
	if t.judged < roadScore {
		return false
	}
	return a.engineFit[t.engine].r2 >= 0.99 || len(t.gears) >= 3 && t.facesN >= 25 && a.ahead(t)
}

// ahead reports whether no other speed does nearly as well as the engine.
func (a *analysis) ahead(t *speedTriple) bool {
	for _, x := range a.engines {
		if x.judged > t.judged-margin && !x.engine.overlaps(t.engine) && !roughly(t.engine, x.engine) {
			return false
		}
	}
	return true
}
