package ratioline

import (
	"math"
	"strings"
	"testing"

	"joltwatch/bus"
)

// TestDrawnOnNoKnownLine: no line of the first gear is known, but how low the engine goes
// in this car's stops is. One that goes far lower is held by the clutch, unless it is
// switched off, or stands where no gear has it so fast.
func TestDrawnOnNoKnownLine(t *testing.T) {
	const idle, first = 700.0, 95.0
	sags := func(share float64) (s []float64) {
		for i := range 40 {
			s = append(s, share+0.01*float64(i%3))
		}
		return s
	}
	faulty := sags(0.95)
	for i := range faulty {
		if i%5 < 2 {
			faulty[i] = 0.5 + 0.01*float64(i)
		}
	}
	to := func(least float64) func(kmh, s float64) float64 { // held down to a speed, then free
		return func(kmh, s float64) float64 {
			if first*kmh < least {
				return idle
			}
			return first * kmh
		}
	}
	for _, c := range []struct {
		name string
		lows []float64                    // of the stops before
		fall float64                      // of the road speed, km/h/s
		rpm  func(kmh, s float64) float64 // s since the turbine fell through idle
		want Class
	}{
		{"held to 500 rpm", sags(0.95), 4, to(500), Dragging},
		{"held to 500 rpm, in a car that does so in two of five stops", faulty, 4, to(500), Dragging},
		{"held to 500 rpm, of too few stops", sags(0.95)[:lowsLeast-1], 4, to(500), NotSeen},
		{"held to 500 rpm, of eleven stops", sags(0.95)[:11], 4, to(500), NotSeen},
		{"held to 500 rpm, of twelve stops", sags(0.95)[:12], 4, to(500), Dragging},
		{"held to 640 rpm", sags(0.95), 4, to(640), NotSeen},
		{"weak idle control that sags to 0.82 as in the others", sags(0.82), 4, to(0.82 * idle), NotSeen},
		{"held to 430 rpm with a weak idle control", sags(0.82), 4, to(430), Dragging},
		{"let go at idle", sags(0.95), 4, to(idle), NotSeen},
		{"sags to 500 rpm once it stands", sags(0.95), 4, func(kmh, s float64) float64 {
			if s > 1.75 {
				return idle - 200*math.Sin(math.Pi*min(1, (s-1.75)/0.6))
			}
			return max(idle, first*kmh)
		}, NotSeen},
		{"idles lower from now on", sags(0.95), 4, func(kmh, _ float64) float64 { return max(500, first*kmh) }, NotSeen},
		{"held until it stands", nil, 4, func(kmh, _ float64) float64 { return max(0, first*kmh-50) }, Stall},
		{"held until it stands, braked hard", nil, 8, func(kmh, _ float64) float64 { return first * kmh }, Stall},
		{"held until it stands, the pedal lifted late", nil, 4, func(kmh, _ float64) float64 { return max(0, first*kmh-50) }, NotSeen},
		{"switched off as it rolls", sags(0.95), 4, func(kmh, s float64) float64 {
			return min(max(idle, first*kmh), max(0, idle-1200*(s-0.7)))
		}, NotSeen},
		{"switched off above idle in an open clutch", sags(0.95), 4, func(kmh, s float64) float64 {
			return min(1.15*idle, max(0, 1.15*idle-1600*(s+0.2)))
		}, NotSeen},
		{"switched off at 9 km/h with the clutch closed above idle", sags(0.95), 4, func(kmh, s float64) float64 {
			return min(first*kmh, max(0, first*kmh-900*(s+0.5)))
		}, NotSeen},
		{"switched off as it stands", sags(0.95), 4, func(kmh, s float64) float64 {
			return min(max(idle, first*kmh), max(0, idle-1200*(s-2)))
		}, NotSeen},
	} {
		m := Map{Step: 1, unsure: delayStep, Idle: idle, n: 3}
		for i, r := range []float64{26, 36, 55} {
			m.of[i] = Line{Ratio: r}
		}
		var p []Point
		for i := range 120 {
			at := float64(i) * 0.06
			kmh := max(0, 14-c.fall*at)
			if at > 14/c.fall+1.4 {
				break
			}
			x := Point{At: bus.Second + seconds(at), Kmh: kmh, Rate: -c.fall, Off: 0.3, Pedal: PedalOff, RPM: c.rpm(kmh, at-(14-idle/first)/c.fall)}
			if strings.HasSuffix(c.name, "lifted late") && x.RPM > idle {
				x.Pedal = PedalOn
			}
			p = append(p, x)
		}
		l := &lows{}
		for _, x := range c.lows {
			l.add(x)
		}
		j := judgement{known: &m, habit: &habit{}, passes: &passes{}, downs: &downshifts{}, low: l.limit(), running: 400, sag: 0.12, idle: idle, idleKnown: true, stand: bus.Second + seconds(14/c.fall)}
		var s Stop
		j.decide(p, make([]mark, len(p)), &s)
		if s.Class != c.want || c.want != NotSeen && !(s.Line == 0 && s.Drawn > 0 && s.Drawn <= s.On && s.On < s.Off) {
			t.Errorf("%s: class %d, want %d: %+v", c.name, s.Class, c.want, s)
		}
	}
}

// TestLowsAreKept: how low the engine goes is known to the next Tracker.
func TestLowsAreKept(t *testing.T) {
	var out report
	c := newCar(&out, 15)
	c.trips(20)
	limit := c.t.lows.limit()
	if limit < 0.7 || limit > 0.95 {
		t.Errorf("the engine is drawn below %.2f of idle, want it from a little below 1", limit)
	}
	again := New(testSettings(), &out)
	again.Recall(c.t.Memory())
	if got := again.lows.limit(); math.Abs(got-limit) > 0.002 {
		t.Errorf("%.4f after it was kept, %.4f before", got, limit)
	}
}
