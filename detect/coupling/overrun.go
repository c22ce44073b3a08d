package coupling

import (
	"math"
	"slices"
)

// Overrun is how this vehicle's open converter takes the engine along while the
// vehicle drives it. Near coupling the fluid's torque goes as speed times slip (a
// constant capacity at a speed ratio, as in SAE J643), and the engine takes of it what it
// is held back with, less what its inertia gives as it falls: slip times speed lies on a
// plane over the engine's torque and the turbine's rate. Where torque is not told, a brake
// of the engine or fuel scatters it about a line over the rate. Where a stop lets the
// turbine fall as fast as the engine falls by itself the two go together as in a clutch
// that holds.
// Its zero value knows nothing; it allocates nothing after the first windows.
type Overrun struct {
	m      OverrunMemory
	window line
	// ran: the engine was at its idle or above; sagged: it has sunk since and come back;
	// lowest is what it has come to below idle since it ran, rpm.
	ran, sagged bool
	lowest      float64
	// The plane through the middle of the windows, and the inverse of what it rests on.
	mid, slope [dims]float64
	at0        float64
	inverse    [dims][dims]float64
	// left is the variance of what it leaves, near how close a window lies to another.
	left, near float64
	of         [overrunKeep]float64
}

// dims: the turbine's rate and the engine's torque.
const dims = 2

// OverrunMemory is what is kept of it: of windows, oldest first, slip times
// engine speed in rpm·krpm, and the turbine's rate in rpm/s.
type OverrunMemory struct {
	Slips []float64 `json:"slip_rpm_krpm"`
	Rates []float64 `json:"turbine_rpm_per_s"`
	// Torques are the engine's, N·m; none where it is not told.
	Torques []float64 `json:"engine_nm,omitempty"`
	// LowestRPM is how far the engine has sunk below its idle by itself, 0 not seen, and
	// Sags in how many stretches of overrun it did.
	LowestRPM float64 `json:"engine_lowest_rpm,omitempty"`
	Sags      int     `json:"engine_sags,omitempty"`
	// Loose: a release has let the engine fall plainly behind the turbine.
	Loose bool `json:"falls_behind,omitempty"`
}

const (
	// overrunS is how long one window is, overrunKeep how many are remembered, and
	// overrunNeed how many say something. Structural.
	overrunS    = 0.5
	overrunKeep = 32
	overrunNeed = 8
	// apartRate and apartNm are how far two windows must be apart, in rpm/s and N·m, to
	// tell a slope.
	apartRate, apartNm = 20.0, 1.0
	// Out of these no overrun is: what was kept is then none of ours.
	overrunSlips, overrunRates, overrunNm = 4000.0, 20000.0, 20000.0
)

// Add takes a point of an open clutch in overrun, outside of shifts.
func (o *Overrun) Add(p *Point) {
	if o.window.n > 0 && p.At-o.window.to > micros(overrunS/2) {
		o.window = line{}
	}
	o.window.add(p)
	if o.window.spanS() < overrunS {
		return
	}
	torque := o.window.torque()
	switch told := !math.IsNaN(torque); {
	case told && len(o.m.Torques) < len(o.m.Slips):
		o.m.Slips, o.m.Rates = o.m.Slips[:0], o.m.Rates[:0]
	case !told && len(o.m.Torques) > 0:
		o.window = line{}
		return
	}
	if len(o.m.Slips) == overrunKeep {
		i := o.crowded()
		for _, v := range [...]*[]float64{&o.m.Slips, &o.m.Rates, &o.m.Torques} {
			*v = slices.Delete(*v, min(i, len(*v)), min(i+1, len(*v)))
		}
	}
	slip := float64(o.window.mean() * o.window.engine() / 1000)
	o.m.Slips = append(o.m.Slips, math.Round(float64(slip*100))/100)
	o.m.Rates = append(o.m.Rates, math.Round(o.window.rate()))
	if !math.IsNaN(torque) {
		o.m.Torques = append(o.m.Torques, math.Round(torque))
	}
	o.window = line{}
	o.fit()
}

