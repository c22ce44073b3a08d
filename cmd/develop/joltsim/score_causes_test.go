package main

import (
	"strings"
	"testing"

	"joltwatch/cmd/develop/joltsim/drive"
)

// One vehicle with a pressure on the bus and one without, of each family: the
// release faults are put first where the signals tell them, and nothing is named
// where they do not.
func TestCausesOfReleases(t *testing.T) {
	c := &causesCmd{Rounds: 1, driven: driven{Tuning: true, Jobs: 1}}
	jobs, err := c.jobs(drive.Tuning)
	if err != nil {
		t.Fatal(err)
	}
	var few []job
	for _, j := range jobs {
		for _, name := range []string{"cause-valve-slow-0/van", "cause-release-late-0/van", "cause-command-late-0/van",
			"cause-slow-oil-0/hardtop", "cause-held-0/coupe", "cause-late-word-0/coupe"} {
			if strings.HasPrefix(j.name, name) {
				few = append(few, j)
			}
		}
	}
	classes, err := c.confuse(few)
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for name, x := range classes {
		for cause, y := range x.of {
			found += y.found
			if x.tells[cause] && (y.found < 4 || y.firstTwo < y.found) {
				t.Errorf("%s, %s: %d of %d found, %d among the first two", name, cause, y.found, y.injected, y.firstTwo)
			}
			if !x.tells[cause] && y.named > 0 {
				t.Errorf("%s, %s: named %d times without the signals to tell", name, cause, y.named)
			}
		}
	}
	if len(few) != 6 || found < 30 {
		t.Errorf("%d findings in %d drives", found, len(few))
	}
}
