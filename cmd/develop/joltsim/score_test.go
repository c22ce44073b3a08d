package main

import (
	"bytes"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
)

// invented returns a drive with one sound and one late release, one held slip
// and what a flawless monitor would say of it.
func invented() (*job, *drive.Truth, *seen) {
	j := &job{Case: drive.Case{Name: "invented/minibus", Scenario: drive.Scenario{Vehicle: "minibus"}}, normal: true}
	tr := &drive.Truth{End: 1000 * bus.Second}
	tr.Drives = []drive.DriveTruth{{To: 1000 * bus.Second, EngineS: 3600, MovingS: 1000, ClosedS: 600, PartialS: 200, CoastS: 100, OpenS: 100}}
	tr.Releases = []drive.Release{
		{Reason: "stop", Fell: 10 * bus.Second, Parted: 10*bus.Second + 100_000, Parted5: 10*bus.Second + 110_000, LagS: 0.1},
		{Reason: "stop", Fell: 30 * bus.Second, Parted: 31 * bus.Second, Parted5: 31*bus.Second + 10_000, LagS: 1, InjectedS: 1},
	}
	tr.Slips = []drive.Slip{{From: 50 * bus.Second, To: 70 * bus.Second, Asked: true, Mean: 100, Peak: 110, Kmh: 100}}
	for t := bus.Micros(0); t < tr.End; t += drive.TraceStep {
		p := drive.TracePoint{Engine: 2000, Turbine: 2000, State: drive.StateClosed, Kmh: 50}
		switch s := t / bus.Second; {
		case s >= 50 && s < 70:
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
		},
		accounts: []detect.Account{{MovingS: 1000, ClosedS: 600, PartialS: 200, CoastS: 100, OpenS: 100}},
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

// met returns whether the aim that begins with the words is met.
func met(t *testing.T, x *tally, words string) bool {
	t.Helper()
	for _, a := range aimsOf(x) {
		if strings.HasPrefix(a.What, words) {
			return a.Met
		}
	}
	t.Fatalf("no aim %q", words)
	return false
}

const (
	aimRecall   = "recall"
	aimFalse    = "false alarms per 100 h: release lag"
	aimLag      = "lag error"
	aimInterval = "true lags"
	aimLockup   = "lockup fraction"
	aimSlip     = "mean hill slip"
)

// TestScorerIsNotBlind: a flawless monitor meets every aim, and each way of
// being wrong misses the aim that is about it. Without this a scorer that
// matches nothing would pass anything.
func TestScorerIsNotBlind(t *testing.T) {
	all := []string{aimRecall, aimFalse, aimLag, aimInterval, aimLockup, aimSlip}
	j, tr, s := invented()
	good := tallyOf(j, tr, s)
	for _, a := range all {
		if !met(t, good, a) {
			t.Errorf("flawless, and the aim %q is missed", a)
		}
	}
	for _, c := range []struct {
		what  string
		miss  string
		spoil func(tr *drive.Truth, s *seen)
	}{
		{"late release not reported", aimRecall, func(_ *drive.Truth, s *seen) { s.findings = append(s.findings[:1:1], s.findings[2:]...) }},
		{"late release called normal", aimRecall, func(_ *drive.Truth, s *seen) { s.findings[1].Class = detect.Normal }},
		{"late release that was none", aimFalse, func(_ *drive.Truth, s *seen) {
			f := s.findings[1]
			f.Start, f.End = 80*bus.Second, 81*bus.Second
			s.findings = append(s.findings, f)
		}},
		{"sound release called late", aimFalse, func(_ *drive.Truth, s *seen) { s.findings[0].Class = detect.ReleaseLate }},
		{"lag off by 0.2 s", aimLag, func(_ *drive.Truth, s *seen) { s.findings[1].Measures[0].Value = 1.2 }},
		{"interval beside the truth", aimInterval, func(_ *drive.Truth, s *seen) { s.findings[1].Measures[1].Value = 1.01 }},
		{"lockup off by 2 points", aimLockup, func(_ *drive.Truth, s *seen) { s.accounts[0].ClosedS -= 20; s.accounts[0].OpenS += 20 }},
		{"slip off by 10 rpm", aimSlip, func(_ *drive.Truth, s *seen) { s.findings[2].Measures[0].Value = 110 }},
	} {
		j, tr, s := invented()
		c.spoil(tr, s)
		x := tallyOf(j, tr, s)
		for _, a := range all {
			if met(t, x, a) == (a == c.miss) {
				t.Errorf("%s: aim %q met: %v", c.what, a, met(t, x, a))
			}
		}
	}
}

// TestScoreDoesNotDependOnCores scores the same few drives with one and with
// several at a time.
func TestScoreDoesNotDependOnCores(t *testing.T) {
	var out [2]bytes.Buffer
	for i, jobs := range []int{1, 3} {
		c := scoreCmd{Hours: 0, Only: "second-gear", Jobs: jobs}
		list := c.jobs(drive.Scoring, 0)
		if len(list) < 4 {
			t.Fatalf("%d drives", len(list))
		}
		tallies, err := c.drive(list, []detect.Settings{detect.DefaultSettings()})
		if err != nil {
			t.Fatal(err)
		}
		if err := writeTable(&out[i], tallies[0], aimsOf(tallies[0]), true); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(out[0].Bytes(), out[1].Bytes()) {
		t.Errorf("one at a time:\n%s\nthree at a time:\n%s", &out[0], &out[1])
	}
}

// TestSetsAreApart: no vehicle and no seed serves both for choosing thresholds
// and for scoring.
func TestSetsAreApart(t *testing.T) {
	c := scoreCmd{}
	vehicles, seeds := map[string]bool{}, map[uint64]bool{}
	tune := c.jobs(drive.Tuning, 20)
	for _, j := range tune {
		vehicles[j.Scenario.Vehicle], seeds[j.Scenario.Seed] = true, true
	}
	for _, j := range c.jobs(drive.Scoring, 20) {
		if vehicles[j.Scenario.Vehicle] || seeds[j.Scenario.Seed] {
			t.Errorf("%s serves both", j.Name)
		}
	}
}

// TestVariants: each number of the settings is moved, either way.
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
	if names["release_lag.limit_s"] != 2 || len(names) < 10 {
		t.Errorf("%v", names)
	}
}
