package main

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/cmd/develop/joltsim/elastic"
	"joltwatch/detect"
)

// invented returns a drive with three sound and two late releases, one held slip
// and what a flawless monitor would say of it.
func invented() (*job, *drive.Truth, *seen) {
	j := &job{name: "invented/minibus", vehicle: "minibus", idleRPM: 700, normal: true}
	tr := &drive.Truth{End: 1000 * bus.Second}
	tr.Drives = []drive.DriveTruth{{To: 1000 * bus.Second, EngineS: 3600, MovingS: 1000, ClosedS: 600, PartialS: 200, CoastS: 100, OpenS: 100}}
	tr.Releases = []drive.Release{
		{Reason: "stop", Fell: 10 * bus.Second, Parted: 10*bus.Second + 100_000, Parted5: 10*bus.Second + 110_000, LagS: 0.1, FreedS: 0.1, TurbineMin: 900},
		{Reason: "stop", Fell: 30 * bus.Second, Parted: 31 * bus.Second, Parted5: 31*bus.Second + 10_000, LagS: 1, FreedS: 1, InjectedS: 1, TurbineMin: 800},
		{Reason: "stop", Fell: 40 * bus.Second, Parted: 42 * bus.Second, Parted5: 42*bus.Second + 10_000, LagS: 2, FreedS: 2, InjectedS: 2, TurbineMin: 400},
	}
	for _, at := range []bus.Micros{150 * bus.Second, 160 * bus.Second} {
		tr.Releases = append(tr.Releases, drive.Release{Reason: "stop", Fell: at, Parted: at + 100_000, Parted5: at + 110_000, LagS: 0.1, FreedS: 0.1, TurbineMin: 900})
	}
	tr.Stalls = []drive.Stall{{At: 90 * bus.Second}}
	tr.KeyOffs = []bus.Micros{200 * bus.Second}
	tr.Shifts = []drive.Shift{
		{From: 3, To: 4, Engaged: true, Begin: 100 * bus.Second, End: 101 * bus.Second, SlipPeak: 10},
		{From: 3, To: 4, Engaged: true, Opened: true, Begin: 110 * bus.Second, End: 111 * bus.Second, SlipPeak: 300},
	}
	tr.Jolts = []drive.Span{{From: 120 * bus.Second, To: 121 * bus.Second, What: "felt", Value: 3, Kmh: 50}}
	tr.Injected = []drive.Injected{{From: 130 * bus.Second, To: 140 * bus.Second, Fault: drive.Fault{Kind: "dropout"}}}
	tr.Slips = []drive.Slip{{From: 50 * bus.Second, To: 70 * bus.Second, Asked: true, Mean: 100, Peak: 110, Kmh: 100},
		{From: 300 * bus.Second, To: 320 * bus.Second, Mean: 100, Peak: 110, Kmh: 100}}
	for t := bus.Micros(0); t < tr.End; t += drive.TraceStep {
		p := drive.TracePoint{Engine: 2000, Turbine: 2000, State: drive.StateClosed, Kmh: 50}
		switch s := t / bus.Second; {
		case s >= 50 && s < 70, s >= 300 && s < 320:
			p.Turbine, p.State = 1900, drive.StatePartial
		case s >= 600 && s < 780:
			p.State = drive.StatePartial
		case s >= 780 && s < 880:
			p.State = drive.StateCoast
		case s >= 880 && s < 980:
			p.State = drive.StateOpen
		}
		tr.Trace = append(tr.Trace, p)
	}
	release := func(at bus.Micros, class detect.Class, lag float64) detect.Finding {
		return detect.Finding{Kind: detect.KindReleaseLag, Class: class, Start: at, End: at + bus.Micros(lag*1e6) + 50_000,
			Measures: []detect.Measure{{Name: "lag_s", Value: lag}, {Name: "lag_min_s", Value: lag - 0.02}, {Name: "lag_max_s", Value: lag + 0.02}}}
	}
	s := &seen{
		findings: []detect.Finding{
			release(10*bus.Second, detect.Normal, 0.1),
			release(30*bus.Second, detect.ReleaseLate, 1),
			{Kind: detect.KindHillSlip, Class: detect.Asked, Start: 51 * bus.Second, End: 69 * bus.Second,
				Measures: []detect.Measure{{Name: "slip_mean_rpm", Value: 100}}},
			release(40*bus.Second, detect.ReleaseDragging, 2),
			{Kind: detect.KindReleaseLag, Class: detect.ReleaseStall, Start: 85 * bus.Second, End: 90 * bus.Second},
			{Kind: detect.KindShift, Class: detect.Normal, Start: 100 * bus.Second, End: 101 * bus.Second},
			{Kind: detect.KindShift, Class: detect.ShiftOpened, Start: 110 * bus.Second, End: 111 * bus.Second},
			{Kind: detect.KindJolt, Class: detect.JoltFelt, Start: 120 * bus.Second, End: 121 * bus.Second},
			{Kind: detect.KindRoleStale, Class: detect.RoleStale, Start: 130 * bus.Second, End: 140 * bus.Second},
			{Kind: detect.KindHillSlip, Class: detect.HillUnasked, Start: 301 * bus.Second, End: 319 * bus.Second,
				Measures: []detect.Measure{{Name: "slip_mean_rpm", Value: 100}}},
			release(150*bus.Second, detect.Normal, 0.1),
			release(160*bus.Second, detect.Normal, 0.1),
		},
		accounts: []detect.Account{{MovingS: 1000, ClosedS: 600, PartialS: 200, CoastS: 100, OpenS: 100,
			ReleaseTrials: detect.ReleaseTrials{Releases: 10, LaterHalfS: 10, Later1S: 10, Later2S: 10},
			Opportunities: []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 10, Observable: 10}}}},
	}
	return j, tr, s
}

