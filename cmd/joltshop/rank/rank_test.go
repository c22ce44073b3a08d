package rank

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"joltwatch/cmd/develop/lot"
	"joltwatch/cmd/joltshop/questions"
	"joltwatch/detect"
)

var day = time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC)

var usual = Options{LastDay: day, HistoryDays: 56, Now: day.Add(23 * time.Hour), Rate: 0.05, LeastRate: LeastRate, LeastLag: LeastLag, SilentDays: 4, FullDays: 14}

// draw makes the answers for a fleet whose sound vehicles differ as a
// beta distribution of mean 0.01 says, and of which the given ones are bad.
func draw(r *rand.Rand, vehicles int, alike float64, worse, changed map[int]bool) *questions.Answers {
	a := &questions.Answers{}
	for i := range vehicles {
		v := fmt.Sprintf("van-%04d", i)
		p := 0.01
		if alike > 0 {
			x, y := gamma(r, 0.01*(1/alike-1)), gamma(r, 0.99*(1/alike-1))
			p = x / (x + y)
		}
		if worse[i] {
			p += 0.06
		}
		count := func(n int, p float64) (c questions.Count) {
			c.Seen, c.Observable = int64(n), int64(n)
			for range n {
				if r.Float64() < p {
					c.Hits++
				}
			}
			return c
		}
		week := p
		if changed[i] {
			week += 0.08
		}
		c := questions.Opportunities{Vehicle: v, Group: "all", Kind: detect.KindReleaseLag, Weeks: []questions.Count{count(200, week)}}
		for range 8 {
			c.Weeks = append(c.Weeks, count(200, p))
		}
		a.Opportunities = append(a.Opportunities, c)
		a.Coverage = append(a.Coverage, questions.Coverage{Vehicle: v, Group: "all"})
	}
	return a
}

// Over many sound fleets, hardly a list names a vehicle: with nothing true, the
// false-discovery rate is the chance of naming any. The cuts of standOut were chosen
// on fleets such as these, with the seeds used here.
func TestSoundFleets(t *testing.T) {
	for _, c := range []struct {
		vehicles int
		alike    float64
	}{{60, 0.004}, {20, 0.004}, {60, 0}, {60, 0.015}, {300, 0.002}, {10, 0.004}} {
		r := lot.Draw(t, 7, 8)
		const fleets = 120
		changed, standing := 0, 0
		for range fleets {
			s := New(draw(r, c.vehicles, c.alike, nil, nil), usual)
			if len(s.Changed) > 0 {
				changed++
			}
			if len(s.Standing) > 0 {
				standing++
			}
		}
		t.Logf("%d vehicles, intraclass correlation %g: of %d sound fleets, %d had a vehicle listed as changed and %d as standing out", c.vehicles, c.alike, fleets, changed, standing)
		// 5 % of 120 is 6; 14 is 3.4 standard deviations above it.
		if changed > 14 || standing > 14 {
			t.Errorf("%d and %d of %d, want at most about 5 %%", changed, standing, fleets)
		}
	}
}

// Planted faults are found, and false ones stay within the stated share.
func TestPlanted(t *testing.T) {
	r := lot.Draw(t, 9, 10)
	var hits, false_ [2]int
	total := 0
	for range 12 {
		worse, changed := map[int]bool{}, map[int]bool{}
		for i := range 200 {
			switch i % 20 {
			case 0:
				worse[i] = true
			case 1:
				changed[i] = true
			}
		}
		total += 10
		s := New(draw(r, 200, 0.004, worse, changed), usual)
		for k, list := range [][]Finding{s.Changed, s.Standing} {
			truth := changed
			if k == 1 {
				truth = worse
			}
			for _, f := range list {
				var i int
				fmt.Sscanf(f.Vehicle, "van-%d", &i)
				switch {
				case truth[i]:
					hits[k]++
				case k == 1 && changed[i]: // its week stands out too, and rightly
				default:
					false_[k]++
				}
			}
		}
	}
	for k, what := range []string{"changed", "standing out"} {
		recall := float64(hits[k]) / float64(total)
		share := float64(false_[k]) / float64(hits[k]+false_[k])
		t.Logf("%s: recall %.3f, false %.3f of the list", what, recall, share)
		if recall < 0.85 || share > 0.08 {
			t.Errorf("%s: recall %.3f, false %.3f of the list", what, recall, share)
		}
	}
}

// One that is plainly worse is found among as few as ten, too; other seeds than
// the cuts were chosen with.
func TestFewAlike(t *testing.T) {
	r := lot.Draw(t, 101, 102)
	found, sound := 0, 0
	const fleets = 100
	for range fleets {
		for _, f := range New(draw(r, 10, 0.002, map[int]bool{3: true}, nil), usual).Standing {
			if f.Vehicle == "van-0003" {
				found++
			}
		}
		if len(New(draw(r, 10, 0.002, nil, nil), usual).Standing) > 0 {
			sound++
		}
	}
	t.Logf("found in %d of %d; sound fleets with one listed: %d", found, fleets, sound)
	if found < fleets*8/10 || sound > fleets/10 {
		t.Errorf("found in %d of %d; sound fleets with one listed: %d", found, fleets, sound)
	}
}

