package detect

import (
	"fmt"
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// ShudderSettings judge narrow-band oscillation.
type ShudderSettings struct {
	FromHz float64 `toml:"from_hz"`
	ToHz   float64 `toml:"to_hz"`
	MinRPM float64 `toml:"min_rpm"`
	Share  float64 `toml:"share"`
	MinS   float64 `toml:"min_s"`
	Over   float64 `toml:"over"`
	LearnS float64 `toml:"learn_s"`
}

// Classes of shudder.
var (
	ShudderSlip       = Class{"shudder"}
	ShudderWithEngine = Class{"with-engine"}
)

var (
	shudderAmplitude = Quantity{"amplitude_rpm", "rpm", 0.1}
	shudderHz        = Quantity{"frequency_hz", "Hz", 0.1}
	shudderSlipRPM   = Quantity{"slip_amplitude_rpm", "rpm", 0.1}
	shudderEngineRPM = Quantity{"engine_amplitude_rpm", "rpm", 0.1}
)

var shudderSpec = &Spec{
	Kind:        KindShudder,
	Alarms:      []Class{ShudderSlip, ShudderWithEngine},
	Measures:    []*Quantity{&shudderAmplitude, &shudderHz, &durationS, &shudderSlipRPM, &shudderEngineRPM},
	Chief:       []*Quantity{&shudderAmplitude},
	Needs:       [][]stream.Role{{stream.Acceleration, stream.TurbineSpeed, stream.EngineSpeed}},
	Sharpens:    []stream.Role{stream.Acceleration, stream.Brake},
	Opportunity: "a minute with the clutch on",
	Rate:        true,
	Settings: Table{"shudder", []Setting{
		{"from_hz", "Hz", 3, 1.5, 15, "lower end of the band: self-excited stick-slip of the lining shakes the driveline between about 3 and 20 Hz (cp)"},
		{"to_hz", "Hz", 20, 4, 23, "upper end of the band"},
		{"min_rpm", "rpm", 4, 0.5, 200, "least amplitude, half of peak to peak"},
		{"share", "", 0.7, 0.2, 1, "least share of the oscillation that lies in one narrow band"},
		{"min_s", "s", 3, 1, 60, "how long it must go on: gusts of ripple last 1-2 s"},
		{"over", "", 4, 1.2, 20, "how many times what this vehicle usually does at that frequency: steady noise in a narrow band reaches four times its median in one window of 65000 (Rayleigh), real ripple, which comes in gusts, in one of 300; shudder that is felt was 25 to 80 times"},
		{"learn_s", "s", 15, 3, 600, "closed or partial clutch that must have been seen before what is usual is known"},
	}},
	can: func(in *Inputs) Ability {
		fastest, of := 0.0, stream.NumRoles
		for _, r := range []stream.Role{stream.Acceleration, stream.TurbineSpeed, stream.EngineSpeed} {
			if p := in.Period[r]; p > 0 && (fastest == 0 || p < fastest) {
				fastest, of = p, r
			}
		}
		if low := in.Set.Shudder.FromHz; 0.4/fastest < 2*low { // less than an octave of the band can be seen
			return Ability{Says: fmt.Sprintf("not observable at %.3g Hz: the slowest shudder looked for is %.3g Hz", 1/fastest, low)}
		}
		return able(0, "up to %.3g Hz, from %s", 0.4/fastest, of)
	},
	make: func(c *counts, _ *stream.Plan) detector { return &shudder{counts: c} },
}

// Shudder: a narrow band of oscillation of slip while the clutch is partial or
// closed. A misfire feels the same, but shakes engine and turbine together with
// the clutch closed: classes shudder (slip carries the band) and with-engine
// (engine and turbine carry it together). Slip ripples by itself: the band must
// stand out of what this vehicle usually does there, and of its neighbours, for
// several windows. Where the rows are too far apart for the band, or the engine's
// speed comes through a filter that takes it away, nothing can be told, and that
// is counted.
type shudder struct {
	counts *counts
	// bank has the coefficients of the bins as tuned to a rate and a band, weights
	// those of the window of so many values, flat the values without their line.
	bank    [bankMax]float64
	bins    int
	tuned   [3]float64
	weights [windowMost]float64
	weight  float64
	weighed int
	flat    [windowMost]float64
	power   [bankMax]float64
	// the window under way
	n          int
	first      bus.Micros
	lastAt     bus.Micros
	slip, eng  [windowMost]float64
	minDt      float64
	maxDt      float64
	run        float64 // seconds of windows that shook, running
	start      bus.Micros
	end0       bus.Micros
	ctx        Context
	hz         float64
	amp        float64
	engAmp     float64
	class      Class
	brakeEnded bool
	minute     float64
	blind      float64
	// What slip and engine speed do by themselves, the stay through, in bins from
	// usualFromHz on.
	slipUsual, engUsual usualBand
	usualFromHz         float64
}

// bankMax bounds the bins, which are binHz apart: 3 to 24 Hz. It is even.
const (
	bankMax = 48
	binHz   = 0.5
)

// shudderWindow is the length of one analysis, in seconds: it tells bins of
// about 1 Hz apart.
const shudderWindow = 1.0

// windowMost values make a window at most: 1 s at 200 Hz and more.
const windowMost = 256

// surgeHz: below it the whole driveline surges against the vehicle when the
// pedal moves, as it should (common practice, no source).
const surgeHz = 5.0

// usualBand is what a speed usually does at each frequency: the median of each
// bin's amplitude in rpm, followed window by window. What a vehicle does half of
// the time is its ripple, not its shudder.
type usualBand struct {
	rpm [bankMax]float64
	n   float64 // windows seen
}

const (
	// usualLeast is the slowest step of the medians, a share: four minutes of
	// windows move them threefold, so they follow the stay, not the minute.
	usualLeast = 0.005
	// usualFrom keeps the medians from nothing, in rpm: speeds come in steps of
	// 0.125 to 1 rpm.
	usualFrom = 0.1
	// usualMost is the most that counts as ripple, in rpm: closed slip of a
	// recorded truck has 3.7 to 14 rpm of deviation, most of it delay.
	usualMost = 12.0
)

// learn moves the median of a bin towards an amplitude: by sign, in a share of
// itself that falls with the windows seen (Robbins and Monro, Annals of
// Mathematical Statistics 22, 1951, for a quantile of a logarithm).
func (u *usualBand) learn(bin int, rpm float64) {
	rpm = max(rpm, usualFrom)
	v := &u.rpm[bin]
	if *v == 0 {
		*v = rpm
		return
	}
	step := 1 + max(usualLeast, 1/(1+u.n))
	if rpm > *v {
		*v = min(rpm, float64(*v*step))
	} else {
		*v = max(rpm, *v/step)
	}
}

// keptBand is what two speeds usually do, as it stands on file: a run that begins with
// the driver on his way has it from the first second.
type keptBand struct {
	// FromHz is the lower end of the band, 1 Hz above the first bin; Windows is
	// how many were seen.
	FromHz  float64 `json:"from_hz"`
	Windows float64 `json:"windows"`
	// SlipRPM and EngineRPM are the medians by bin, 0 where there is none.
	SlipRPM   []float64 `json:"slip_rpm"`
	EngineRPM []float64 `json:"engine_rpm"`
}

func (d *shudder) keep(h *history) {
	if d.slipUsual.n > 0 {
		h.Shaking = &keptBand{d.usualFromHz, min(d.slipUsual.n, 1/usualLeast), d.slipUsual.keep(), d.engUsual.keep()}
	}
}

func (u *usualBand) keep() []float64 {
	list := make([]float64, bankMax)
	for i, v := range u.rpm {
		list[i] = state.Round(v, 0.01)
	}
	return list
}

// recall takes up what was kept; what is out of range is left out.
func (d *shudder) recall(h *history) {
	k := h.Shaking
	if k == nil || !(k.Windows >= 0 && k.Windows <= 1/usualLeast) || !usualRPM(k.SlipRPM) || !usualRPM(k.EngineRPM) {
		return
	}
	d.usualFromHz = k.FromHz
	d.slipUsual, d.engUsual = usualBand{n: k.Windows}, usualBand{n: k.Windows}
	copy(d.slipUsual.rpm[:], k.SlipRPM)
	copy(d.engUsual.rpm[:], k.EngineRPM)
}

// usualRPM reports whether all are medians that a band can have.
func usualRPM(v []float64) bool {
	return len(v) <= bankMax && !slices.ContainsFunc(v, func(x float64) bool { return !(x >= 0 && x < 1e4) })
}

// of is what is usual at a bin and its neighbours.
func (u *usualBand) of(bin, bins int) float64 {
	most := 0.0
	for b := max(0, bin-2); b <= min(bins-1, bin+2); b++ {
		most = max(most, u.rpm[b])
	}
	return min(most, usualMost)
}

// powers is the squared magnitude of two bins by the second-order recursion of
// Goertzel (1958), two values at a time.
func powers(a, b float64, v []float64) (pa, pb float64) {
	var a1, a2, b1, b2 float64
	if len(v)%2 != 0 {
		a1, b1, v = v[0], v[0], v[1:]
	}
	for i := 1; i < len(v); i += 2 {
		x, y := v[i-1], v[i]
		a2 = x + float64(a*a1) - a2
		b2 = x + float64(b*b1) - b2
		a1 = y + float64(a*a2) - a1
		b1 = y + float64(b*b2) - b1
	}
	return squared(a, a1, a2), squared(b, b1, b2)
}

func squared(coeff, s1, s2 float64) float64 {
	return float64(s1*s1) + float64(s2*s2) - float64(float64(coeff*s1)*s2)
}

// tune sets the bank to the bins of a band and returns how many they are; slip and
// engine speed of a window share them.
func (d *shudder) tune(rate, low, high float64) (bins int) {
	if d.tuned == [3]float64{rate, low, high} {
		return d.bins
	}
	// Each further cosine follows from the two before it (Chebyshev).
	step := 2 * math.Cos(2*math.Pi*binHz/rate)
	for f := low - 1; f <= high+1 && bins < bankMax; f += binHz {
		if bins < 2 {
			d.bank[bins] = 2 * math.Cos(2*math.Pi*f/rate)
		} else {
			d.bank[bins] = float64(step*d.bank[bins-1]) - d.bank[bins-2]
		}
		bins++
	}
	d.tuned, d.bins = [3]float64{rate, low, high}, bins
	return bins
}

// hann is the Hann window over n values, which keeps what is outside the band out
// of it, and the sum of its weights.
func (d *shudder) hann(n int) (weights []float64, sum float64) {
	if n != d.weighed {
		d.weighed, d.weight = n, 0
		for i := range n {
			d.weights[i] = 0.5 - float64(0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n)))
			d.weight += d.weights[i]
		}
	}
	return d.weights[:n], d.weight
}

