package detect_test

import (
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
)

// Engine speed, road speed in whole km/h and a gear, a few times a second: an
// engine that is drawn below idle is found, and a sound vehicle, one that stops
// its own engine, or one that lets go late but above idle is never called
// anything. It lets go by the latest instant that is told, and what was unknown of the clutch's state leaves
// room for the truth.
func TestCoarseSignals(t *testing.T) {
	for _, c := range []struct {
		vehicle string
		late    float64
	}{{"saloon", 0}, {"saloon", 3}, {"estate", 0}, {"estate", 0.6}} {
		sc := drive.Scenario{Name: "t", Vehicle: c.vehicle, Seed: 31, FluidC: 70, Steps: long(12)}
		if c.late > 0 {
			sc.Faults = []drive.Fault{{Kind: "release-late", Value: c.late}}
		}
		r, plan := simulate(t, sc)
		got := watch(t, r, plan)
		below := (1 - detect.DefaultSettings().ReleaseLag.DragSag) * plan.Facts.IdleRPM
		dragged, found, bounds := 0, 0, 0
		for _, x := range r.Truth.Releases {
			if x.Reason == "stop" && x.LagS > 1 && x.EngineMin < 0.9*below {
				dragged++
			}
		}
		for _, f := range got.of(detect.KindReleaseLag) {
			if f.Class != detect.Normal {
				found++
				if c.late < 1 {
					t.Errorf("%s, late by %g s: called %s: %v", c.vehicle, c.late, f.Class, f.Measures)
				}
			}
			var open detect.Instant
			for _, i := range f.Instants {
				if i.Name == "seen open" {
					open = i
				}
			}
			for _, x := range r.Truth.Releases {
				// The road speed comes some tenths of a second late.
				const late = bus.Second / 2
				if x.Reason == "stop" && x.Fell > f.End-20*bus.Second && x.Fell < f.End {
					bounds++
					if freed := x.Fell + bus.Micros(1e6*min(x.LagS, x.FreedS)); freed > open.Late+late {
						t.Errorf("%s: let go %.3f s after the latest that is told", c.vehicle, (freed - open.Late).Seconds())
					}
				}
			}
		}
		if found < dragged {
			t.Errorf("%s: the engine was drawn well below idle %d times, found %d", c.vehicle, dragged, found)
		}
		if c.late == 3 && dragged == 0 {
			t.Errorf("%s: the fault drags in no stop", c.vehicle)
		}
		// The estate shifts down as it lets go, which hides when it does.
		if hides := c.vehicle == "estate"; bounds == 0 && (!hides || got.account.StopsObserved > 0) {
			t.Errorf("%s, late by %g s: no stop has a bound", c.vehicle, c.late)
		}
		a, want := got.account, r.Truth.Totals()
		locked := a.ClosedS + a.PartialS + a.CoastS
		if truth := want.ClosedS + want.PartialS + want.CoastS; c.late == 0 && (locked > truth+0.005*a.MovingS || locked+a.UnknownS < truth-0.005*a.MovingS) {
			t.Errorf("%s: locked %.1f s and unknown %.1f s, in truth %.1f s", c.vehicle, locked, a.UnknownS, truth)
		}
		t.Logf("%s, late by %g s: %d of %d stops observed, %d bounds, %d of %d dragged, unknown %.0f of %.0f s",
			c.vehicle, c.late, a.StopsObserved, a.Stops, bounds, found, dragged, a.UnknownS, a.MovingS)
	}
}

// Drives that end before the lines are known are told of once they are: their accounts
// come again, each with the time that is its own.
func TestEndedDrivesAreToldOf(t *testing.T) {
	off := drive.Step{Do: "off", ForS: 15}
	sc := drive.Scenario{Name: "t", Vehicle: "saloon", Seed: 31, FluidC: 70, Steps: append(append(append(long(3), off), long(4)...), off)}
	r, plan := simulate(t, sc)
	first, last, moving := map[int]float64{}, map[int]detect.Account{}, 0.0
	got := &catch{accounts: func(a *detect.Account) {
		if a.Ended && !last[a.Drive].Ended {
			first[a.Drive] = a.UnknownS
		}
		last[a.Drive] = *a
	}}
	n := 0
	m := watchBy(t, r.Frames, plan, got)
	got.accounts = func(*detect.Account) { n++ }
	if m.Flush(); n > 0 {
		t.Errorf("%d accounts of drives of which all was told", n)
	}
	for _, f := range got.of(detect.KindReleaseLag) {
		a := last[f.Drive]
		if since := (f.Start - a.Start).Seconds(); f.Start > a.End || since < 0 || math.Abs(since-f.Context.SinceStartS) > 0.1 {
			t.Errorf("a release of drive %d, %.1f s after its start, is told as %.1f s after it", f.Drive, since, f.Context.SinceStartS)
		}
	}
	releases := uint64(0)
	for n, a := range last {
		releases += uint64(a.ReleaseTrials.Releases)
		if a.ReleaseTrials.Releases == 0 || int(a.ReleaseTrials.Releases) > a.Stops || a.StopsObserved > a.Stops {
			t.Errorf("drive %d: %+v in %d stops", n, a.ReleaseTrials, a.Stops)
		}
		if moving += a.MovingS; a.UnknownS > 0.5*a.MovingS {
			t.Errorf("drive %d: unknown %.0f of %.0f s", n, a.UnknownS, a.MovingS)
		}
	}
	if n := len(got.of(detect.KindReleaseLag)); n < 5 || releases < uint64(n) {
		t.Errorf("%d releases told, %d in the accounts", n, releases)
	}
	if len(last) != 2 || first[1] < 0.9*last[1].MovingS {
		t.Errorf("%d drives, of the first %.0f of %.0f s unknown as it ended: nothing was told later", len(last), first[1], last[1].MovingS)
	}
	want := r.Truth.Totals()
	if all := want.ClosedS + want.PartialS + want.CoastS + want.OpenS; math.Abs(moving/all-1) > 0.02 {
		t.Errorf("moved for %.0f s, in truth %.0f", moving, all)
	}
}

// Where the clock goes back, what came before is told of its own drive, and of no later one.
func TestClockGoesBackWhileLinesAreLearned(t *testing.T) {
	sc := drive.Scenario{Name: "t", Vehicle: "saloon", Seed: 31, FluidC: 70, Steps: append(long(2), drive.Step{Do: "off", ForS: 15})}
	r, plan := simulate(t, sc)
	once, _ := simulate(t, sc)
	var frames []bus.Frame
	for _, shift := range []bus.Micros{0, 400 * bus.Second, 0} {
		for _, f := range r.Frames {
			f.At += shift
			frames = append(frames, f)
		}
	}
	last := map[int]detect.Account{}
	watchBy(t, frames, plan, &catch{accounts: func(a *detect.Account) { last[a.Drive] = *a }})
	want := once.Truth.Totals()
	alone := want.ClosedS + want.PartialS + want.CoastS + want.OpenS
	// No row says that the second drive ended: it goes on in the third.
	if a, b := last[1].MovingS, last[2].MovingS; len(last) != 2 || math.Abs(a/alone-1) > 0.05 || math.Abs(b/alone-2) > 0.1 {
		t.Errorf("drives of %.0f and %.0f s, want %.0f and twice that", a, b, alone)
	}
}