func TestUnits(t *testing.T) {
	const GB = 1_000_000_000
	last := usual.Now.Add(-time.Hour)
	a := &questions.Answers{Units: []questions.Unit{
		{Vehicle: "sound", Last: last, Reported: true, StoreBytes: GB / 2, QuotaBytes: 2 * GB, FreeBytes: 9 * GB, BytesADay: 1e6},
		{Vehicle: "filling", Last: last, Reported: true, StoreBytes: GB, QuotaBytes: 2 * GB, FreeBytes: 9 * GB, BytesADay: 1e8},
		{Vehicle: "full-medium", Last: last, Reported: true, StoreBytes: GB, FreeBytes: GB / 100, BytesADay: -5},
		{Vehicle: "in-trouble", Last: last, Reported: true, StoreBytes: 0, FreeBytes: 9 * GB, Troubles: "read-only"},
		{Vehicle: "silent", Last: usual.Now.Add(-9 * 24 * time.Hour)},
		{Vehicle: "never"},
		{Vehicle: "over", Last: last, Reported: true, StoreBytes: math.MaxInt64, QuotaBytes: 5, FreeBytes: math.MaxInt64, BytesADay: 1e300},
	}}
	s := New(a, usual)
	var names []string
	for _, u := range s.Filling {
		names = append(names, u.Vehicle)
	}
	if !slices.Equal(names, []string{"over", "filling", "full-medium", "in-trouble"}) {
		t.Errorf("filling: %v", names)
	}
	if d := s.Filling[1].DaysLeft; math.Abs(d-10) > 1e-9 {
		t.Errorf("10 days left, got %v", d)
	}
	if len(s.Silent) != 2 || s.Silent[0].Vehicle != "never" || s.Silent[1].Vehicle != "silent" || math.Abs(s.Silent[1].SilentDays-9) > 1e-9 {
		t.Errorf("silent: %+v", s.Silent)
	}
}

// Watching without a hit gives the exact bound, about 3/n.
func TestWatched(t *testing.T) {
	a := &questions.Answers{
		Opportunities: []questions.Opportunities{{Vehicle: "a", Group: "all", Kind: detect.KindReleaseLag, Weeks: []questions.Count{{Seen: 350, Observable: 300}}}},
		Coverage:      []questions.Coverage{{Vehicle: "a", Group: "all"}, {Vehicle: "b", Group: "all"}},
	}
	s := New(a, usual)
	near(t, "bound", s.Rows[0].Release.High, 1-math.Pow(0.05, 1.0/300), 1e-9)
	if s.Rows[1].Release.High != 1 || s.Watched[0].Observable != 300 {
		t.Errorf("%+v", s.Rows)
	}
}

// One severe finding is enough to be called in, with the driver's mark before one
// without; a mark alone is watched; recorders come last, each with its reason.
func TestTodo(t *testing.T) {
	lag, after := 1.7, 10.0
	a := &questions.Answers{
		Severe: []questions.Severe{
			{Vehicle: "drags", Kind: detect.KindReleaseLag, Class: "dragging", Event: "1-1"},
			{Vehicle: "marked", Kind: detect.KindReleaseLag, Class: "dragging", Event: "1-2", Ago: 2, LagS: &lag, MarkAfterS: &after},
			{Vehicle: "marked", Kind: detect.KindMark, Event: "1-3", Ago: 2},
			{Vehicle: "presses", Kind: detect.KindMark, Event: "1-1", Ago: 3}, {Vehicle: "presses", Kind: detect.KindMark, Event: "1-9"},
		},
		Units: []questions.Unit{
			{Vehicle: "behind", Last: usual.Now, Reported: true, QuotaBytes: 10, FreeBytes: 100, Arrived: usual.Now, Told: usual.Now.Add(-409 * 24 * time.Hour)},
			{Vehicle: "in-time", Last: usual.Now, Reported: true, QuotaBytes: 10, FreeBytes: 100, Arrived: usual.Now, Told: usual.Now.Add(-time.Minute)},
			{Vehicle: "quiet", Last: usual.Now.Add(-9 * 24 * time.Hour)},
		},
	}
	o := usual
	o.Refusals = []Refused{{Vehicle: "thief", Why: "it was struck off", At: usual.Now}}
	s := New(a, o)
	var got []string
	for _, x := range s.Todo {
		got = append(got, x.Do+" "+x.Vehicle)
	}
	want := []string{"call in marked", "call in drags", "watch presses", "mend the recorder thief", "mend the recorder quiet", "mend the recorder behind"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if x := s.Todo[0]; !slices.Equal(x.Reasons, []string{"the clutch dragged the engine down at a stop, 1.7 s; the driver marked it 10 s later"}) || !x.Since.Equal(day.AddDate(0, 0, -2)) || x.Worst.Event != "1-2" {
		t.Errorf("%+v", x)
	}
	if x := s.Todo[len(s.Todo)-1]; x.Reasons[0] != "its clock is 409.0 days behind the shop's: its drives are filed under the day they arrived" {
		t.Errorf("%q", x.Reasons)
	}
	if len(s.Silent) != 1 {
		t.Errorf("silent: %+v", s.Silent)
	}
}
