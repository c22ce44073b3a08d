// Package calibrate estimates a vehicle's own measuring chain from its traffic:
// how much later the engine's speed comes than the turbine's and what filter it
// has passed, what closed slip does by itself, and the steps of the speeds. It
// is incremental and allocates nothing.
//
// The delay is where two signals that are the same but for it agree best (Knapp
// and Carter, IEEE TASSP 24(4), 1976; here the least squares over a grid of
// delays and filters). With the clutch closed, engine and turbine are the same
// signal; shifts, hard stops and a driveline that shakes are strong in both.
package calibrate

import (
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect/coupling"
)

const (
	// windowS is what one estimate of the delay looks at.
	windowS = 2.0
	// windowLen is the most points in it.
	windowLen = 256
	// rateSD is the least standard deviation of the turbine's rate, in rpm/s,
	// that reveals a delay: 10 ms make 1.2 rpm of slip then.
	rateSD = 120.0
	// rateS is the least time over which a rate is taken.
	rateS = 0.04
	// leftRPM is the most that the best alignment may leave over: more is
	// slip, not delay. leftShare is the same as a share of the turbine's
	// standard deviation.
	leftRPM, leftShare = 5.0, 0.06
	// keep is how many estimates are remembered, need how many make one that
	// is used.
	keep, need = 24, 2
	// calmS is what one estimate of ripple looks at.
	calmS = 3.0
	// calmRPM is the mean slip up to which a clutch under command is closed,
	// wildRPM the deviation above which it was not.
	calmRPM, wildRPM = 15.0, 15.0
	// Where nothing is known of a vehicle: engine speeds arrive 30 to 60 ms
	// after shaft speeds, or 20 ms before them (cp; the latter seen in a
	// recorded truck), and closed slip wanders by 4 to 7 rpm (recorded truck).
	priorUnsureS   = 0.08
	priorRippleRPM = 5.0
	// Bands of engine speed, each bandRPM wide from bandLow on, the last open.
	bands            = 6
	bandLow, bandRPM = 600.0, 400.0
)

// delays are the grid of the search, in ms, filters that of time constants.
const (
	delayLow, delayHigh, delayStep = -60, 120, 5
	delayCount                     = (delayHigh-delayLow)/delayStep + 1
)

var filters = [...]int{0, 20, 40, 60, 80, 100, 120}

// Memory is what is kept of a vehicle from one drive to the next.
type Memory struct {
	// Delays and Filters are the latest estimates, in ms, oldest first.
	Delays  []int `json:"delay_ms,omitempty"`
	Filters []int `json:"filter_ms,omitempty"`
	// Ripple is the variance of closed slip by band of engine speed, in rpm²,
	// and Seconds what each rests on.
	Ripple  [bands]float64 `json:"ripple_rpm2"`
	Seconds [bands]float64 `json:"ripple_s"`
	// EngineStep and TurbineStep are the quantisation steps in rpm, 0 where
	// not seen.
	EngineStep  float64 `json:"engine_step_rpm,omitempty"`
	TurbineStep float64 `json:"turbine_step_rpm,omitempty"`
}

// Summary is what is known of a vehicle's measuring chain, for people.
type Summary struct {
	// Aligned is true once the delay is known, from Windows stretches of
	// driving; DelayMs is how much later the engine's speed comes than the
	// turbine's (negative: earlier), FilterMs the time constant of the filter
	// that it has passed, UnsureMs how far their sum may be off.
	Aligned  bool    `json:"aligned"`
	DelayMs  float64 `json:"engine_later_ms"`
	FilterMs float64 `json:"engine_filter_ms"`
	UnsureMs float64 `json:"unsure_ms"`
	Windows  int     `json:"windows"`
	// RippleRPM is the standard deviation of closed slip, over ClosedS seconds.
	RippleRPM float64 `json:"closed_slip_sd_rpm"`
	ClosedS   float64 `json:"closed_s"`
	// Quantisation steps, 0 where not seen.
	EngineStepRPM  float64 `json:"engine_step_rpm"`
	TurbineStepRPM float64 `json:"turbine_step_rpm"`
}

