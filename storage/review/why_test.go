package review

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
)

// late is a late release: the command falls at 10 s, and the named instants come so
// many seconds later.
func late(class detect.Class, at map[string]float64, measures ...detect.Measure) *detect.Finding {
	f := &detect.Finding{Kind: detect.KindReleaseLag, Class: class, Start: 10 * bus.Second, End: 13 * bus.Second, Measures: measures}
	at[detect.InstantFell] = 0
	for name, s := range at {
		x := 10*bus.Second + bus.Micros(s*1e6)
		f.Instants = append(f.Instants, detect.Instant{Name: name, At: x, Early: x - 20_000, Late: x + 20_000})
	}
	return f
}

func measure(name string, v float64) detect.Measure { return detect.Measure{Name: name, Value: v} }

// learned are the measures of a vehicle whose habit is known, of a lag and a
// pressure at the end.
func learned(lag, partedKPa float64, more ...detect.Measure) []detect.Measure {
	return append([]detect.Measure{measure("lag_s", lag), measure("lag_min_s", lag-0.03), measure("lag_max_s", lag+0.03), measure("usual_lag_s", 0.2),
		measure("usual_dead_s", 0.04), measure("pressure_before_kpa", 400), measure("parted_kpa", partedKPa), measure("lets_go_low_kpa", 240),
		measure("lets_go_high_kpa", 260), measure("command_late_s", 0), measure("command_late_min_s", -0.1), measure("command_late_max_s", 0.1),
		measure("habit_releases", 30)}, more...)
}

func TestWhyRelease(t *testing.T) {
	for _, x := range []struct {
		name  string
		f     *detect.Finding
		named []CandidateKey
	}{
		{"plates", late(detect.ReleaseLate, map[string]float64{detect.InstantBegan: 0.04, detect.InstantGone: 0.2, detect.InstantParted: 1.2},
			learned(1.2, 3)...), []CandidateKey{WhyPlates}},
		{"oil", late(detect.ReleaseLate, map[string]float64{detect.InstantBegan: 0.06, detect.InstantGone: 1.15, detect.InstantParted: 1.2},
			learned(1.2, 238)...), []CandidateKey{WhyOil}},
		{"valve", late(detect.ReleaseLate, map[string]float64{detect.InstantBegan: 1.04, detect.InstantGone: 1.2, detect.InstantParted: 1.2},
			learned(1.2, 250)...), []CandidateKey{WhyValve}},
		{"pressure not recorded", late(detect.ReleaseLate, map[string]float64{detect.InstantParted: 1.2},
			measure("lag_s", 1.2), measure("lag_min_s", 1.1), measure("lag_max_s", 1.3), measure("usual_lag_s", 0.2)), nil},
		{"pressure recorded, nothing learned", late(detect.ReleaseLate, map[string]float64{detect.InstantBegan: 0.04, detect.InstantParted: 0.8},
			measure("lag_s", 0.8), measure("parted_kpa", 120), measure("pressure_before_kpa", 400)), nil},
		{"drained long before, nothing learned", late(detect.ReleaseLate, map[string]float64{detect.InstantBegan: 0.04, detect.InstantGone: 0.5, detect.InstantParted: 1.6},
			measure("lag_s", 1.6), measure("parted_kpa", 1), measure("pressure_before_kpa", 400)), []CandidateKey{WhyPlates}},
		{"late command", late(detect.LateCommand, map[string]float64{detect.InstantUsuallyFalls: -1.5, detect.InstantParted: 0.2},
			measure("lag_s", 0.2), measure("command_late_s", 1.5), measure("command_late_min_s", 1.3), measure("command_late_max_s", 1.7),
			measure("fell_at_rpm", 600), measure("usual_fall_rpm", 740), measure("habit_releases", 30)), []CandidateKey{WhyCommand}},
		{"no command known", &detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseDragging,
			Measures: []detect.Measure{measure("lag_max_s", 2)}}, nil},
	} {
		w := WhyOf(x.f, Metric)
		var named []CandidateKey
		for i := range w.Candidates {
			if w.Candidates[i].Named() {
				named = append(named, w.Candidates[i].Key)
			}
		}
		if len(named) != len(x.named) || len(named) > 0 && named[0] != x.named[0] {
			t.Errorf("%s: %v, want %v; %s", x.name, named, x.named, w.Says)
		}
		if x.named == nil && !slices.ContainsFunc(w.Candidates, func(c Candidate) bool { return len(c.Missing) > 0 }) {
			t.Errorf("%s: does not say what is missing: %+v", x.name, w.Candidates)
		}
	}
}

// A command that is known, without a habit yet: what stayed together after it had
// fallen does not speak for a late command. A reported state may have come after it.
func TestWhyAfterCommand(t *testing.T) {
	for _, command := range []bool{true, false} {
		f := late(detect.ReleaseDragging, map[string]float64{detect.InstantParted: 1.8}, measure("lag_min_s", 1.3), measure("lag_max_s", 2.3))
		if command {
			f.Measures = append(f.Measures, measure("command_before_percent", 36))
		}
		w := WhyOf(f, Metric)
		i := slices.IndexFunc(w.Candidates, func(c Candidate) bool { return c.Key == WhyCommand })
		if against := len(w.Candidates[i].Against); (against > 0) != command || strings.Contains(w.Says, "command") == command {
			t.Errorf("command known: %v; %d against, %s", command, against, w.Says)
		}
	}
}