func tallyOf(j *job, tr *drive.Truth, s *seen) *tally {
	v, err := drive.VehicleByName("minibus")
	if err != nil {
		panic(err)
	}
	set := detect.DefaultSettings()
	t := newTally()
	match(t, j, tr, s, &set, &v.Layout)
	return t
}

// verdicts returns what became of each aim of one class.
func verdicts(x *tally) map[string]verdict {
	out := map[string]verdict{}
	for _, a := range aimsOf("minibus", x, 97) {
		out[a.What] = a.Verdict
	}
	return out
}

// The beginnings of aims.
const (
	aimLate     = "late by"
	aimDrag     = "dragging told"
	aimStall    = "stalls told"
	aimAsked    = "asked slip"
	aimUnasked  = "unasked slip"
	aimShift    = "shifts told"
	aimJolt     = "jolts of the body"
	aimTrouble  = "troubles"
	aimInside   = "true lag inside"
	aimLag      = "lag error"
	aimLockup   = "lockup fraction"
	aimSlip     = "mean of held slip"
	aimObserved = "observed as told"
	falseLag    = "false alarms in 100 h: release lag"
	falseStall  = "false alarms in 100 h: stall"
	falseJolt   = "false alarms in 100 h: jolt"
)

// TestScorerIsNotBlind: a flawless monitor misses no aim, and each way of
// being wrong misses the aim that is about it and no other. Without this a
// scorer that matches nothing would pass anything.
func TestScorerIsNotBlind(t *testing.T) {
	j, tr, s := invented()
	good := verdicts(tallyOf(j, tr, s))
	for _, a := range []string{aimLate, aimDrag, aimStall, aimAsked, aimUnasked, aimShift, aimJolt, aimTrouble, aimInside, aimLag, aimLockup, aimSlip,
		aimObserved, falseLag, falseStall, falseJolt} {
		n := 0
		for what, v := range good {
			if strings.HasPrefix(what, a) {
				n++
				if v == missed {
					t.Errorf("flawless, and %q is missed", what)
				}
			}
		}
		if n != 1 {
			t.Errorf("%d aims begin with %q", n, a)
		}
	}
	for _, c := range []struct {
		what  string
		miss  []string
		spoil func(tr *drive.Truth, s *seen)
	}{
		{"late release not reported, and told observed", []string{aimLate}, func(_ *drive.Truth, s *seen) { s.remove(1) }},
		{"late release called normal", []string{aimLate}, func(_ *drive.Truth, s *seen) { s.findings[1].Class = detect.Normal }},
		{"late release that was none", []string{falseLag}, func(_ *drive.Truth, s *seen) {
			f := s.findings[1]
			f.Start, f.End = 180*bus.Second, 181*bus.Second
			s.findings = append(s.findings, f)
		}},
		{"sound release called late", []string{falseLag}, func(_ *drive.Truth, s *seen) { s.findings[0].Class = detect.ReleaseLate }},
		{"dragging called late", []string{aimDrag}, func(_ *drive.Truth, s *seen) { s.findings[3].Class = detect.ReleaseLate }},
		{"stall not told", []string{aimStall}, func(_ *drive.Truth, s *seen) { s.remove(4) }},
		{"stall told twice", []string{aimStall}, func(_ *drive.Truth, s *seen) { s.findings = append(s.findings, s.findings[4]) }},
		{"key-off told as stall", []string{falseStall}, func(_ *drive.Truth, s *seen) {
			f := s.findings[4]
			f.Start, f.End = 195*bus.Second, 200*bus.Second
			s.findings = append(s.findings, f)
		}},
		{"shift that opened told as closed", []string{aimShift}, func(_ *drive.Truth, s *seen) { s.findings[6].Class = detect.Normal }},
		{"shift told to open that did not", []string{aimShift}, func(_ *drive.Truth, s *seen) { s.findings[5].Class = detect.ShiftOpened }},
		{"jolt not told", []string{aimJolt}, func(_ *drive.Truth, s *seen) { s.remove(7) }},
		{"jolt that no body felt", []string{falseJolt}, func(_ *drive.Truth, s *seen) {
			f := s.findings[7]
			f.Start, f.End = 220*bus.Second, 221*bus.Second
			s.findings = append(s.findings, f)
		}},
		{"silent message told twice", []string{aimTrouble}, func(_ *drive.Truth, s *seen) { s.findings = append(s.findings, s.findings[8]) }},
		{"lag off by 0.2 s", []string{aimLag}, func(_ *drive.Truth, s *seen) { s.findings[1].Measures[0].Value = 1.2 }},
		{"interval beside the truth", []string{aimInside}, func(_ *drive.Truth, s *seen) { s.findings[1].Measures[1].Value = 1.01 }},
		{"lockup off by 2 points", []string{aimLockup}, func(_ *drive.Truth, s *seen) { s.accounts[0].ClosedS -= 20; s.accounts[0].OpenS += 20 }},
		{"slip off by 10 rpm", []string{aimSlip}, func(_ *drive.Truth, s *seen) { s.findings[2].Measures[0].Value = 110 }},
		{"slip called unasked", []string{aimAsked}, func(_ *drive.Truth, s *seen) { s.findings[2].Class = detect.HillUnasked }},
		{"slip called asked", []string{aimUnasked}, func(_ *drive.Truth, s *seen) { s.findings[9].Class = detect.Asked }},
		{"slip not told", []string{aimUnasked}, func(_ *drive.Truth, s *seen) { s.remove(9) }},
	} {
		j, tr, s := invented()
		c.spoil(tr, s)
		for what, v := range verdicts(tallyOf(j, tr, s)) {
			due := slices.ContainsFunc(c.miss, func(m string) bool { return strings.HasPrefix(what, m) })
			if (v == missed) != due {
				t.Errorf("%s: %q is %s", c.what, what, v)
			}
		}
	}
}

