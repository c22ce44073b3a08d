package chain

import (
	"cmp"
	"math"
	"slices"
)

const (
	// alikeRatio is by how much the turbine's speed for 1 km/h may differ in one gear:
	// half a km/h at the speeds of a release; gears are further apart (common practice,
	// no source).
	alikeRatio = 0.08
	// leastKmh is the least road speed that says which gear it is.
	leastKmh = 5.0
	// byTurning is added to the number of a gear that is told apart by how the turbine
	// turned.
	byTurning = 100
)

// apart is a memory with the gears told apart by how the turbine turned over the road, and
// what was worked out of it.
type apart struct {
	Memory
	ratios []turned // ascending
	laid   []laid
	liftS  float64 // until then after the pedal's lift, the lift decides
}

// turned is how the turbine turned in a release, and in which gear that is.
type turned struct {
	ratio    float64
	at, gear int
}

// turning returns the memory and a release with the gears told apart by how the turbine
// turned over the road: a gear may be told before the turbine is in it, or after.
func (m *Memory) turning(r *Release) (*apart, Release) {
	c, x := m.told, *r
	if c == nil {
		if c = m.apart(); len(m.Last) > 0 {
			m.told = c
		}
	}
	this := ratioOf(r.TurbineRPM, r.Kmh)
	near := alikeRatio
	for i := range c.ratios {
		if off := math.Abs(this/c.ratios[i].ratio - 1); off < near {
			x.Gear, near = c.ratios[i].gear, off
		}
	}
	switch {
	case len(c.ratios) == 0:
	case this == 0:
		// A shift hides it, and controllers wait for its end: the road speed then says
		// nothing of when it was due.
		x.Gear, x.Kmh = noGearYet, math.NaN()
	case near == alikeRatio:
		x.Gear = noGearYet
	}
	return c, x
}

// apart takes those that the pedal's lift decided out, which say nothing of a speed, and
// tells the gears of the others apart. Of releases where it is not known how the turbine turned,
// the gear is the one in which it turned most often when that gear was told.
func (m *Memory) apart() *apart {
	liftS := m.liftS()
	c := &apart{liftS: liftS, Memory: Memory{latest: latest[Remembered]{Last: slices.DeleteFunc(slices.Clone(m.Last),
		func(x Remembered) bool { return x.LiftedS > 0 && x.LiftedS <= liftS })}}}
	for i := range c.Last {
		if v := ratioOf(c.Last[i].TurbineRPM, c.Last[i].Kmh); v > 0 {
			c.ratios = append(c.ratios, turned{v, i, 0})
		}
	}
	slices.SortFunc(c.ratios, func(a, b turned) int { return cmp.Or(cmp.Compare(a.ratio, b.ratio), a.at-b.at) })
	told := map[[2]int]int{} // by gear told and turned
	gear := byTurning
	for i := range c.ratios {
		y := &c.ratios[i]
		if i > 0 && y.ratio > c.ratios[i-1].ratio*(1+alikeRatio) {
			gear++
		}
		y.gear = gear
		told[[2]int{c.Last[y.at].Gear, gear}]++
		c.Last[y.at].Gear = gear
	}
	usually := func(g int) int {
		most, n := g, 0
		for k := byTurning; k <= gear; k++ {
			if told[[2]int{g, k}] > n {
				most, n = k, told[[2]int{g, k}]
			}
		}
		return most
	}
	for i := range c.Last {
		if c.Last[i].Gear < byTurning {
			c.Last[i].Gear = usually(c.Last[i].Gear)
		}
	}
	return c
}

// noGearYet is one in which no release was before.
const noGearYet = -byTurning

// ratioOf is the turbine's speed for 1 km/h; 0 where that is not known.
func ratioOf(rpm, kmh float64) float64 {
	if !(rpm > 0) || !(kmh >= leastKmh) {
		return 0
	}
	return rpm / kmh
}
