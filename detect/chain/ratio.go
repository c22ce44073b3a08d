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

// turning returns the memory and a release with the gears told apart by how the turbine
// turned over the road: a gear may be told before the turbine is in it, or after. Of
// releases before where that is not known it is the one in which the turbine turned most
// often when that gear was told.
func (m *Memory) turning(r *Release) (Memory, Release) {
	c, x := *m, *r
	c.Last = slices.Clone(m.Last)
	type turned struct {
		ratio float64
		at    int
	}
	var list []turned
	for i := range c.Last {
		if v := ratioOf(c.Last[i].TurbineRPM, c.Last[i].Kmh); v > 0 {
			list = append(list, turned{v, i})
		}
	}
	slices.SortFunc(list, func(a, b turned) int { return cmp.Or(cmp.Compare(a.ratio, b.ratio), a.at-b.at) })
	this := ratioOf(r.TurbineRPM, r.Kmh)
	told := map[[2]int]int{} // by gear told and turned
	gear, near := byTurning, alikeRatio
	for i, y := range list {
		if i > 0 && y.ratio > list[i-1].ratio*(1+alikeRatio) {
			gear++
		}
		told[[2]int{c.Last[y.at].Gear, gear}]++
		if off := math.Abs(this/y.ratio - 1); off < near {
			x.Gear, near = gear, off
		}
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
	switch {
	case len(list) == 0:
	case this == 0:
		// A shift hides it, and controllers wait for its end: the road speed then says
		// nothing of when it was due.
		x.Gear, x.Kmh = noGearYet, math.NaN()
	case near == alikeRatio:
		x.Gear = noGearYet
	}
	return c, x
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
