package ratioline

import (
	"testing"

	"joltwatch/bus"
)

// TestAShiftThatWasDueIsLaidOver: a clutch that lets go just as the gearbox shifts down
// hides the shift; one that held on would have gone through it, and through the next one
// no sooner than a second later.
func TestAShiftThatWasDueIsLaidOver(t *testing.T) {
	d := &downshifts{}
	for range downCount {
		d.add(40, 50, 900.0/40)
		d.add(50, 60, 900.0/50)
	}
	// It slows by 4 km/h in a second from 24 km/h on: 900 rpm on the first line at 0.4 s,
	// 50 × 17.4 km/h = 870 rpm on the second one at 1.65 s.
	var p []Point
	for i := range 60 {
		at := bus.Micros(i) * bus.Second / 20
		p = append(p, Point{At: at, Kmh: 24 - 4*at.Seconds()})
	}
	walk := func(left int) (on []float64) {
		s := d.sliding(p, left, 40)
		for i := left + 1; i < len(p); i++ {
			on = append(on, d.slide(&s, &p[i]))
		}
		return on
	}
	early := walk(12) // 0.6 s: due for 0.2 s
	if s, want := early[len(early)-1], 60.0; s != want || early[0] != 50 {
		t.Errorf("seen until 0.6 s: on %g, then %g at the end; want 50, then %g", early[0], s, want)
	}
	for i, on := range early[:20] {
		if on > 50 {
			t.Errorf("the second shift %d ms after the first", 50*i)
		}
	}
	// 0.9 s: at 816 rpm the usual speed is passed, and the shift is due until 1.1 s.
	if late := walk(18); late[0] != 40 || late[4] != 50 {
		t.Errorf("seen until 0.9 s: on %g, then %g at 1.15 s, want 40, then 50", late[0], late[4])
	}
	for _, on := range walk(25) { // 1.25 s: it did not shift
		if on != 40 {
			t.Fatalf("on %g after it had stayed below its usual speed for long", on)
		}
	}
}
