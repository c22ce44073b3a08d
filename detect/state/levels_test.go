package state

import (
	"encoding/json"
	"math"
	"testing"

	"joltwatch/detect/segment"
	"joltwatch/stream"
)

// What was learned of the commands goes from one drive to the next, and what is
// no such thing is left out.
func TestLevelsAreKept(t *testing.T) {
	set := Settings{Clutch: ClutchSettings{ReleaseLevel: 0.2, ApplyLevel: 0.28, LearnedRelease: 0.5, LearnedApply: 0.75,
		LevelOpenS: 5, LevelHeldS: 10, LevelSteadyS: 1}, Drive: segment.Settings{RunningRPM: 350}}
	learn := New(set, &stream.Facts{})
	c := &learn.cmd.learned.of[0]
	c.width = 1
	c.open[2], c.opened = 31.237, 31.237
	c.held[60], c.heldS = 7200.4, 7200.4 // two hours: older than what is kept counts less
	c.divide(&set.Clutch)
	learn.cmd.high[stream.ClutchCommand] = 88.5
	b, err := json.Marshal(learn.Levels())
	if err != nil {
		t.Fatal(err)
	}
	var m LevelsMemory
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	next := New(set, &stream.Facts{})
	next.Recall(nil, nil, &m)
	r, a := next.cmd.levels(stream.ClutchCommand)
	if wantR, wantA := learn.cmd.levels(stream.ClutchCommand); r != wantR || a != wantA || r <= 5 {
		t.Errorf("levels %g and %g, want %g and %g", r, a, wantR, wantA)
	}
	if again, _ := json.Marshal(next.Levels()); string(again) != string(b) {
		t.Errorf("kept as %s, then as %s", b, again)
	}
	for _, bad := range []func(*CommandMemory){
		func(c *CommandMemory) { c.Width = math.NaN() },
		func(c *CommandMemory) { c.High = -1 },
		func(c *CommandMemory) { c.OpenS = c.OpenS[1:] },
		func(c *CommandMemory) { c.HeldS[4] = math.Inf(1) },
		func(c *CommandMemory) { c.OpenS[4] = -1 },
	} {
		var m LevelsMemory
		if err := json.Unmarshal(b, &m); err != nil {
			t.Fatal(err)
		}
		bad(m.Duty)
		v := New(set, &stream.Facts{})
		v.Recall(nil, nil, &m)
		if v.cmd.learned.of[0].known || v.cmd.high[stream.ClutchCommand] != 0 {
			t.Error("taken up, though out of range")
		}
	}
}
