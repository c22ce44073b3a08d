// Package invented makes stays of an invented van for the tests of the review:
// real frames of the drive simulator, with findings taken from its truth. No
// part of the main job is in them.
package invented

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sort"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/storage/review"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// Week returns a stay of seven days with three drives a day and about the
// given number of events, a fifth of the releases late.
func Week(events int, seed uint64) (*review.Stay, error) {
	base, plan, err := round(seed)
	if err != nil {
		return nil, err
	}
	r := rand.New(rand.NewPCG(seed, 7))
	s := &review.Stay{Dir: "invented", Label: "van 7 (invented)", Plan: plan, Settings: "# invented\n[detect.release_lag]\nlimit_s = 0.5\n",
		Programs: []string{"joltwatch test"}}
	const drives = 21
	start := base.Frames[0].At
	length := base.Frames[len(base.Frames)-1].At - start
	for d := range drives {
		clock := bus.Clock{Known: true, Zero: bus.Micros(1_760_000_000+d/3*86400+d%3*14400) * bus.Second}
		s.Drives = append(s.Drives, review.Drive{Boot: uint32(d + 1), Clock: clock, Account: account(base, length, d)})
		for n := events*(d+1)/drives - events*d/drives; n > 0; n-- {
			s.Events = append(s.Events, event(base, r, clock, uint32(d+1), length, n))
		}
	}
	return s.Build(func(boot uint32, from, to bus.Micros) ([]bus.Frame, error) {
		first := sort.Search(len(base.Frames), func(i int) bool { return base.Frames[i].At-start >= from })
		var list []bus.Frame
		for _, f := range base.Frames[first:] {
			if f.At-start > to {
				break
			}
			f.At -= start
			list = append(list, f)
		}
		return list, nil
	}), nil
}

// round is one delivery round of a quarter of an hour with its plan.
func round(seed uint64) (*drive.Result, *stream.Plan, error) {
	sc := drive.Scenario{Name: "round", Vehicle: "van", Seed: seed, FluidC: 40, NoLog: true, NoTrace: true}
	sc.Steps = append(sc.Steps, drive.Step{Do: "start", ForS: 4})
	for i := range 14 {
		sc.Steps = append(sc.Steps,
			drive.Step{Do: "drive", ToKmh: 35 + float64(i%4)*10, Accel: 1.1, ForS: 40},
			drive.Step{Do: "stop", Accel: 1.1, ForS: 5})
	}
	sc.Steps = append(sc.Steps, drive.Step{Do: "off", ForS: 3})
	sc.Faults = []drive.Fault{{Kind: "release-late", AtS: 200, ForS: 120, Value: 1.4}}
	r, err := drive.Run(sc)
	if err != nil {
		return nil, nil, err
	}
	dir, err := os.MkdirTemp("", "invented")
	if err != nil {
		return nil, nil, err
	}
	defer os.RemoveAll(dir)
	for i, name := range r.DBCNames {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(r.DBC[i]), 0o600); err != nil {
			return nil, nil, err
		}
	}
	set := map[string]any{}
	f, err := vehicle.Parse(filepath.Join(dir, "vehicle.toml"), []byte(r.VehicleTOML), &set)
	if err != nil {
		return nil, nil, fmt.Errorf("the simulator's vehicle file: %w", err)
	}
	return r, f.Plan, nil
}