func (d *shudder) row(s *scene, m *state.Moment) {
	set := &s.set.Shudder
	on := m.Running && m.Moving && m.HasSlip && m.TolRPM == 0 && !m.Gap && m.DtS > 0 && m.Forward() &&
		m.State.On() && !m.Shifting && (!m.HasGear || m.SinceShiftS > 0.8)
	if !on {
		d.n = 0
		if d.run > 0 {
			if m.Row.Has(stream.Brake) && m.Row.V[stream.Brake] != 0 && m.State == state.Open {
				d.brakeEnded = true
			}
			d.finish(s)
		}
		return
	}
	if d.n == 0 {
		d.first, d.minDt, d.maxDt = m.At, m.DtS, m.DtS
	} else {
		d.minDt, d.maxDt = min(d.minDt, m.DtS), max(d.maxDt, m.DtS)
	}
	if d.n < len(d.slip) {
		d.slip[d.n], d.eng[d.n] = m.SlipRPM, m.EngineRPM
		d.n++
	}
	d.lastAt = m.At
	if long := (m.At - d.first).Seconds(); long >= shudderWindow || d.n == len(d.slip) {
		d.window(s, m, set, long)
		d.n = 0
	}
}

// window analyses what has been gathered.
func (d *shudder) window(s *scene, m *state.Moment, set *ShudderSettings, long float64) {
	n := d.n
	if n < 8 || long <= 0 {
		d.opportunity(s, false)
		return
	}
	rate := float64(n-1) / long
	high := min(set.ToHz, float64(0.4*rate))
	carried := high
	if chain := s.Trail().Chain(); chain.FilterS > 0 {
		carried = min(high, shudderPassed/chain.FilterS)
	}
	if carried < set.FromHz+2 || d.maxDt > float64(2.5*d.minDt)+0.004 {
		d.opportunity(s, false)
		return
	}
	if d.usualFromHz != set.FromHz {
		d.slipUsual, d.engUsual, d.usualFromHz = usualBand{}, usualBand{}, set.FromHz
	}
	known := float64(d.slipUsual.n*shudderWindow) >= set.LearnS
	d.opportunity(s, known)
	slip := d.peak(d.slip[:n], rate, set.FromHz, high, &d.slipUsual)
	eng := d.peak(d.eng[:n], rate, set.FromHz, high, &d.engUsual)
	shook, class := false, Class{}
	// Where engine and turbine shake together and their controllers time
	// their values differently, a part of it shows as slip.
	together := m.State != state.Partial && eng.share >= set.Share && eng.amp > float64(1.5*slip.amp)
	hz := slip.hz
	switch {
	case !known:
	case slip.amp >= set.MinRPM && slip.share >= set.Share && slip.over >= set.Over && slip.hz <= carried && !together:
		shook, class = true, ShudderSlip
	case together && eng.amp >= float64(3*set.MinRPM) && eng.over >= set.Over && eng.hz >= surgeHz && eng.hz <= carried:
		shook, class = true, ShudderWithEngine
		hz = eng.hz
	}
	// One band: the next window must agree.
	if shook && d.run > 0 && (class != d.class || math.Abs(hz-d.hz) > 1) {
		d.finish(s)
	}
	if !shook {
		if d.run > 0 {
			d.finish(s)
		}
		return
	}
	if d.run == 0 {
		d.start = d.first
		d.ctx = m.Context(s.SinceStart(d.first))
		d.amp, d.engAmp, d.hz, d.class = 0, 0, hz, class
		d.brakeEnded = false
	}
	d.run += long
	d.end0 = d.lastAt
	d.hz += float64(long / d.run * (hz - d.hz))
	d.amp, d.engAmp = max(d.amp, slip.amp), max(d.engAmp, eng.amp)
}

