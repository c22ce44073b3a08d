package coupling

import (
	"math"
	"slices"
)

// Overrun is how this vehicle's open converter takes the engine along while the
// vehicle drives it. Near coupling the fluid's torque goes as speed times slip (a
// constant capacity at a speed ratio, as in SAE J643), and an engine without fuel
// takes of it what its drag does, less what its inertia gives as it falls: slip times
// speed lies on a line over the turbine's rate. Where a stop lets the turbine fall as
// fast as the engine falls by itself the two go together as in a clutch that holds.
// Its zero value knows nothing; it allocates nothing after the first windows.
type Overrun struct {
	m      OverrunMemory
	window line
	// ran: the engine was at its idle or above; lowest is what it has come to below that
	// since, rpm.
	ran    bool
	lowest float64
	// The line, the variance of what it leaves, and the middle and the sum of squares of
	// the rates that it rests on.
	at0, slope, left, mid, squares float64
	of                             [overrunKeep * (overrunKeep - 1) / 2]float64
}

// OverrunMemory is what is kept of it: of windows, oldest first, slip times
// engine speed in rpm·krpm, and the turbine's rate in rpm/s.
type OverrunMemory struct {
	Slips []float64 `json:"slip_rpm_krpm"`
	Rates []float64 `json:"turbine_rpm_per_s"`
	// LowestRPM is how far the engine has sunk below its idle by itself, 0 not seen.
	LowestRPM float64 `json:"engine_lowest_rpm,omitempty"`
}

const (
	// overrunS is how long one window is, overrunKeep how many are remembered, and
	// overrunNeed how many say something. Structural.
	overrunS    = 0.5
	overrunKeep = 32
	overrunNeed = 8
	// apartRate is how far two rates, in rpm/s, must be apart to tell a slope.
	apartRate = 20.0
	// Out of these no overrun is: what was kept is then none of ours.
	overrunSlips, overrunRates = 4000.0, 20000.0
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
	if len(o.m.Slips) == overrunKeep {
		i := o.crowded()
		o.m.Slips, o.m.Rates = slices.Delete(o.m.Slips, i, i+1), slices.Delete(o.m.Rates, i, i+1)
	}
	slip := float64(o.window.mean() * o.window.engine() / 1000)
	o.m.Slips = append(o.m.Slips, math.Round(float64(slip*100))/100)
	o.m.Rates = append(o.m.Rates, math.Round(o.window.rate()))
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
		o.ran, o.lowest = true, 0
	case o.ran && (o.lowest == 0 || engineRPM < o.lowest):
		o.lowest = engineRPM
	}
}

// SinksRPM is what the engine may sink to by itself, a part further than it was seen to;
// ok is false where it was not.
func (o *Overrun) SinksRPM(idleRPM float64) (rpm float64, ok bool) {
	return max(idleRPM-float64(sinksMore*(idleRPM-o.m.LowestRPM)), float64(0.5*idleRPM)), o.m.LowestRPM > 0
}

const (
	// backShare of its idle an engine has come back to it; one stop sinks by up to
	// sinksMore times what others did. Structural.
	backShare, sinksMore = 0.97, 1.25
)

// crowded is the older of the two windows whose rates are the least apart: the others
// say more of the line.
func (o *Overrun) crowded() (which int) {
	least := math.Inf(1)
	for j, x := range o.m.Rates {
		for i, y := range o.m.Rates[:j] {
			if d := abs(x - y); d < least {
				which, least = i, d
			}
		}
	}
	return which
}

// Break says that the points that come do not go on from those before.
func (o *Overrun) Break() { o.window, o.ran, o.lowest = line{}, false, 0 }

// Memory is what is to be kept; nil where that is nothing.
func (o *Overrun) Memory() *OverrunMemory {
	if len(o.m.Slips) == 0 && o.m.LowestRPM == 0 {
		return nil
	}
	return &OverrunMemory{slices.Clone(o.m.Slips), slices.Clone(o.m.Rates), o.m.LowestRPM}
}

// Recall takes up what was kept; what is out of range is left out.
func (o *Overrun) Recall(m *OverrunMemory) {
	if m == nil || len(m.Slips) != len(m.Rates) || len(m.Slips) > overrunKeep || !(m.LowestRPM >= 0) {
		return
	}
	for i := range m.Slips {
		if !(abs(m.Slips[i]) <= overrunSlips && abs(m.Rates[i]) <= overrunRates) {
			return
		}
	}
	o.m.LowestRPM = m.LowestRPM
	o.m.Slips = append(make([]float64, 0, overrunKeep), m.Slips...)
	o.m.Rates = append(make([]float64, 0, overrunKeep), m.Rates...)
	o.fit()
}

// fit draws the line by the medians of its slopes and of what they leave (Theil 1950;
// Sen, J. Am. Stat. Assoc. 63, 1968): an engine that is still going over from drive, or
// that gets fuel, lies far off.
func (o *Overrun) fit() {
	x, y, n := o.m.Rates, o.m.Slips, len(o.m.Slips)
	of := o.of[:0]
	for i := range n {
		for j := range i {
			if d := x[i] - x[j]; abs(d) >= apartRate {
				of = append(of, (y[i]-y[j])/d)
			}
		}
	}
	o.slope = middle(of)
	of = of[:0]
	for i := range n {
		of = append(of, y[i]-float64(o.slope*x[i]))
	}
	o.at0 = middle(of)
	for i := range of {
		of[i] = abs(of[i] - o.at0)
	}
	sd := max(1.4826*middle(of), 1)
	o.left = float64(sd * sd)
	o.mid, o.squares = 0, 1
	for _, v := range x {
		o.mid += v / float64(n)
	}
	for _, v := range x {
		o.squares += float64((v - o.mid) * (v - o.mid))
	}
}

// middle is the median, 0 of none; it sorts them.
func middle(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return 0.5 * (v[len(v)/2] + v[(len(v)-1)/2])
}

func (o *Overrun) known() bool { return len(o.m.Slips) >= overrunNeed }

// slip is what is to be expected of an open clutch at a rate of the turbine and an
// engine speed, in rpm, and its variance; ok is false where that is not known.
func (o *Overrun) slip(rate, engine float64) (rpm, variance float64, ok bool) {
	if !o.known() || engine <= 0 {
		return 0, 0, false
	}
	k, off := engine/1000, rate-o.mid
	v := o.left * (1 + 1/float64(len(o.m.Slips)) + float64(off*off)/o.squares)
	return (o.at0 + float64(o.slope*rate)) / k, v / float64(k*k), true
}
