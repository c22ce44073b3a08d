package detect

import (
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
