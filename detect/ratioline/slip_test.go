package ratioline

import (
	"math"
	"slices"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
)

// wornDrives drives a foreign vehicle for two hours while its clutch carries all, and
// for 40 min while that slips with what it carried in three tenths of the time under
// drive in top gear. It returns the drives.
func wornDrives(f *foreign, a *asking) (runs [4]*foreignRun) {
	var known *Memory
	for i := range runs {
		if n := len(f.torques); i == 3 && n > 0 {
			slices.Sort(f.torques)
			f.carries = f.torques[n*7/10]
		}
		runs[i] = &foreignRun{}
		tr := New(testSettings(), runs[i])
		tr.Recall(known)
		f.drive(a, 2400, tr, runs[i])
		known = tr.Memory()
	}
	return runs
}

// stretches counts those in which it truly slipped by 50 rpm or more for 7 s.
func (r *foreignRun) stretches() (n int) {
	since := 0
	for i, x := range r.slip {
		if x < 50 || x > slipMost {
			since = i
		} else if float64(i-since)*foreignTick >= 7 {
			n++
			since = len(r.slip)
		}
		if since == len(r.slip) && x < 50 {
			since = i
		}
	}
	return n
}

// trueMean is the mean slip between two instants.
func (r *foreignRun) trueMean(from, to bus.Micros) (mean float64) {
	a, b := int((from.Seconds()-r.t0)/foreignTick), int((to.Seconds()-r.t0)/foreignTick)
	for _, x := range r.slip[max(a, 0):min(b, len(r.slip))] {
		mean += x / float64(b-a)
	}
	return mean
}

// TestSlipInTopGear: a clutch that slips with what it has carried is told, and how much
// it slips; sound ones are not, whether they slip on purpose, open in shifts or are a
// driver's foot. Minutes in which it would have been told are none where it could not.
func TestSlipInTopGear(t *testing.T) {
	allTruths, allTold := 0, 0
	for i := range foreignKinds {
		k := &foreignKinds[i]
		truths, told, carried, observable := 0, 0, 0, 0
		for n := range 2 {
			runs := wornDrives(drawForeign(k, lot.Draw(t, uint64(500+n), uint64(i))))
			for d, r := range runs[:3] {
				for _, x := range r.slips {
					t.Errorf("%s, vehicle %d, drive %d: told of a sound clutch: %+v", k.name, n, d, x)
				}
				carried, observable = carried+r.carried, observable+r.observable
			}
			worn := runs[3]
			truths, told = truths+worn.stretches(), told+len(worn.slips)
			for _, x := range worn.slips {
				if mean := worn.trueMean(x.From, x.To); math.Abs(x.MeanRPM-mean) > 15+0.15*mean {
					t.Errorf("%s, vehicle %d: slip of %.0f rpm told as %.0f", k.name, n, mean, x.MeanRPM)
				}
			}
		}
		t.Logf("%s: %d told, %d stretches of 7 s, %d of %d sound minutes observable", k.name, told, truths, observable, carried)
		switch k.name {
		case "no pedal", "never closes", "no steps", "closes in top gear only":
			if told > 0 || observable > 0 {
				t.Errorf("%s: %d told, %d minutes observable, where nothing can be", k.name, told, observable)
			}
		default:
			allTruths, allTold = allTruths+truths, allTold+told
			if 3*observable < carried {
				t.Errorf("%s: slip could have been told in %d of %d minutes, want a third", k.name, observable, carried)
			}
		}
	}
	if 8*allTold < allTruths {
		t.Errorf("%d of %d stretches are told, want an eighth", allTold, allTruths)
	}
}

// TestHarder: what was asked of the clutch with as much pedal or more at a road speed or
// less, and near it, by hand.
func TestHarder(t *testing.T) {
	var l loads
	for _, x := range []Load{{Kmh: 95, Pedal: 30, HeldS: 40}, {Kmh: 85, Pedal: 42, HeldS: 20}, {Kmh: 85, Pedal: 20, HeldS: 600}, {Kmh: 120, Pedal: 42, HeldS: 300, SlippedS: 8, SlipRPM: 50}} {
		l.add(x.Kmh, x.Pedal, load{x.HeldS, x.SlippedS, x.SlippedS * x.SlipRPM})
	}
	for _, c := range []struct {
		kmh, pedal   float64
		harder, near load
	}{
		{96, 31, load{held: 60}, load{held: 40}}, {96, 41, load{held: 20}, load{held: 20}}, {84, 22, load{held: 620}, load{held: 600}},
		{130, 41, load{320, 8, 400}, load{300, 8, 400}}, {70, 10, load{}, load{}},
		{125, 38, load{320, 8, 400}, load{300, 8, 400}}, {125, 34, load{360, 8, 400}, load{}},
	} {
		if harder, near := l.harder(c.kmh, c.pedal), l.near(c.kmh, c.pedal); harder != c.harder || near != c.near {
			t.Errorf("at %g km/h and %g %%: %v against more and %v near, want %v and %v", c.kmh, c.pedal, harder, near, c.harder, c.near)
		}
	}
	var back loads
	for _, x := range l.list() {
		back.add(x.Kmh, x.Pedal, load{x.HeldS, x.SlippedS, x.SlippedS * x.SlipRPM})
	}
	if back != l {
		t.Error("what was listed is not what was kept")
	}
}

// TestSlipOnPurpose: slip of 50 rpm that is this vehicle's habit under more load is no
// exception under less, and 90 rpm is; where it holds against more it is one, and where
// nothing is known it is none.
func TestSlipOnPurpose(t *testing.T) {
	for _, x := range []struct {
		known load // at 15 % more pedal
		mean  float64
		told  bool
	}{{load{300, 60, 60 * 50}, 50, false}, {load{300, 60, 60 * 50}, 90, true}, {load{300, 6, 6 * 50}, 50, true}, {load{held: 20}, 90, false}} {
		w := &slipWatch{}
		w.loads.add(100, 45, x.known)
		r := &slipRun{from: bus.Second, to: 9 * bus.Second, n: 8, sum: 8 * x.mean, kmh: 8 * 105, pedal: 8 * 30, least: 40}
		if told := w.told(r); told != x.told {
			t.Errorf("%v, %g rpm: told %v, want %v", x.known, x.mean, told, x.told)
		}
	}
}