// Links whose signal is absent are one, and the sentence says so; ordinary findings
// have no table.
func TestWhyLinks(t *testing.T) {
	w := WhyOf(late(detect.ReleaseLate, map[string]float64{detect.InstantBraked: -3, detect.InstantParted: 1.2}, measure("lag_s", 1.2)), Metric)
	if len(w.Links) != 2 || w.Links[0].Name != "brake to command" || !strings.Contains(w.Links[1].Note, "oil and plates together") ||
		w.Links[1].MinS > 1.2 || w.Links[1].MaxS < 1.2 {
		t.Errorf("%+v", w.Links)
	}
	w = WhyOf(late(detect.ReleaseLate, map[string]float64{detect.InstantLifted: -4.5, detect.InstantBraked: -3, detect.InstantParted: 1.2}, measure("lag_s", 1.2)), Metric)
	if len(w.Links) != 3 || w.Links[0].Name != "pedal released to brake" || w.Links[0].MinS > 1.5 || w.Links[0].MaxS < 1.5 || w.Links[1].Name != "brake to command" {
		t.Errorf("pedal and brake: %+v", w.Links)
	}
	w = WhyOf(late(detect.ReleaseDragging, map[string]float64{detect.InstantParted: 1.2, detect.InstantDipped: 1.3}, measure("engine_low_rpm", 431)), Metric)
	if l := w.Links[len(w.Links)-1]; l.Name != feltLink || l.MinS > 0.1 || l.MaxS < 0.1 || !strings.Contains(l.Note, "431 rpm") {
		t.Errorf("the engine's dip: %+v", l)
	}
	if w := WhyOf(late(detect.Normal, map[string]float64{detect.InstantParted: 0.2}), Metric); w != nil {
		t.Errorf("an ordinary release has candidates: %+v", w)
	}
}

// What the driver felt stands at the end of the chain, with where it came from.
func TestWhyFelt(t *testing.T) {
	f := late(detect.ReleaseLate, map[string]float64{detect.InstantParted: 1.2}, measure("lag_s", 1.2))
	other := func(kind string, s float64) Event {
		at := 10*bus.Second + bus.Micros(s*1e6)
		return Event{Finding: detect.Finding{Kind: kind, Start: at, End: at}}
	}
	s := &Stay{Events: []Event{{Finding: *f}, other(detect.KindJolt, 1.35), other(detect.KindEngineDied, 2.2), other(detect.KindJolt, 9)}}
	links := s.Why(&s.Events[0], Metric).Links
	if n := len(links); n != 3 || links[1].Note != "the body's jerk" || links[2].Note != "the engine stopped" ||
		links[1].MaxS < 0.15 || links[1].MinS > 0.15 || links[2].MinS > 1 || links[2].MaxS < 1 {
		t.Errorf("%+v", links)
	}
	// What comes long before or after it has nothing to do with it.
	s.Events = []Event{{Finding: *f}, other(detect.KindJolt, -5), other(detect.KindJolt, 9), other(detect.KindEngineDied, 9)}
	if links := s.Why(&s.Events[0], Metric).Links; len(links) != 1 {
		t.Errorf("felt of another time: %+v", links)
	}
}

// Where no command is known the links are one, from the brake on, or else the pedal,
// beside the habit; a command that fell late with the plates unseen says so of them.
func TestWhyMergedLinks(t *testing.T) {
	f := late(detect.ReleaseLate, map[string]float64{detect.InstantBraked: -6, detect.InstantUsuallyPart: -1.2, detect.InstantParted: 0.3, detect.InstantStood: 1.1},
		measure("habit_releases", 30))
	f.Instants = slices.DeleteFunc(f.Instants, func(x detect.Instant) bool { return x.Name == detect.InstantFell })
	links := WhyOf(f, Metric).Links
	if len(links) != 3 || links[0].Name != "brake to speeds parted" || !strings.Contains(links[0].Note, "decision, oil and plates together") || math.Abs(links[0].MaxS-6.3) > 0.1 ||
		math.Abs(links[1].MaxS-1.5) > 0.1 || !strings.Contains(links[1].Note, "30 releases") || links[2].Name != feltLink || math.Abs(links[2].MaxS-0.8) > 0.1 {
		t.Errorf("%+v", links)
	}
	f.Instants[slices.IndexFunc(f.Instants, func(x detect.Instant) bool { return x.Name == detect.InstantBraked })].Name = detect.InstantLifted
	f.MissingInputs = []string{"brake"}
	if x := WhyOf(f, Metric).Links[0]; x.Name != "pedal released to speeds parted" || !strings.Contains(x.Note, "brake signal was not recorded") {
		t.Errorf("%+v", x)
	}
	w := WhyOf(late(detect.LateCommand, map[string]float64{detect.InstantUsuallyFalls: -1.5}, measure("command_late_min_s", 1.3),
		measure("command_late_max_s", 1.7), measure("fell_at_rpm", 600), measure("usual_fall_rpm", 740), measure("habit_releases", 30)), Metric)
	if c := w.Candidates[0]; c.Key != WhyCommand || !c.Named() || strings.Contains(fmt.Sprint(w), "parted within") {
		t.Errorf("%+v", w)
	}
}

