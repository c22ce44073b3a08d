package detect

import (
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/ratioline"
	"joltwatch/stream"
)

// found keeps the findings.
type found []Finding

func (o *found) Account(*Account)                   {}
func (o *found) Finding(f *Finding, _ []Percentile) { *o = append(*o, *f) }

// roadOnly watches a vehicle of which engine speed and whole km/h are known.
func roadOnly() (*Monitor, *found) {
	out := &found{}
	plan := &stream.Plan{Messages: []stream.Message{
		{Signals: []stream.Signal{{Role: stream.EngineSpeed, Scale: 0.25}}},
		{Signals: []stream.Signal{{Role: stream.VehicleSpeed, Scale: 1}}}}}
	return New(DefaultSettings(), plan, out), out
}

// The lines tell of a stop long after it: an engine whose death has been told is not
// told of as a stall again, and keeps what dragged it down.
func TestAStallIsToldOnce(t *testing.T) {
	m, out := roadOnly()
	died := 100 * bus.Second
	m.scene.TellStall(died)
	for _, off := range []bus.Micros{died + bus.Second, died + 60*bus.Second, died + 61*bus.Second} {
		m.lines.Stopped(&ratioline.Stop{Class: ratioline.Stall, Held: true, On: off - bus.Second/2, Off: off, At: off + bus.Second})
	}
	want := []Class{ReleaseDragging, ReleaseStall, ReleaseDragging}
	if len(*out) != len(want) {
		t.Fatalf("%d findings, want %d", len(*out), len(want))
	}
	for i, f := range *out {
		if f.Kind != KindReleaseLag || f.Class != want[i] || !f.Keep {
			t.Errorf("stall %d is told as %s %s, want %s", i, f.Kind, f.Class, want[i])
		}
	}
}

// Slip in top gear is told of as slip of which nothing says whether it was asked for,
// with what the clutch has carried; a minute in which it could have been is observed.
func TestSlipByTheLines(t *testing.T) {
	m, out := roadOnly()
	m.lines.Carried(false)
	m.lines.Carried(true)
	m.lines.Slipped(&ratioline.Slip{From: 100 * bus.Second, To: 108 * bus.Second, Line: 6, MeanRPM: 90, PeakRPM: 130, Kmh: 104, Pedal: 31, HeldS: 240})
	if len(*out) != 1 {
		t.Fatalf("%d findings, want 1", len(*out))
	}
	f := &(*out)[0]
	mean, _ := f.Get("slip_mean_rpm")
	held, _ := f.Get("held_against_more_s")
	if f.Kind != KindHillSlip || f.Class != Unknown || mean != 90 || held != 240 || *f.Context.SpeedKmh != 104 || *f.Context.AcceleratorPct != 31 {
		t.Errorf("%+v", f)
	}
	if c := m.lines.carried; c.Seen != 3 || c.Observable != 2 || c.Hits != 1 {
		t.Errorf("%+v", c.Opportunity)
	}
}

// What two speeds cannot tell at their rates is not observable, with the reason.
func TestAbilityByTheLines(t *testing.T) {
	set := DefaultSettings()
	for _, x := range []struct {
		hz                float64
		release, lockup   bool
		releaseSays, says string
	}{
		{15, true, true, "against this vehicle's habit", "as bounds"},
		{5, true, true, "later than usual by 1 s is not observable at 5 Hz", "as bounds"},
		{1, false, true, "not observable at 1 Hz: the engine is drawn below idle", "as bounds"},
		{0.5, false, false, "not observable at 0.5 Hz: values 2 s apart", "not observable at 0.5 Hz: values 2 s apart"},
	} {
		in := &Inputs{Set: &set}
		in.Period[stream.EngineSpeed], in.Period[stream.VehicleSpeed] = 1/x.hz, 1/x.hz
		for _, a := range Abilities(in) {
			switch a.Kind {
			case KindReleaseLag:
				if a.Can != x.release || !strings.Contains(a.Says, x.releaseSays) || (a.Part != "") != (x.hz == 5) {
					t.Errorf("%g Hz: %+v", x.hz, a)
				}
			case lockupSpec.Kind:
				if a.Can != x.lockup || !strings.Contains(a.Says, x.says) {
					t.Errorf("%g Hz: %+v", x.hz, a)
				}
			}
		}
	}
}
