package drive

import (
	"fmt"
	"math"
	"testing"
)

// TestLibrary drives every scenario to its end and checks that what it is for
// really happens in it.
func TestLibrary(t *testing.T) {
	if testing.Short() {
		t.Skip("a few hours of driving: not with -short")
	}
	kinds := map[string]bool{}
	for _, set := range []Set{Tuning, Scoring} {
		// Each scenario on one of the set's vehicles in turn; the scorer
		// drives them all.
		library := Library(set)
		turn := map[string]int{}
		for _, c := range library {
			key := fmt.Sprint(c.Kind, c.Grade > 0, int(c.Grade*100)%7)
			kinds[c.Kind] = true
			turn[key]++
			if turn[key]%len(set.Vehicles()) != len(c.Kind)%len(set.Vehicles()) {
				continue
			}
			c.Scenario.NoTrace = true
			s, err := New(c.Scenario)
			if err != nil {
				t.Fatal(err)
			}
			for {
				if _, ok := s.Next(); !ok {
					break
				}
				if s.ms > 3_600_000 {
					t.Fatalf("%s: still driving after an hour, at step %d", c.Name, s.w.d.at)
				}
				if p := s.w.p; math.IsNaN(p.engine) || p.engine*radToRPM > 7000 || abs(p.kmh()) > 180 {
					t.Fatalf("%s: engine %.0f rpm at %.0f km/h", c.Name, p.engine*radToRPM, p.kmh())
				}
			}
			tr := s.Truth()
			late, dragged := 0, 0
			for _, r := range tr.Releases {
				if r.Reason == "stop" && r.InjectedS > 0 && abs(r.SlipRPM) < 3 && !r.Reapplied {
					late++
					if r.Parted > 0 && !r.Stalled && (r.LagS < r.InjectedS-0.03 || min(r.LagS, r.FreedS) > r.InjectedS+0.5) {
						t.Errorf("%s: injected %.2f s, happened %.2f s: %+v", c.Name, r.InjectedS, r.LagS, r)
					}
				}
				if r.InjectedNm > 0 {
					dragged++
				}
			}
			switch c.Kind {
			case "release-late":
				if late < 5 {
					t.Errorf("%s: %d late releases at stops", c.Name, late)
				}
			case "release-drag":
				if dragged < 4 {
					t.Errorf("%s: %d dragged releases", c.Name, dragged)
				}
			case "unasked-slip":
				n := 0
				for _, x := range tr.Slips {
					if !x.Asked && x.Mean > 0.4*c.Grade && x.Mean < 1.3*c.Grade {
						n++
					}
				}
				if n == 0 {
					t.Errorf("%s: no such slip in %+v", c.Name, tr.Slips)
				}
			case "hill-steep", "hill-slight":
				if len(tr.Slips) == 0 && s.v.Control.HillSlipSteep > 0 {
					t.Errorf("%s: no slip on the hill", c.Name)
				}
			case "flare":
				n := 0
				for _, x := range tr.Shifts {
					if x.FlareRPM > 60 {
						n++
					}
				}
				if n == 0 {
					t.Errorf("%s: no flare", c.Name)
				}
			}
			if len(tr.Stops) == 0 && c.Kind != "keys" {
				t.Errorf("%s: never stops", c.Name)
			}
		}
	}
	if len(kinds) < 30 {
		t.Errorf("%d kinds of scenario", len(kinds))
	}
}