// Sinks takes the speed of an engine that a clutch known to be open does not draw: what
// the governor lets it sink to from its idle counts once it is back there.
func (o *Overrun) Sinks(engineRPM, idleRPM float64) {
	switch {
	case engineRPM >= float64(backShare*idleRPM):
		if o.lowest > 0 && (o.m.LowestRPM == 0 || o.lowest < o.m.LowestRPM) {
			o.m.LowestRPM = math.Round(o.lowest)
		}
		if o.lowest > 0 && !o.sagged {
			o.m.Sags, o.sagged = min(o.m.Sags+1, sagsNeed), true
		}
		o.ran, o.lowest = true, 0
	case o.ran && (o.lowest == 0 || engineRPM < o.lowest):
		o.lowest = engineRPM
	}
}

// SinksRPM is what the engine may sink to by itself, a part further than it was seen to;
// ok is false where it was not, and most is true where it was so often that it will
// sink no further.
func (o *Overrun) SinksRPM(idleRPM float64) (rpm float64, most, ok bool) {
	rpm = max(idleRPM-float64(sinksMore*(idleRPM-o.m.LowestRPM)), float64(0.5*idleRPM))
	return rpm, o.m.Sags >= sagsNeed, o.m.LowestRPM > 0
}

const (
	// backShare of its idle an engine has come back to it; one stop sinks by up to
	// sinksMore times what sagsNeed others did. Structural.
	backShare, sinksMore, sagsNeed = 0.97, 1.25, 4
)

// crowded is the older of the two windows that lie the least apart: the others say more.
func (o *Overrun) crowded() (which int) {
	least := math.Inf(1)
	for j := range o.m.Rates {
		for i := range j {
			if d := o.apart(o.off(o.at(i), o.at(j))); d < least {
				which, least = i, d
			}
		}
	}
	return which
}

// apart is the square of a distance, by what the windows rest on.
func (o *Overrun) apart(x [dims]float64) (d float64) {
	for j := range x {
		for k := range x {
			d += float64(float64(x[j]*x[k]) * o.inverse[j][k])
		}
	}
	return d
}

// Break says that the points that come do not go on from those before.
func (o *Overrun) Break() { o.window, o.ran, o.sagged, o.lowest = line{}, false, false, 0 }

// Memory is what is to be kept; nil where that is nothing.
func (o *Overrun) Memory() *OverrunMemory {
	if len(o.m.Slips) == 0 && o.m.LowestRPM == 0 && !o.m.Loose {
		return nil
	}
	return &OverrunMemory{slices.Clone(o.m.Slips), slices.Clone(o.m.Rates), slices.Clone(o.m.Torques), o.m.LowestRPM, o.m.Sags, o.m.Loose}
}

// Recall takes up what was kept; what is out of range is left out.
func (o *Overrun) Recall(m *OverrunMemory) {
	if m == nil || len(m.Slips) != len(m.Rates) || len(m.Slips) > overrunKeep || !(m.LowestRPM >= 0) || m.Sags < 0 ||
		len(m.Torques) != 0 && len(m.Torques) != len(m.Slips) {
		return
	}
	of := [...]struct {
		to   *[]float64
		kept []float64
		most float64
	}{{&o.m.Slips, m.Slips, overrunSlips}, {&o.m.Rates, m.Rates, overrunRates}, {&o.m.Torques, m.Torques, overrunNm}}
	for _, x := range of {
		for _, v := range x.kept {
			if !(abs(v) <= x.most) {
				return
			}
		}
	}
	o.m.LowestRPM, o.m.Sags, o.m.Loose = m.LowestRPM, min(m.Sags, sagsNeed), m.Loose
	for _, x := range of {
		if len(x.kept) > 0 {
			*x.to = append(make([]float64, 0, overrunKeep), x.kept...)
		}
	}
	o.fit()
}

// at is where a window lies.
func (o *Overrun) at(i int) (x [dims]float64) {
	if x[0] = o.m.Rates[i]; len(o.m.Torques) > i {
		x[1] = o.m.Torques[i]
	}
	return x
}