// What the self-tests say is asked of each late release by how late it was.
func TestRecognisableByLateness(t *testing.T) {
	trials := detect.ReleaseTrials{Releases: 10, LaterHalfS: 2, Later1S: 6, Later2S: 9}
	for _, x := range []struct{ s, want float64 }{{0.3, 0.2}, {0.5, 0.2}, {0.75, 0.4}, {1, 0.6}, {1.5, 0.75}, {2, 0.9}, {8, 0.9}} {
		if got := recognisable(&trials, x.s); math.Abs(got-x.want) > 1e-9 {
			t.Errorf("later by %g s: %g, want %g", x.s, got, x.want)
		}
	}
}

// TestObservedIsHeldToTheTruth: who says that all was observed, and found half
// of it, misses the aim; few chances leave it open.
func TestObservedIsHeldToTheTruth(t *testing.T) {
	for _, c := range []struct {
		said, found, of int
		want            verdict
	}{{100, 50, 100, missed}, {50, 50, 100, open}, {100, 1, 2, open}, {100, 3000, 3000, met}, {20, 90, 100, missed}} {
		x := newTally()
		x.expected, x.late, x.found = float64(c.said*c.of)/100, c.of, c.found
		for what, v := range verdicts(x) {
			if strings.HasPrefix(what, aimObserved) && v != c.want {
				t.Errorf("%d %% said, %d of %d found: %s, want %s", c.said, c.found, c.of, v, c.want)
			}
		}
	}
}