func (d *shudder) opportunity(s *scene, can bool) {
	// A minute of clutch on is one opportunity.
	c := &d.minute
	if !can {
		c = &d.blind
	}
	*c += shudderWindow
	if *c >= 60 {
		*c -= 60
		d.counts.add(can, false)
	}
}

// shudderPassed over the time constant of a filter, in s, is the frequency in Hz
// at which it lets half of an amplitude pass: 1/sqrt(1+(2 pi f tau)²) = 1/2.
const shudderPassed = 0.276

// bandPeak is the strongest bin of a window.
type bandPeak struct {
	amp   float64 // half of peak to peak
	hz    float64
	share float64 // of the power in the band, that lies in it and its neighbours
	over  float64 // amp over what is usual there
}

// peak returns the strongest bin in the band, and learns what is usual.
func (d *shudder) peak(v []float64, rate, low, high float64, usual *usualBand) (p bandPeak) {
	n := len(v)
	// A straight line through the window is no oscillation.
	var st, sv, stt, stv float64
	for i, x := range v {
		t := float64(i)
		st += t
		sv += x - v[0]
		stt += float64(t * t)
		stv += float64(t * (x - v[0]))
	}
	k := float64(n)
	den := k*stt - float64(st*st)
	slope := 0.0
	if den != 0 {
		slope = (k*stv - float64(st*sv)) / den
	}
	mean := (sv - float64(slope*st)) / k
	bins := d.tune(rate, low, high)
	weights, wsum := d.hann(n)
	for i, x := range v {
		d.flat[i] = float64((x - v[0] - mean - float64(slope*float64(i))) * weights[i])
	}
	best, total, bestP := 0, 0.0, 0.0
	for b := 0; b < bins; b += 2 {
		d.power[b], d.power[b+1] = powers(d.bank[b], d.bank[b+1], d.flat[:n])
	}
	for b, power := range d.power[:bins] {
		total += power
		f := low - 1 + float64(binHz*float64(b))
		if f >= low && f <= high && power > bestP {
			best, bestP = b, power
		}
	}
	was := usual.of(best, bins) // before it has learned from this window
	for b := 0; b < bins; b++ {
		usual.learn(b, 2*math.Sqrt(max(d.power[b], 0))/wsum)
	}
	usual.n++
	if total <= 0 || bestP <= 0 || best > 0 && d.power[best-1] > bestP {
		return p // nothing, or the foot of something slower
	}
	in := 0.0
	// The main lobe of the window is 4/length wide.
	for b := max(0, best-4); b <= min(bins-1, best+4); b++ {
		in += d.power[b]
	}
	p = bandPeak{amp: 2 * math.Sqrt(bestP) / wsum, hz: low - 1 + float64(binHz*float64(best)), share: in / total}
	p.over = p.amp / max(was, usualFrom)
	return p
}

func (d *shudder) end(s *scene, _ bus.Micros) {
	if d.run > 0 {
		d.finish(s)
	}
	d.n, d.minute, d.blind = 0, 0, 0
}

func (d *shudder) finish(s *scene) {
	run := d.run
	d.run = 0
	if run < s.set.Shudder.MinS {
		return
	}
	f := Finding{Kind: KindShudder, Class: d.class, Start: d.start, End: d.end0, Context: d.ctx, Severity: 0.7, Keep: true}
	if d.class == ShudderWithEngine {
		f.Severity = 0.5
	}
	amp := d.amp
	if d.class == ShudderWithEngine {
		amp = d.engAmp
	}
	f.Measures = append(f.Measures, shudderAmplitude.of(amp), shudderHz.of(d.hz),
		durationS.of((d.end0 - d.start).Seconds()),
		shudderSlipRPM.of(d.amp), shudderEngineRPM.of(d.engAmp))
	if d.brakeEnded {
		f.Instants = append(f.Instants, Instant{"ended with the brake", d.end0, d.end0, s.Now().At})
	}
	f.MissingInputs = append(f.MissingInputs, missingInputs(s.Now().Row, stream.Acceleration, stream.Brake)...)
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}