// Summary puts the memory into words' numbers, rounded.
func (m *Memory) Summary() Summary {
	var e Estimator
	e.Load(*m)
	c := e.Chain()
	s := Summary{Aligned: len(e.m.Delays) >= need, Windows: len(e.m.Delays), DelayMs: math.Round(1000 * c.DelayS),
		FilterMs: math.Round(1000 * c.FilterS), UnsureMs: math.Round(1000 * c.UnsureS),
		EngineStepRPM: e.m.EngineStep, TurbineStepRPM: e.m.TurbineStep}
	var v float64
	for i := range e.m.Ripple {
		v += float64(e.m.Ripple[i] * e.m.Seconds[i])
		s.ClosedS += e.m.Seconds[i]
	}
	if s.ClosedS > 0 {
		s.RippleRPM = math.Round(10*math.Sqrt(v/s.ClosedS)) / 10
	}
	return s
}

// Estimator learns a vehicle's measuring chain. Its zero value knows nothing.
type Estimator struct {
	m Memory

	// The window under way.
	from                       bus.Micros
	calm                       bus.Micros
	calmN                      float64
	calm1, calm2, calmE, calm0 float64
	wait                       int

	times, engine, turbine, shifted [windowLen]float64
	sorted                          [keep]int
	passes, behind                  [len(filters)][windowLen]float64
	judged                          [2]int // the first that is, and the one after the last
}

// Load takes up what was kept; what is out of range is left out.
func (e *Estimator) Load(m Memory) {
	ok := len(m.Delays) == len(m.Filters) && len(m.Delays) <= keep
	for i := range m.Delays {
		ok = ok && m.Delays[i] >= delayLow && m.Delays[i] <= delayHigh && m.Filters[i] >= 0 && m.Filters[i] <= 200
	}
	for i := range m.Ripple {
		ok = ok && m.Ripple[i] >= 0 && m.Ripple[i] <= wildRPM*wildRPM && m.Seconds[i] >= 0 && m.Seconds[i] < 1e9
	}
	if !ok {
		return
	}
	e.m = m
	e.m.Delays = append(make([]int, 0, keep), m.Delays...)
	e.m.Filters = append(make([]int, 0, keep), m.Filters...)
}

// Memory returns what is to be kept, with its numbers rounded.
func (e *Estimator) Memory() Memory {
	m := e.m
	m.Delays, m.Filters = slices.Clone(e.m.Delays), slices.Clone(e.m.Filters)
	for i := range m.Ripple {
		m.Ripple[i] = math.Round(float64(m.Ripple[i]*1000)) / 1000
		m.Seconds[i] = math.Round(m.Seconds[i])
	}
	return m
}

// Step takes a raw value of a speed of which the step is sought.
func (e *Estimator) Step(engine bool, difference float64) {
	to := &e.m.TurbineStep
	if engine {
		to = &e.m.EngineStep
	}
	if difference == 0 || *to > 0 && difference > *to+0.001 {
		return // as nearly always: no step, or more than one
	}
	d := math.Round(float64(difference*1000)) / 1000
	if d > 0 && (*to == 0 || d < *to) {
		*to = d
	}
}

// StepRPM is the larger quantisation step of the two speeds, 0 unknown.
func (m *Memory) StepRPM() float64 { return max(m.EngineStep, m.TurbineStep) }

// Chain is what is known of the delay and the filter.
func (e *Estimator) Chain() coupling.Chain {
	n := len(e.m.Delays)
	if n < need {
		return coupling.Chain{UnsureS: priorUnsureS}
	}
	sum := e.sorted[:n]
	for i := range sum {
		sum[i] = e.m.Delays[i] + e.m.Filters[i]
	}
	slices.Sort(sum)
	total := sum[n/2]
	spread := sum[(3*n)/4] - sum[n/4]
	copy(sum, e.m.Filters)
	slices.Sort(sum)
	filter := sum[n/2]
	if total < 0 {
		filter = 0
	}
	unsure := min(max(0.004, 0.0007*float64(spread))+0.03/float64(n), priorUnsureS)
	return coupling.Chain{DelayS: float64(total-filter) / 1000, FilterS: float64(filter) / 1000, UnsureS: unsure}
}

// Noise is what is known of closed slip at an engine speed in rpm.
func (e *Estimator) Noise(engineRPM float64) coupling.Noise {
	v, s := e.m.ripple(engineRPM)
	return coupling.Noise{RippleRPM: wary(v, s), SeenRPM: math.Sqrt(v), StepRPM: e.m.StepRPM()}
}

// RippleRPM is the standard deviation of closed slip at an engine speed.
func (m *Memory) RippleRPM(engineRPM float64) float64 { return wary(m.ripple(engineRPM)) }

// wary is the deviation that a variance stands for which rests on s seconds: as
// much as is not known yet comes from what vehicles in general do.
func wary(v, s float64) float64 {
	return math.Sqrt((float64(v*s) + float64(priorRippleRPM*priorRippleRPM)*calmS) / (s + calmS))
}

