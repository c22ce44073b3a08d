package ratioline

import (
	"math"
	"testing"

	"joltwatch/bus"
)

// TestDrawnInAGearNotLearned: no line of the first gear is known. An engine that goes
// through its idle speed far down with the road speed is held by the clutch; one that is
// switched off, or whose control sags and recovers, is not.
func TestDrawnInAGearNotLearned(t *testing.T) {
	const idle, first = 700.0, 95.0
	for _, c := range []struct {
		name string
		fall float64                      // of the road speed, km/h/s
		rpm  func(kmh, s float64) float64 // s since the turbine fell through idle
		want bool
	}{
		{"held until 4 km/h", 4, func(kmh, s float64) float64 {
			if kmh < 4 {
				return idle
			}
			return first * kmh
		}, true},
		{"let go at idle", 4, func(kmh, s float64) float64 { return max(idle, first*kmh) }, false},
		{"let go, and the idle control sags to two thirds in a quarter of a second", 4, func(kmh, s float64) float64 {
			if s > 0 {
				return idle - 240*math.Sin(math.Pi*min(1, s/0.5))
			}
			return first * kmh
		}, false},
		{"at idle in an open clutch, and runs down as the vehicle does", 4, func(kmh, s float64) float64 { return min(idle, first*kmh) }, false},
		{"falls from 1400 rpm to below idle in an open clutch, and runs down as the vehicle does", 1.5, func(kmh, s float64) float64 {
			if kmh > 7 {
				return 2 * idle
			}
			return first * max(kmh, 2)
		}, false},
		{"switched off as it rolls", 4, func(kmh, s float64) float64 {
			if kmh > 6 {
				return idle
			}
			return max(0, idle-1200*(s-0.35))
		}, false},
	} {
		m := Map{Step: 1, unsure: delayStep, Idle: idle, n: 3}
		for i, r := range []float64{26, 36, 55} {
			m.of[i] = Line{Ratio: r}
		}
		var p []Point
		for i := range 300 {
			at := float64(i) * 0.06
			kmh := max(0, 14-c.fall*at)
			p = append(p, Point{At: bus.Second + seconds(at), Kmh: kmh, Rate: -c.fall, Off: 0.3, Pedal: PedalOff, RPM: c.rpm(kmh, at-(14-idle/first)/c.fall)})
		}
		j := judgement{known: &m, habit: &habit{}, running: 400, sag: 0.12, idle: idle, idleKnown: true, stand: bus.Second + seconds(14/c.fall)}
		var s Stop
		j.decide(p, make([]mark, len(p)), &s)
		if got := s.Class >= Dragging; got != c.want || m.n != 3 {
			t.Errorf("%s: class %d, drawn %v; want it told %v", c.name, s.Class, s.Drawn, c.want)
		}
	}
}
