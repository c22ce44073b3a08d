package ratioline

import (
	"math"
	"testing"

	"joltwatch/bus"
)

// passing are stops of a car that shifts down and lets go at about the same turbine speed:
// it holds on through the shift in a slow fall, and has let go by then in a fast one.
func passing(held, free int, behind float64) *passes {
	l := &passes{}
	for i := range max(held, free) {
		if i < held {
			l.add(Pass{Ratio: 36, Fall: 70 + 60*float64(i)/float64(held), Held: true})
		}
		if i < free {
			l.add(Pass{Ratio: 36, Fall: 140 + 100*float64(i)/float64(free), Behind: behind})
		}
	}
	return l
}

// TestHeldThroughShift: a clutch that holds on through a shift down in a fall in which this
// car has always let go by then is late, though it lets go at a usual speed afterwards.
func TestHeldThroughShift(t *testing.T) {
	const idle, down, upper, lower, shiftS = 700.0, 880.0, 36.0, 46.0, 0.25
	often := passing(15, 20, 0.08)
	for range 3 {
		often.add(Pass{Ratio: upper, Fall: 200, Held: true})
	}
	for _, c := range []struct {
		name   string
		passes *passes
		fall   float64 // of the turbine before the shift, rpm/s
		heldS  float64 // after the shift began
		driven int     // stretches on the lower line under drive
		pedal  Pedal
		before float64 // a fall before this one, in which it held for long; the pedal ended that
		late   bool
	}{
		{"held in a fast fall", passing(15, 20, 0.08), 200, 0.9, 9, PedalOff, 0, true},
		{"held in a slow fall", passing(15, 20, 0.08), 110, 0.9, 9, PedalOff, 0, false},
		{"held a little above the limit between them", passing(15, 20, 0.08), 145, 0.9, 9, PedalOff, 0, false},
		{"let go in the shift in a fast fall", passing(15, 20, 0.08), 200, 0.1, 9, PedalOff, 0, false},
		{"held, of too few that let go", passing(15, 9, 0.08), 200, 0.9, 9, PedalOff, 0, false}, // seven of them above the limit
		{"held, of eight that let go above the limit", passing(15, 10, 0.08), 200, 0.9, 9, PedalOff, 0, true},
		{"held, as in three of the others that were not told", often, 230, 0.9, 9, PedalOff, 0, false},
		{"held, where an open converter keeps the engine on the line", passing(15, 20, 0.01), 200, 0.9, 9, PedalOff, 0, false},
		{"held, on a line that is an open converter's", passing(15, 20, 0.08), 200, 0.9, 1, PedalOff, 0, false},
		{"held with the pedal pressed", passing(15, 20, 0.08), 200, 0.9, 9, PedalOn, 0, false},
		{"held in a slow fall, after a fast one that the pedal ended", passing(15, 20, 0.08), 110, 0.9, 9, PedalOff, 200, false},
	} {
		m := Map{Step: 1, unsure: delayStep, Idle: idle, n: 2}
		m.of[0] = Line{Ratio: upper, DrivenWide: 1.5}
		m.of[1] = Line{Ratio: lower, Driven: c.driven, Coasts: 5}
		var p []Point
		drive := func(fall, heldS, until float64) (stand bus.Micros) {
			rate := fall / upper
			from := down/upper + 2*rate
			begin := bus.Second
			if len(p) > 0 {
				begin += p[len(p)-1].At
			}
			rpm := 0.0
			for at := 0.0; at <= min(until, from/rate+1); at += 0.06 {
				kmh := max(0, from-rate*at)
				switch since := at - 2; {
				case since <= heldS:
					share := min(1, max(0, since/shiftS))
					rpm = (upper + share*(lower-upper)) * kmh
				default: // open, and 8 % behind in overrun at the most
					rpm = max(idle, min(rpm, 0.92*lower*kmh))
				}
				p = append(p, Point{At: begin + seconds(at), Kmh: kmh, Rate: -rate, Off: 0.2, Pedal: c.pedal, RPM: rpm})
			}
			return begin + seconds(from/rate)
		}
		if c.before > 0 {
			drive(c.before, 2, 4)
			p[len(p)-1].Pedal = PedalOn
		}
		stand := drive(c.fall, c.heldS, 9.6)
		j := judgement{known: &m, habit: &habit{}, passes: c.passes, downs: &downshifts{}, running: 400, sag: 0.12, idle: idle, idleKnown: true,
			stand: stand}
		for range downCount {
			j.downs.add(upper, lower, down/upper)
		}
		var s Stop
		j.decide(p, make([]mark, len(p)), &s)
		if late := s.Class == Late; late != c.late || late && !(s.LateMin > 0 && s.LateMin < c.heldS && s.LateMax > c.heldS-0.2 && s.Line == 1) {
			t.Errorf("%s: class %d, want late %v: %+v", c.name, s.Class, c.late, s)
		}
	}
}

// TestPassesAreKept: what stops showed of shifts down is known to the next Tracker.
func TestPassesAreKept(t *testing.T) {
	var out report
	c := newCar(&out, 15)
	c.trips(20)
	c.t.passes = *passing(15, 20, 0.08)
	again := New(testSettings(), &out)
	again.Recall(c.t.Memory())
	limit, n := c.t.passes.limit(36)
	if got, m := again.passes.limit(36); n != 35 || m != n || math.Abs(got-limit) > 0.1 {
		t.Errorf("%.1f rpm/s of %d after it was kept, %.1f of %d before", got, m, limit, n)
	}
}
