package ratioline

import (
	"math"

	"joltwatch/bus"
)

// Downshift is at which turbine speed, in rpm, a line is left for the next lower
// gear's as the vehicle slows with the clutch closed.
type Downshift struct {
	From    float64 `json:"from_rpm_per_kmh"`
	To      float64 `json:"to_rpm_per_kmh"`
	Turbine float64 `json:"turbine_rpm"`
	Count   int     `json:"count"`
}

// downshifts are those of one vehicle.
type downshifts struct {
	of [maxLines]Downshift
	n  int
}

const (
	// downCount is how many downshifts of a line say where it is left, downWeight
	// what the latest counts for at the least.
	downCount  = 2
	downWeight = 0.15
	// sameLine is how far two ratios of one line may be apart, as a share: gears
	// are three times that apart at the least.
	sameLine = 0.02
)

// see notes the downshifts among the points of a stop: from one line straight to the
// next lower gear's.
func (d *downshifts) see(lines []Line, p []Point, k []mark) {
	last := -1
	for i := range p {
		if !proven(k[i]) {
			continue
		}
		if last >= 0 && k[i].line == k[last].line+1 && p[i].At-p[last].At <= gap && p[i].Kmh < p[last].Kmh && p[i].Pedal != PedalOn {
			d.add(lines[k[last].line].Ratio, lines[k[i].line].Ratio, p[last].Kmh)
		}
		last = i
	}
}

func (d *downshifts) add(from, to, kmh float64) {
	x := d.find(from)
	if x == nil {
		if d.n == len(d.of) {
			return
		}
		d.of[d.n] = Downshift{Turbine: float64(from * kmh)}
		x = &d.of[d.n]
		d.n++
	}
	x.From, x.To = from, to
	x.Count++
	x.Turbine += float64(max(1/float64(x.Count), downWeight) * (float64(from*kmh) - x.Turbine))
}

func (d *downshifts) find(ratio float64) *Downshift {
	for i := range d.of[:d.n] {
		if math.Abs(d.of[i].From/ratio-1) < sameLine {
			return &d.of[i]
		}
	}
	return nil
}

// next returns the ratio that a vehicle on one would be on at a road speed. Where it
// has passed the usual turbine speed by far, it does not shift in this stop.
func (d *downshifts) next(ratio, kmh float64) float64 {
	x := d.find(ratio)
	if x == nil || x.Count < downCount {
		return ratio
	}
	if turbine := float64(ratio * kmh); turbine < x.Turbine && turbine > float64(passedShare*x.Turbine) {
		return x.To
	}
	return ratio
}

// passedShare of the usual turbine speed is far below it: shifts are done at the same
// to a few percent (common practice, no source).
const passedShare = 0.93

// sliding is how a vehicle whose clutch holds on slows through the gears: on which line
// it is, when it shifts to a lower gear's, and when it may shift again.
type sliding struct {
	on, lower     float64
	shifts, again bus.Micros
}

// sliding returns that of a vehicle that was last seen on a line at a point. A shift
// that was due by then may come a little later, unseen as the clutch lets go with it.
func (d *downshifts) sliding(p []Point, left int, ratio float64) sliding {
	s := sliding{on: ratio, lower: ratio, shifts: math.MaxInt64}
	x := d.find(ratio)
	if x == nil || x.Count < downCount || left < 0 {
		return s
	}
	i := left + 1
	for i > 0 && float64(ratio*p[i-1].Kmh) < x.Turbine {
		i--
	}
	if i <= left && p[left].At-p[i].At < shiftWait {
		s.lower, s.shifts = x.To, p[i].At+shiftWait
	}
	return s
}

// slide returns the line on which it is at the next point.
func (d *downshifts) slide(s *sliding, x *Point) float64 {
	was := s.on
	if x.At >= s.again {
		s.on = d.next(s.on, x.Kmh)
	}
	if x.At > s.shifts {
		s.on = max(s.on, s.lower)
	}
	if s.on != was {
		s.again = x.At + shiftEvery
	}
	return s.on
}

// shiftWait is how long after the turbine speed at which it is due a shift may come,
// shiftEvery how soon after one the next may (common practice, no source).
const (
	shiftWait  = 700_000 * bus.Micros(1)
	shiftEvery = bus.Second
)
