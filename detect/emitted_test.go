package detect_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"sort"
	"strings"
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

// What no drive of the simulator shows, on rows by hand.
func TestRareOnesByHand(t *testing.T) {
	pressure := []stream.Role{stream.ClutchPressureCommand}
	for _, x := range []struct {
		name  string
		roles []stream.Role
		drive func(h *hand)
		want  []string
	}{
		{"an apply that leaves 120 rpm of slip until it is given up", pressure, func(h *hand) {
			h.run(3, nil)
			h.pullAway()
			h.command = 400
			h.run(10, func(s float64) { h.engine = h.turbine + max(120, 200*(1-s)) })
		}, []string{"apply incomplete"}},
		{"the clutch let go under the pedal, and no ratio to see it by", pressure, func(h *hand) {
			h.drive()
			h.command = 0
			h.run(2, func(s float64) { h.engine = h.turbine + min(150, 400*s) })
			h.command = 400
			h.run(2, func(s float64) { h.engine = h.turbine + max(0, 150-300*s) })
			h.run(3, nil)
		}, []string{"open-under-drive unknown"}},
		{"engine and turbine that surge together at 5 Hz", pressure, func(h *hand) {
			h.drive()
			h.run(40, nil)
			h.run(10, func(s float64) {
				h.turbine = h.kmh*37.5 + 25*math.Sin(2*math.Pi*5*s)
				h.engine = h.turbine
			})
			h.run(3, func(float64) { h.turbine = h.kmh * 37.5; h.engine = h.turbine })
		}, []string{"shudder with-engine"}},
		{"slip under load at the duty that held", []stream.Role{stream.ClutchCommand}, func(h *hand) {
			h.drive()
			h.run(60, func(float64) { h.engine = h.turbine })
			h.run(12, func(s float64) { h.engine = h.turbine + min(60, 60*s) })
			h.run(3, func(s float64) { h.engine = h.turbine })
			h.stop(0.1)
		}, []string{"hill-slip command_hold_pct", "hill-slip command_mean_pct", "release-lag command_before_percent", "release-lag closed_with_percent"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			h := newHand(t, detect.DefaultSettings(), x.roles...)
			x.drive(h)
			h.m.Flush()
			for _, want := range x.want {
				if !h.got.emits(want) {
					t.Errorf("no %s in %v", want, h.got.findings)
				}
			}
		})
	}
}

// emits reports whether a finding is of a kind and a class, or a kind and a measure.
func (c *catch) emits(what string) bool {
	for _, f := range c.findings {
		kind, name, _ := strings.Cut(what, " ")
		if _, has := f.Get(name); f.Kind == kind && (has || f.Class.String() == name) {
			return true
		}
	}
	return false
}

// unseen are declared and in no drive of this package's tests: what the lines tell is
// driven by those of detect/ratioline and cmd/joltwatch.
var unseen = map[string]bool{
	"hill-slip held_against_more_s": true,
	"hill-slip slipped_before_s":    true,
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