// A lag that may be longer than its link, for a reported state may follow the command,
// says so.
func TestWhyBehindTheState(t *testing.T) {
	at := map[string]float64{detect.InstantParted: 1.2}
	if note := WhyOf(late(detect.ReleaseLate, at, measure("lag_max_s", 1.54)), Metric).Links[0].Note; !strings.Contains(note, "may follow the command: the lag is 1.54 s at most") {
		t.Error(note)
	}
	if note := WhyOf(late(detect.ReleaseLate, at, measure("lag_max_s", 1.24)), Metric).Links[0].Note; strings.Contains(note, "follow the command") {
		t.Error(note)
	}
}

// An apply goes from step to step as they came; what was not seen joins its neighbours,
// and the first link says so.
func TestWhyApply(t *testing.T) {
	apply := func(at map[string]float64, missing ...string) []Link {
		f := &detect.Finding{Kind: detect.KindApply, Class: detect.ApplySlow, Start: 10 * bus.Second, MissingInputs: missing}
		for name, s := range at {
			x := 10*bus.Second + bus.Micros(s*1e6)
			f.Instants = append(f.Instants, detect.Instant{Name: name, At: x, Early: x, Late: x})
		}
		return WhyOf(f, Metric).Links
	}
	for _, x := range []struct {
		at            map[string]float64
		missing, want string
	}{
		{map[string]float64{"command rose": 0, detect.InstantTouched: 0.4, detect.InstantFilled: 1.1, "slip down": 2},
			"", "told to first touch 0.4 ; first touch to filled 0.7 ; filled to closed 0.9 ; "},
		{map[string]float64{"command rose": 0, detect.InstantFilled: 0.3, detect.InstantTouched: 0.5, "slip down": 2},
			"", "told to filled 0.3 ; filled to first touch 0.2 ; first touch to closed 1.5 ; "},
		{map[string]float64{"command rose": 0, detect.InstantTouched: 0.4, "slip down": 2},
			"clutch_pressure", "told to first touch 0.4 filled in this: clutch pressure was not recorded; first touch to closed 1.6 ; "},
		{map[string]float64{"command rose": 0, "slip down": 2},
			"", "told to closed 2.0 filled in this: the pressure was not seen to come to where this vehicle's clutch carries; the first touch was not seen; "},
	} {
		got := ""
		for _, l := range apply(x.at, x.missing) {
			got += fmt.Sprintf("%s %.1f %s; ", l.Name, l.MinS, l.Note)
		}
		if got != x.want {
			t.Errorf("%q\nwant %q", got, x.want)
		}
	}
}

// A command to close that came late speaks for the command and against the rest; in time,
// against it.
func TestWhyLateApply(t *testing.T) {
	of := func(class detect.Class, low float64) *Why {
		f := &detect.Finding{Kind: detect.KindApply, Class: class, Start: 10 * bus.Second}
		for name, v := range map[string]float64{"command_late_min_s": low, "command_late_max_s": low + 0.4, "rose_at_kmh": 39, "usual_rise_kmh": 30, "habit_applies": 12} {
			f.Measures = append(f.Measures, detect.Measure{Name: name, Value: v})
		}
		for name, s := range map[string]float64{"command rose": 0, "slip down": 0.4} {
			x := 10*bus.Second + bus.Micros(s*1e6)
			f.Instants = append(f.Instants, detect.Instant{Name: name, At: x, Early: x, Late: x})
		}
		return WhyOf(f, Metric)
	}
	late := detect.Finding{Kind: detect.KindApply, Class: detect.LateCommand,
		Measures: []detect.Measure{{Name: "command_late_s", Value: 1.5}, {Name: "habit_applies", Value: 12}}}
	if got := (&Stay{}).unusual(&Event{Finding: late}, Metric); got != "Against this vehicle's own habit, as its last 12 before had it." {
		t.Errorf("%q", got)
	}
	w := of(detect.LateCommand, 1.3)
	if c := &w.Candidates[0]; c.Key != WhyCommand || !c.Named() || !strings.Contains(c.For[0].Text, "1.3 to 1.7 s later than usual, at 39.0 km/h; usual as it pulls away so: 30.0 km/h (12 applies)") {
		t.Errorf("%+v", c)
	}
	for _, c := range w.Candidates[1:] {
		if c.Named() || len(c.Against) == 0 {
			t.Errorf("%s: %+v", c.Key, c)
		}
	}
	for _, c := range of(detect.ApplySlow, -0.2).Candidates {
		if c.Key == WhyCommand && len(c.Against) == 0 {
			t.Errorf("in time: %+v", c)
		}
	}
}