// ripple is the variance of closed slip at an engine speed and the seconds that
// it rests on, from the band or where that was not seen from all.
func (m *Memory) ripple(engineRPM float64) (v, s float64) {
	b := bandOf(engineRPM)
	if v, s = m.Ripple[b], m.Seconds[b]; s >= 4*calmS {
		return v, s
	}
	v, s = 0, 0
	for i := range m.Ripple {
		v += float64(m.Ripple[i] * m.Seconds[i])
		s += m.Seconds[i]
	}
	if s > 0 {
		v /= s
	}
	return v, s
}

func bandOf(rpm float64) int {
	return int(min(max((rpm-bandLow)/bandRPM, 0), bands-1))
}

// Point takes the latest point of a trail; closed says that the clutch is known
// to hold, perhaps that it may. It reports whether what is known has changed.
func (e *Estimator) Point(t *coupling.Trail, closed, perhaps bool) bool {
	p := t.Get(t.End() - 1)
	changed := e.ripple(p, closed)
	if !perhaps || t.Len() < 2 || p.At < e.from {
		e.from = p.At
		return changed
	}
	if (p.At - e.from).Seconds() < max(windowS, 25*t.PitchS()) {
		return changed
	}
	from := e.from
	e.from = p.At - micros(windowS/2)
	return e.delay(t, from) || changed
}

// ripple adds to the estimate of what closed slip does.
func (e *Estimator) ripple(p *coupling.Point, engaged bool) bool {
	if !engaged || p.Shifting || p.Tol > 0 || e.calmN > 0 && (p.At-e.calm).Seconds() > 2*calmS {
		e.calmN = 0
		return false
	}
	if e.calmN == 0 {
		e.calm, e.calm0, e.calm1, e.calm2, e.calmE = p.At, p.Slip, 0, 0, 0
	}
	d := p.Slip - e.calm0
	e.calmN++
	e.calm1 += d
	e.calm2 += float64(d * d)
	e.calmE += p.Engine
	if (p.At-e.calm).Seconds() < calmS || e.calmN < 8 {
		return false
	}
	mean := e.calm1 / e.calmN
	v := max(0, e.calm2/e.calmN-float64(mean*mean))
	b := bandOf(e.calmE / e.calmN)
	e.calmN = 0
	if abs(e.calm0+mean) > calmRPM || v > wildRPM*wildRPM {
		return false
	}
	// The latest ten minutes count.
	w := calmS / min(e.m.Seconds[b]+calmS, 600)
	e.m.Ripple[b] += float64(w * (v - e.m.Ripple[b]))
	e.m.Seconds[b] = min(e.m.Seconds[b]+calmS, 1e6)
	return true
}

// delay looks for the delay and filter that align the points from an instant
// on.
func (e *Estimator) delay(t *coupling.Trail, from bus.Micros) bool {
	if len(e.m.Delays) == keep && e.wait > 0 {
		e.wait--
		return false
	}
	n, spread := e.window(t, from)
	if n == 0 {
		return false
	}
	e.pass(n)
	best, left, filter := 0, math.Inf(1), 0
	// What was found last is about what is found now: nothing that is surely worse need
	// be looked at to its end.
	most := math.Inf(1)
	if k := len(e.m.Delays); k > 0 {
		if i := slices.Index(filters[:], e.m.Filters[k-1]); i >= 0 && e.m.Delays[k-1]%delayStep == 0 {
			shift(e.shifted[:n], e.times[:n], e.turbine[:n], float64(e.m.Delays[k-1])/1000)
			most = e.left(n, i, most)
		}
	}
	for d := delayLow; d <= delayHigh; d += delayStep {
		shift(e.shifted[:n], e.times[:n], e.turbine[:n], float64(d)/1000)
		for i, f := range filters {
			if d < 0 && f > 0 {
				break
			}
			if x := e.left(n, i, most); x < left {
				most = min(most, x)
				left, best, filter = x, d, f
			}
		}
	}
	if left > leftRPM && left > float64(leftShare*spread) || best == delayLow || best == delayHigh {
		return false
	}
	e.remember(best, filter)
	return true
}

// lead is how much of a window only leads up to it: delays and filters need it.
const lead = 0.25

