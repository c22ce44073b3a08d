package chain

import (
	"math"
	"slices"
)

// Decision is how a fall of the command stands to this vehicle's habit.
type Decision struct {
	// LateS is by how much later than usual it came, LowS and HighS between what,
	// in s; negative where it came sooner.
	LateS, LowS, HighS float64
	// UsualRPM is the turbine's speed at which it usually falls with the turbine
	// falling as fast; 0 where the habit is a time after the brake, UsualBrakeS.
	UsualRPM, UsualBrakeS float64
	// N is how many releases the habit rests on.
	N int
}

// slowest is the least fall of the turbine's speed, rpm/s, at which a difference
// in speed is a difference in time. Structural: slower, a stop takes so long that
// nobody feels what comes late.
const slowest = 40.0

// Decide holds a release against the habit; ok is false where there is none yet.
// Controllers let go at a turbine speed that is higher the faster it falls, or a
// while after the brake (common practice): what the vehicle keeps more closely
// counts.
func (m *Memory) Decide(r *Release) (d Decision, ok bool) {
	a, okSpeed := m.bySpeed(r)
	b, okBrake := m.byBrake(r)
	switch {
	case okSpeed && (!okBrake || a.HighS-a.LowS <= b.HighS-b.LowS):
		return a, true
	case okBrake:
		return b, true
	}
	return d, false
}

// bySpeed: turbine speed against its fall, by the line of Theil 1950 and Sen 1968
// through those of the same gear, or of all where these are few.
func (m *Memory) bySpeed(r *Release) (d Decision, ok bool) {
	if !(r.RPMPerS >= slowest) || math.IsNaN(r.TurbineRPM) {
		return d, false
	}
	fits := func(x *Remembered) bool { return x.TurbineRPM >= 0 && x.RPMPerS >= 0 }
	same := m.those(func(x *Remembered) bool { return fits(x) && x.Gear == r.Gear })
	if len(same) < Fewest {
		same = m.those(fits)
	}
	if len(same) < Fewest {
		return d, false
	}
	slope := slopeOf(same)
	rest := make([]float64, len(same))
	for i, x := range same {
		rest[i] = x.TurbineRPM - float64(slope*x.RPMPerS)
	}
	slices.Sort(rest)
	mid, _ := median(rest)
	off := r.TurbineRPM - float64(slope*r.RPMPerS)
	return Decision{LateS: (mid - off) / r.RPMPerS, LowS: (at(rest, 0.05) - off) / r.RPMPerS, HighS: (at(rest, 0.95) - off) / r.RPMPerS,
		UsualRPM: mid + float64(slope*r.RPMPerS), N: len(same)}, true
}

// byBrake: the time from brake to command.
func (m *Memory) byBrake(r *Release) (d Decision, ok bool) {
	v := m.all(func(x *Remembered) float64 { return x.BrakeS })
	if len(v) < Fewest || math.IsNaN(r.BrakeS) {
		return d, false
	}
	mid, n := median(v)
	return Decision{LateS: r.BrakeS - mid, LowS: r.BrakeS - at(v, 0.95), HighS: r.BrakeS - at(v, 0.05), UsualBrakeS: mid, N: n}, true
}

func (m *Memory) those(which func(*Remembered) bool) []*Remembered {
	var list []*Remembered
	for i := range m.Last {
		if which(&m.Last[i]) {
			list = append(list, &m.Last[i])
		}
	}
	return list
}

// slopeOf is the median of the slopes between all pairs that are far enough
// apart; 0 where there are none.
func slopeOf(list []*Remembered) float64 {
	const apart = 15.0 // rpm/s
	var v []float64
	for i, a := range list {
		for _, b := range list[:i] {
			if dx := a.RPMPerS - b.RPMPerS; math.Abs(dx) >= apart {
				v = append(v, (a.TurbineRPM-b.TurbineRPM)/dx)
			}
		}
	}
	slices.Sort(v)
	mid, _ := median(v)
	return max(0, mid)
}
