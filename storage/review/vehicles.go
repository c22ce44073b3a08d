package review

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"joltwatch/detect/ratioline"
	"joltwatch/stream"
)

const (
	// sameRatio is how far two values of one vehicle may be apart, as a share: learned
	// ones are known to about a percent, and worn and new tyres differ by up to three in
	// circumference. sameIdle is the same of idle speeds, which are stated roughly.
	// Common practice, no source.
	sameRatio, sameIdle = 0.05, 0.15
)

// otherVehicle lists what says that two stays are of two vehicles: what their files
// state, and what was learned in them. Empty where nothing does.
func otherVehicle(a, b *Stay) (list []string) {
	apart := func(what string, x, y, same float64) {
		if x > 0 && y > 0 && math.Abs(x/y-1) > same {
			list = append(list, fmt.Sprintf("%s %.4g and %.4g", what, x, y))
		}
	}
	if a.Plan != nil && b.Plan != nil {
		f, g := &a.Plan.Facts, &b.Plan.Facts
		for _, gear := range slices.Sorted(maps.Keys(f.Ratios)) {
			apart(fmt.Sprintf("ratio of gear %d", gear), f.Ratios[gear], g.Ratios[gear], sameRatio)
		}
		apart("output shaft's rpm for 1 km/h", f.OutputPerKmh, g.OutputPerKmh, sameRatio)
		apart("idle speed", f.IdleRPM, g.IdleRPM, sameIdle)
		if roles, of := otherSignals(a.Plan, b.Plan); 2*len(roles) > of {
			list = append(list, "other messages carry "+strings.Join(roles, ", "))
		}
	}
	for _, x := range a.Ratios {
		for _, y := range b.Ratios {
			if x.Gear == y.Gear && x.Of == y.Of && x.Stable && y.Stable {
				apart(fmt.Sprintf("learned ratio of gear %d", x.Gear), x.Ratio, y.Ratio, sameRatio)
			}
		}
	}
	if n, of := otherLines(a, b); 2*n > of {
		list = append(list, fmt.Sprintf("%d of %d lines of engine over road speed are none of the other's", n, of))
	}
	return list
}

// otherLines tells how many of the lines of the stay with fewer lie among those of the
// other and are none of them, of so many among them: a gear may not have been driven.
func otherLines(a, b *Stay) (n, of int) {
	if a.Lines == nil || b.Lines == nil || len(a.Lines.Lines) == 0 || len(b.Lines.Lines) == 0 {
		return 0, 0
	}
	few, all := a.Lines.Lines, b.Lines.Lines
	if len(few) > len(all) {
		few, all = all, few
	}
	for _, x := range few {
		same := slices.ContainsFunc(all, func(y ratioline.Line) bool { return math.Abs(x.Ratio/y.Ratio-1) <= sameRatio })
		if among := x.Ratio > all[0].Ratio && x.Ratio < all[len(all)-1].Ratio; among || same {
			of++
			if !same {
				n++
			}
		}
	}
	return n, of
}

// otherSignals are the roles that two plans take from no frame alike, of how many that
// both have.
func otherSignals(a, b *stream.Plan) (roles []string, of int) {
	from := func(p *stream.Plan) map[stream.Role][]string {
		m := map[stream.Role][]string{}
		for _, x := range p.Messages {
			for _, s := range x.Signals {
				m[s.Role] = append(m[s.Role], fmt.Sprint(x.Match, x.ID, s.Start, s.Length))
			}
		}
		return m
	}
	x, y := from(a), from(b)
	for _, r := range slices.Sorted(maps.Keys(x)) {
		if len(y[r]) == 0 {
			continue
		}
		if of++; !slices.ContainsFunc(x[r], func(s string) bool { return slices.Contains(y[r], s) }) {
			roles = append(roles, r.String())
		}
	}
	return roles, of
}
