package chain

import "math"

// Rise is what is kept of a rise of the command as the vehicle pulls away; Celsius is
// -1 where it is not known.
type Rise struct {
	Gear     int     `json:"gear"`
	Celsius  float64 `json:"deg_c"`
	Kmh      float64 `json:"kmh"`
	KmhPerS  float64 `json:"kmh_per_s"`
	PedalPct float64 `json:"pedal_percent"`
	// Told: it was told as late.
	Told bool `json:"told,omitempty"`
}

// Rises is at what road speed the command usually rises as this vehicle pulls away: its
// latest.
type Rises struct{ latest[Rise] }

// Learn takes one.
func (m *Rises) Learn(r Rise) {
	r.Celsius, r.Kmh, r.KmhPerS, r.PedalPct = known(r.Celsius, 1), known(r.Kmh, 0.1), known(r.KmhPerS, 0.01), known(r.PedalPct, 0.1)
	m.keep(r)
}

// Pedal is between which positions of the pedal, in %, the command usually rises: with
// others a controller may wait for longer (common practice). ok is false where there are
// too few.
func (m *Rises) Pedal() (low, high float64, ok bool) {
	var v []float64
	for i := range m.Last {
		if x := &m.Last[i]; !x.Told && x.PedalPct >= 0 {
			v = append(v, x.PedalPct)
		}
	}
	if len(v) < Fewest {
		return 0, 0, false
	}
	v = sorted(v)
	return at(v, fewInWay), at(v, 1-fewInWay), true
}

// byRise is the law of a rise: heavy vehicles pull away slowly.
var byRise = law{byRoad.of, 0.5, byRoad.apart, byRoad.least}

// fastest is more than a vehicle drives, km/h: rises are held as falls are, by how far
// they are below it.
const fastest = 400.0

func (x *Rise) remembered() Remembered {
	return Remembered{Gear: x.Gear, Celsius: x.Celsius, Kmh: fastest - x.Kmh, KmhPerS: x.KmhPerS, Told: x.Told,
		TurbineRPM: unknown, RPMPerS: unknown, BrakeS: unknown, PartedLow: unknown, PartedHigh: unknown, DeadS: unknown, LagS: unknown, OverdueS: unknown}
}

// RisesIn are those in one gear: each may have a turbine speed of its own to wait for, or
// none.
type RisesIn struct {
	Gear int
	mem  apart
}

// In returns those in a gear.
func (m *Rises) In(gear int) *RisesIn {
	in := &RisesIn{Gear: gear}
	for i := range m.Last {
		if m.Last[i].Gear == gear {
			in.mem.Last = append(in.mem.Last, m.Last[i].remembered())
		}
	}
	return in
}

// Decide holds a rise against the habit: a road speed, and how fast that grows, as with a
// release. ok is false where there is no habit, or none that is kept closely enough.
func (in *RisesIn) Decide(r Rise) (d Decision, ok bool) {
	x := r.remembered()
	if d, ok = in.mem.bySpeed(&x, &byRise); !ok || d.HighS-d.LowS > loosest {
		return d, false
	}
	d.UsualKmh = fastest - d.usual
	return d, true
}

// Another reports whether a rise is as enough before that are too many to be late ones.
func (m *Rises) Another(r Rise) bool {
	alike, of := 0, 0
	for i := range m.Last {
		x := &m.Last[i]
		if x.KmhPerS < r.KmhPerS/alikeRate || x.KmhPerS > r.KmhPerS*alikeRate {
			continue
		}
		of++
		if math.Abs(x.Kmh-r.Kmh) <= byRise.least {
			alike++
		}
	}
	return alike >= fewestOwn && float64(alike) > float64(fewInWay*float64(of))
}