// window takes the points over from the trail and returns how many there are,
// or none where they reveal nothing, and the turbine's standard deviation.
func (e *Estimator) window(t *coupling.Trail, from bus.Micros) (n int, spread float64) {
	i := t.After(from)
	if t.End()-i < 12 {
		return 0, 0
	}
	i = max(i, t.End()-windowLen)
	start, span := t.Get(i), (t.Get(t.End()-1).At - t.Get(i).At).Seconds()
	var s, s2, r, r2, slip, k float64
	for ; i < t.End(); i++ {
		p := t.Get(i)
		e.times[n] = (p.At - start.At).Seconds()
		e.engine[n], e.turbine[n] = p.Engine, p.Turbine
		n++
		if !judged(e.times[n-1], span) {
			continue
		}
		// Over some time, so that noise is no movement.
		j := n - 2
		for j > 0 && e.times[n-1]-e.times[j] < rateS {
			j--
		}
		rate := (e.turbine[n-1] - e.turbine[j]) / (e.times[n-1] - e.times[j])
		r += rate
		r2 += float64(rate * rate)
		x := p.Turbine - start.Turbine
		s += x
		s2 += float64(x * x)
		slip += p.Engine - p.Turbine
		k++
	}
	if k < 8 || span/float64(n) > 0.11 {
		return 0, 0
	}
	varying := r2/k - float64(r/k)*float64(r/k)
	if varying < rateSD*rateSD || abs(slip/k) > 2*calmRPM {
		return 0, 0
	}
	return n, math.Sqrt(max(0, s2/k-float64(s/k)*float64(s/k)))
}

// judged reports whether an instant of a window counts: the ends are what the
// delays and filters reach over to.
func judged(at, span float64) bool { return at >= lead && at <= span-lead/2 }

// shift writes to out what a signal was d seconds before (after, where d is
// negative) each instant.
func shift(out, times, x []float64, d float64) {
	k, n := 0, len(times)
	for i := range out {
		at := times[i] - d
		for k < n-2 && times[k+1] < at {
			k++
		}
		share := min(max((at-times[k])/(times[k+1]-times[k]), 0), 1)
		out[i] = x[k] + float64(share*(x[k+1]-x[k]))
	}
}

// pass works out how much of each point every filter lets pass, which is the same
// for all delays, and which points are judged.
func (e *Estimator) pass(n int) {
	for f, ms := range filters {
		last := 0.0
		for i, at := range e.times[:n] {
			e.passes[f][i] = coupling.Share(at-last, float64(ms)/1000)
			e.behind[f][i] = coupling.Behind(at-last, float64(ms)/1000)
			last = at
		}
	}
	span := e.times[n-1]
	for e.judged[0] = 0; e.judged[0] < n && !judged(e.times[e.judged[0]], span); e.judged[0]++ {
	}
	for e.judged[1] = e.judged[0]; e.judged[1] < n && judged(e.times[e.judged[1]], span); e.judged[1]++ {
	}
}

// left is the standard deviation of what is left of engine less the shifted
// turbine behind one of the filters; infinite where it is surely more than most.
func (e *Estimator) left(n, filter int, most float64) float64 {
	passes, behind, shifted, engine := e.passes[filter][:n], e.behind[filter][:n], e.shifted[:n], e.engine[:n]
	y, before := shifted[0], shifted[0]
	first, end := e.judged[0], e.judged[1]
	// The squares about their own mean only grow with more points.
	enough := float64(most*most)*float64(end-first)*1.001 + 1e-6
	var s, s2, m float64
	for i, x := range shifted[:end] {
		y += float64(passes[i] * (x - float64(behind[i]*(x-before)) - y))
		before = x
		if i < first {
			continue
		}
		d := engine[i] - y
		s += d
		s2 += float64(d * d)
		if m++; i&15 == 0 && s2-float64(s*s)/m > enough {
			return math.Inf(1)
		}
	}
	return math.Sqrt(max(0, s2/m-float64(s/m)*float64(s/m)))
}

// remember adds an estimate.
func (e *Estimator) remember(delay, filter int) {
	if e.m.Delays == nil {
		e.m.Delays, e.m.Filters = make([]int, 0, keep), make([]int, 0, keep)
	}
	if len(e.m.Delays) == keep {
		copy(e.m.Delays, e.m.Delays[1:])
		copy(e.m.Filters, e.m.Filters[1:])
		e.m.Delays, e.m.Filters = e.m.Delays[:keep-1], e.m.Filters[:keep-1]
		e.wait = 9
	}
	e.m.Delays, e.m.Filters = append(e.m.Delays, delay), append(e.m.Filters, filter)
}

func micros(s float64) bus.Micros { return bus.Micros(s * 1e6) }

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}
