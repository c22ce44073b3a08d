package detect_test

import (
	"flag"
	"fmt"
	"os"
	"sort"
	"sync"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/stream"
)

// emitted is what the drives of the tests have found: kind and class, kind and
// measure.
var emitted sync.Map

// noteEmitted notes what a finding shows to be emitted.
func noteEmitted(f *detect.Finding) {
	emitted.Store(f.Kind+" "+f.Class.String(), true)
	for _, m := range f.Measures {
		emitted.Store(f.Kind+" "+m.Name, true)
	}
}

// Drives of the simulator that show what the other tests do not.
func TestLibraryEmits(t *testing.T) {
	want := map[string]string{"partial-apply-60/van": "apply slow", "clock-jump/van": "bus-fault clock-jump", "misfire-8/van": "flare flare",
		"gearset-slip-60/van": "gearset-slip slipping", "flare-0.6/van": "jolt after_nearest_s", "hill-slight/van": "open-under-drive asked",
		"shudder-4/van": "shudder shudder", "release-late-3/saloon": "engine-died clutch-unknown",
		"cause-command-late-0/van": "release-lag late-command", "unasked-slip-20/van": "hill-slip torque_hold_nm",
		"cause-one-way-0/van": "engine-died launches"}
	for _, c := range append(drive.Library(drive.Tuning), drive.Causes(drive.Tuning, 0)...) {
		name, ok := want[c.Name]
		if !ok {
			continue
		}
		t.Run(c.Name, func(t *testing.T) {
			r, plan := simulate(t, c.Scenario)
			watch(t, r, plan)
			if _, ok := emitted.Load(name); !ok {
				t.Errorf("no %s in it", name)
			}
		})
		delete(want, c.Name)
	}
	for name := range want {
		t.Errorf("the simulator has no %s", name)
	}
}

func TestBadLinesAreToldOf(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.EngineSpeed)
	h.drive()
	f := bus.NewNotice(h.at, 0, bus.NoticeBadInput, 3)
	h.m.Notice(&f)
	h.m.Flush()
	if f := h.only(detect.KindBusFault); f.Class != detect.BusBadInput {
		t.Errorf("%+v", f)
	}
}

// unseen are declared and in no drive of the tests as yet; a drive that shows one
// takes it out of here.
var unseen = map[string]bool{
	"apply incomplete":                   true,
	"hill-slip command_hold_pct":         true, // no invented vehicle of the first family sends a duty
	"hill-slip command_mean_pct":         true,
	"hill-slip held_against_more_s":      true, // in the tests of what the lines tell
	"hill-slip slipped_before_s":         true,
	"open-under-drive unknown":           true,
	"release-lag command_before_percent": true,
	"shudder with-engine":                true,
}

// Every class and measure that a spec declares is emitted in some drive of the
// tests: what nobody emits, somebody may wait for.
func TestMain(m *testing.M) {
	code := m.Run()
	all := flag.Lookup("test.run").Value.String() == "" && flag.Lookup("test.skip").Value.String() == "" && !testing.Short()
	if code == 0 && all && flag.Lookup("test.list").Value.String() == "" && flag.Lookup("test.fuzz").Value.String() == "" {
		for _, name := range neverEmitted() {
			fmt.Printf("FAIL: %s is declared and never emitted, or no longer unseen\n", name)
			code = 1
		}
	}
	os.Exit(code)
}

// neverEmitted lists what is declared and was not emitted, and what was although it
// is listed as unseen.
func neverEmitted() (list []string) {
	want := func(kind, name string) {
		if _, ok := emitted.Load(kind + " " + name); ok == unseen[kind+" "+name] {
			list = append(list, kind+" "+name)
		}
	}
	for _, s := range detect.All {
		for _, c := range s.Classes() {
			want(s.Kind, c.String())
		}
		for _, q := range s.Measures {
			want(s.Kind, q.Name)
		}
	}
	sort.Strings(list)
	return list
}