// TestAskedIsHeldToTheTruth: what the self-tests of a car of which two speeds are known
// say of releases later by a second is compared with those that were as late.
func TestAskedIsHeldToTheTruth(t *testing.T) {
	for _, c := range []struct {
		told int
		want verdict
	}{{0, missed}, {50, open}, {100, missed}} {
		x := newTally()
		x.row(rowAskedLate).hits = 1
		x.row(rowAskedLate).truths = 1
		x.askedTrials = detect.ReleaseTrials{Releases: 200, Later1S: 100, Later2S: 200}
		for i := range 100 {
			x.askedLate = append(x.askedLate, lateRelease{1, i < c.told})
		}
		found := false
		for what, v := range verdicts(x) {
			if strings.HasPrefix(what, "two speeds: observed") {
				if found = true; v != c.want {
					t.Errorf("half said, %d of 100 told: %s, want %s", c.told, v, c.want)
				}
			}
		}
		if !found {
			t.Error("no aim")
		}
	}
}

// remove takes a finding out.
func (s *seen) remove(i int) { s.findings = slices.Delete(s.findings, i, i+1) }

// TestScoreDoesNotDependOnCores scores the same few drives with one and with
// several at a time.
func TestScoreDoesNotDependOnCores(t *testing.T) {
	var out [2]bytes.Buffer
	for i, jobs := range []int{1, 3} {
		c := scoreCmd{Hours: 0, driven: driven{Only: "second-gear", Jobs: jobs}}
		list, err := c.jobs(drive.Scoring, 0)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) < 4 {
			t.Fatalf("%d drives", len(list))
		}
		scores, err := c.drive(list, []detect.Settings{detect.DefaultSettings()})
		if err != nil {
			t.Fatal(err)
		}
		if err := writeScore(&out[i], scores[0], scores[0].aims(), true, true); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(out[0].Bytes(), out[1].Bytes()) {
		t.Errorf("one at a time:\n%s\nthree at a time:\n%s", &out[0], &out[1])
	}
}

// TestFewDrivesDoNotPass: a drive or two cannot show the aims of many, and the
// words say so.
func TestFewDrivesDoNotPass(t *testing.T) {
	j, tr, s := invented()
	sc := newScore()
	sc.class("minibus").add(tallyOf(j, tr, s))
	var out bytes.Buffer
	if err := writeScore(&out, sc, sc.aims(), true, true); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"2.5 to 100", "too few to show it", "0 missed"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in:\n%s", want, &out)
		}
	}
}