func event(base *drive.Result, r *rand.Rand, clock bus.Clock, boot uint32, length bus.Micros, n int) review.Event {
	start := base.Frames[0].At
	e := review.Event{Boot: boot, Clock: clock, ID: fmt.Sprintf("%d-%d", boot, n)}
	rel := base.Truth.Releases[r.IntN(len(base.Truth.Releases))]
	at := rel.Fell - start
	gear, kmh, fluid := float64(rel.Gear), rel.Kmh, math.Round(10*(35+55*r.Float64()))/10
	e.Finding = detect.Finding{Drive: 1, Start: at, End: at + bus.Micros(rel.LagS*1e6), Keep: true,
		Context: detect.Context{Gear: &gear, SpeedKmh: &kmh, FluidTemperatureC: &fluid, SinceStartS: at.Seconds()}}
	lag := math.Round(1000*(rel.LagS+0.03*r.NormFloat64()*r.NormFloat64())) / 1000
	lag = max(lag, 0.02)
	switch r.IntN(6) {
	case 0:
		slip := math.Round(180 + 80*r.Float64())
		e.Kind, e.Class = detect.KindHillSlip, []detect.Class{detect.Asked, detect.HillUnasked}[r.IntN(2)]
		e.Severity = map[detect.Class]float64{detect.Asked: 0.1, detect.HillUnasked: 0.8}[e.Class]
		e.Measures = []detect.Measure{{Name: "slip_mean_rpm", Value: slip}, {Name: "slip_peak_rpm", Value: slip + 40}, {Name: "duration_s", Value: 6}}
		e.End = at + 6*bus.Second
	case 1:
		e.Kind, e.Class = detect.KindApply, detect.Normal
		e.Measures = []detect.Measure{{Name: "duration_s", Value: math.Round(1000*(0.5+0.4*r.Float64())) / 1000}, {Name: "slip_rate_peak_rpm_per_s", Value: 900}}
	default:
		e.Kind, e.Class, e.Severity = detect.KindReleaseLag, detect.Normal, 0.05
		if lag > 0.5 {
			e.Class, e.Severity = detect.ReleaseLate, min(1, 0.5+lag/4)
		}
		e.Measures = []detect.Measure{{Name: "lag_s", Value: lag}, {Name: "lag_min_s", Value: max(0, lag-0.02)}, {Name: "lag_max_s", Value: lag + 0.02}}
		fell, parted := at, at+bus.Micros(lag*1e6)
		e.Instants = []detect.Instant{{Name: "command fell", At: fell, Early: fell - 10_000, Late: fell},
			{Name: "speeds parted", At: parted, Early: parted - 20_000, Late: parted + 20_000}}
		e.Percentiles = []detect.Percentile{{Measure: "lag_s", Share: 0.9, N: uint64(20 * n)}}
	}
	e.From, e.To = max(0, at-20*bus.Second), min(length, e.End+10*bus.Second)
	return e
}

func account(base *drive.Result, length bus.Micros, d int) detect.Account {
	t := base.Truth.Totals()
	a := detect.Account{Drive: 1, Start: 0, End: length, Ended: true, EngineOnS: length.Seconds(), MovingS: t.MovingS,
		ClosedS: t.ClosedS, PartialS: t.PartialS, CoastS: t.CoastS, OpenS: t.OpenS, Stops: 14, StopsObserved: 12 + d%3, Frames: uint64(len(base.Frames))}
	for i, label := range []string{"0–20", "20–40", "40–60", "60–80"} {
		f := float64(i) + 1
		a.Bands = append(a.Bands, detect.Band{Of: "speed_kmh", Label: label, From: 20 * (f - 1), To: 20 * f,
			Closed: 30 * f, Partial: 25 * f, Coast: 10 * f, Open: 90 / f, Unknown: 4})
	}
	for i := range 5 {
		a.Bands = append(a.Bands, detect.Band{Of: "gear", Label: fmt.Sprint(i + 1), From: float64(i + 1), To: float64(i + 1), Closed: 60, Partial: 30, Coast: 12, Open: 20, Unknown: 2})
	}
	a.Opportunities = []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 14, Observable: uint64(a.StopsObserved), Hits: uint64(d % 2)},
		{Kind: detect.KindShudder, Seen: 40, Observable: 30}, {Kind: detect.KindJolt}}
	for _, role := range []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed, stream.ClutchPressureCommand, stream.Gear} {
		a.Roles = append(a.Roles, detect.RoleCover{Role: role.String(), FreshS: a.EngineOnS * 0.99, Samples: 40000, PeriodS: 0.02})
	}
	return a
}