// fit lays a plane by weighted least squares, with the weights of Student's t (Lange,
// Little and Taylor, J. Am. Stat. Assoc. 84, 1989): an engine that is still going over
// from drive, or that gets fuel, lies far off.
func (o *Overrun) fit() {
	n := len(o.m.Slips)
	if n == 0 {
		return
	}
	w := o.of[:n]
	for i := range w {
		w[i] = 1
	}
	for range fitRounds {
		sum, a := 0.0, [dims][dims]float64{{float64(apartRate * apartRate)}, {0, float64(apartNm * apartNm)}}
		var xy [dims]float64
		o.mid, o.at0 = [dims]float64{}, 0
		for i, w := range w {
			sum += w
			for j, x := range o.at(i) {
				o.mid[j] += float64(w * x)
			}
			o.at0 += float64(w * o.m.Slips[i])
		}
		for j := range o.mid {
			o.mid[j] /= sum
		}
		o.at0 /= sum
		for i, w := range w {
			x := o.off(o.at(i), o.mid)
			for j := range x {
				xy[j] += float64(float64(w*x[j]) * (o.m.Slips[i] - o.at0))
				for k := range x {
					a[j][k] += float64(float64(w*x[j]) * x[k])
				}
			}
		}
		det := float64(a[0][0]*a[1][1]) - float64(a[0][1]*a[1][0])
		o.inverse = [dims][dims]float64{{a[1][1] / det, -a[0][1] / det}, {-a[1][0] / det, a[0][0] / det}}
		for j := range o.slope {
			o.slope[j] = float64(o.inverse[j][0]*xy[0]) + float64(o.inverse[j][1]*xy[1])
		}
		o.left = 0
		for i, w := range w {
			r := o.m.Slips[i] - o.line(o.at(i))
			o.left += float64(float64(w*r) * r)
		}
		o.left = max(1, o.left/float64(max(1, n-dims)))
		for i := range w {
			r := o.m.Slips[i] - o.line(o.at(i))
			w[i] = (freedom + 1) / (freedom + float64(r*r)/o.left)
		}
	}
	best := math.Inf(-1)
	for h := o.left; h >= o.left/256; h /= 4 {
		sum := 0.0
		for i := range n {
			sum += math.Log(o.density(o.m.Slips[i], o.at(i), h, 0, i))
		}
		if sum > best {
			best, o.near = sum, h
		}
	}
}

// off is how far a place is from another, as far as both are known.
func (o *Overrun) off(x, y [dims]float64) [dims]float64 {
	for j := range x {
		if x[j] -= y[j]; math.IsNaN(x[j]) {
			x[j] = 0
		}
	}
	return x
}

// line is the plane at a place.
func (o *Overrun) line(x [dims]float64) float64 {
	y, off := o.at0, o.off(x, o.mid)
	for j, d := range off {
		y += float64(o.slope[j] * d)
	}
	return y
}

// density is how likely slip times speed is at a place, from windows of which each
// stands for others of a variance about it (Parzen, Ann. Math. Stat. 33, 1962), and one
// for what has not been seen; but for one of them and those beside it, of the same stop.
func (o *Overrun) density(y float64, x [dims]float64, h, more float64, but int) float64 {
	wide := float64(o.at0*o.at0) + o.left
	d := y - o.line(x)
	sum, n := likelihood(float64(d*d)/wide)/math.Sqrt(wide), 1.0
	for i, yi := range o.m.Slips {
		if but >= 0 && i >= but-1 && i <= but+1 {
			continue
		}
		v, d, off := h+more, y-yi, o.off(x, o.at(i))
		v += float64(o.left * o.apart(off))
		for j := range off {
			d -= float64(o.slope[j] * off[j])
		}
		sum += likelihood(float64(d*d)/v) / math.Sqrt(v)
		n++
	}
	return sum / n
}

const (
	// fitRounds settle the weights, whose t has so many degrees of freedom. Structural.
	fitRounds, freedom = 8, 4.0
)

func (o *Overrun) known() bool { return len(o.m.Slips) >= overrunNeed }

// told reports whether it is known what an open converter does in a window: in overrun,
// and under drive where the engine's torque is known as well.
func (o *Overrun) told(l *line) bool {
	return o.known() && (!l.driving || len(o.m.Torques) > 0 && !math.IsNaN(l.torque()))
}

// odds is the logarithm of how likely a slip is of an open converter, in a window of a
// mean rate, torque and engine speed, with so much variance of its own, per rpm and up to
// the factor that a normal density has as well; ok is false where that is not known.
func (o *Overrun) odds(slip, rate, torque, engine, variance float64) (log float64, ok bool) {
	if !o.known() || engine <= 0 {
		return 0, false
	}
	x := [dims]float64{rate, torque}
	k := engine / 1000
	return math.Log(float64(k * o.density(float64(slip*k), x, o.near, float64(variance*k)*k, -1))), true
}