// TestSetsAreApart: no vehicle and no seed serves both for choosing thresholds
// and for scoring.
func TestSetsAreApart(t *testing.T) {
	c := scoreCmd{}
	vehicles, seeds := map[string]bool{}, map[uint64]bool{}
	tune, err := c.jobs(drive.Tuning, 20)
	if err != nil {
		t.Fatal(err)
	}
	for _, j := range tune {
		vehicles[j.vehicle], seeds[j.seed] = true, true
	}
	score, err := c.jobs(drive.Scoring, 20)
	if err != nil {
		t.Fatal(err)
	}
	families := map[int]int{}
	for _, j := range score {
		families[j.family]++
		if vehicles[j.vehicle] || seeds[j.seed] {
			t.Errorf("%s serves both", j.name)
		}
	}
	if families[1] == 0 || families[2] == 0 {
		t.Errorf("drives by family: %v", families)
	}
}

// TestEveryDetectorIsScored: each detector has a row, and the library gives its
// row truths; who adds a detector adds both.
func TestEveryDetectorIsScored(t *testing.T) {
	truths := map[string]int{}
	for _, j := range detectorsNeed(t) {
		s, err := j.open()
		if err != nil {
			t.Fatal(err)
		}
		for more := true; more; {
			_, more = s.Next()
		}
		x := newTally()
		set := detect.DefaultSettings()
		match(x, &j, s.Truth(), &seen{accounts: []detect.Account{{MovingS: 300, Opportunities: []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 99, Observable: 99}}}}}, &set, s.Layout())
		for name, r := range x.rows {
			truths[name] += r.truths + r.unobservable
		}
	}
	for _, spec := range detect.All {
		row, ok := rowOfKind[spec.Kind]
		if !ok || !slices.Contains(rowNames, row) {
			t.Errorf("%s has no row in the scorer", spec.Kind)
		} else if truths[row] == 0 {
			t.Errorf("%s: no drive of the library has a truth for the row %q", spec.Kind, row)
		}
	}
}

// detectorsNeed is one short drive for each thing that can be told.
func detectorsNeed(t *testing.T) []job {
	t.Helper()
	need := map[string]bool{"mixed": true, "release-late": true, "unasked-slip": true, "second-gear": true, "gearset-slip": true, "flare": true,
		"shudder": true, "jolt": true, "bus-off": true, "dropout": true}
	var out []job
	for _, x := range drive.Library(drive.Scoring) {
		if x.Scenario.Vehicle != "minibus" || !need[x.Kind] {
			continue
		}
		need[x.Kind] = false
		if x.Kind == "dropout" {
			x.Scenario.Steps = append([]drive.Step{{Do: "start", ForS: 2}, {Do: "mark"}}, x.Scenario.Steps...)
		}
		j, err := ofFirst(x, x.Kind == "mixed")
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, j)
	}
	for _, trip := range elastic.Faulted(drive.Scoring, 0, 0) {
		if trip.Kind != "stall" && trip.Kind != "wearing" {
			continue
		}
		j, err := ofSecond(trip)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, j)
	}
	return out
}

// TestVariants: each setting that a detector lists is moved, either way.
func TestVariants(t *testing.T) {
	vs := variants(0.2)
	base := detect.DefaultSettings()
	names := map[string]int{}
	for _, v := range vs {
		names[v.name]++
		if v.set == base {
			t.Errorf("%s %+g changes nothing", v.name, v.by)
		}
	}
	for _, spec := range detect.All {
		for _, s := range spec.Settings.Settings {
			if key := spec.Settings.Name + "." + s.Key; s.Default != 0 && names[key] != 2 {
				t.Errorf("%s is moved %d times, want both ways", key, names[key])
			}
		}
	}
}
