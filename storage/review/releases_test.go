package review

import (
	"testing"

	"joltwatch/detect"
)

// A release as the driver drove on is no stop and is not asked, nor counted as a try,
// but said where it was late; one whose pedal never reads 0, or is not known, is one.
func TestReleasesOfStops(t *testing.T) {
	pct := func(v float64) *float64 { return &v }
	release := func(class detect.Class, pedal *float64, slowing ...float64) Event {
		e := Event{Finding: detect.Finding{Kind: detect.KindReleaseLag, Class: class}}
		e.Context.AcceleratorPct = pedal
		for _, v := range slowing {
			e.Measures = append(e.Measures, measure("braking_mps2", v))
		}
		return e
	}
	s := &Stay{Events: []Event{
		release(detect.Normal, pct(85), -1.4),
		release(detect.ReleaseLate, pct(60), 0),
		release(detect.Normal, pct(0), 1.2),
		release(detect.ReleaseLate, pct(14), 1.2),
		release(detect.Normal, nil, -0.1),
		release(detect.Normal, pct(85)),
	}}
	x := s.Releases()
	if len(x.Releases) != 4 || x.DrivenOn.Of != 2 || x.DrivenOn.Late != 1 {
		t.Errorf("%d releases of stops, %+v as the driver drove on", len(x.Releases), x.DrivenOn)
	}
	if n, late := s.Tries(nil); n != 4 || late != 1 {
		t.Errorf("%d tries, %d late", n, late)
	}
	if got := s.Tried(Metric); got != "" {
		t.Errorf("without a recipe: %s", got)
	}
	s.Settings = "[recipe]\nbraking_mps2 = {from = 1}\n"
	// 1 of 2: 1.3 to 98.7 %, Clopper and Pearson's tables.
	if got, want := s.Tried(Metric), "Recorded with a recipe (deceleration 1 m/s² or more): 2 stops made under it, late 5 in 10 (95 in 100: 1 in 79 to nearly always; 1 of 2)."; got != want {
		t.Errorf("%s", got)
	}
	s.Settings = "[recipe]\nbraking_mps2 = {from = 3}\n"
	if got, want := s.Tried(Metric), "Recorded with a recipe (deceleration 3 m/s² or more): 0 stops made under it."; got != want {
		t.Errorf("%s", got)
	}
	want := "Too few to tell: 1 of 4 releases late; 5 of each kind are needed to ask what they have in common. Not asked, for they were no stops: 2 releases as the driver drove on, 1 of them late."
	if got := s.Conditions().Says(Metric.Quantity); got != want {
		t.Errorf("%s", got)
	}
}
