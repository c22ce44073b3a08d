package main

import (
	"fmt"
	"slices"
	"sync"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/cmd/develop/joltsim/elastic"
	"joltwatch/detect"
)

// askedVehicles are the cars that are scored once more with nothing known of them:
// no definition, no idle speed, no ratios, only what the standard's requests tell at
// the rates that the program reaches. In every other one the road speed is cut down
// to whole km/h.
func askedVehicles(set drive.Set) (first, second []string) {
	if set == drive.Tuning {
		return []string{"saloon", "van"}, []string{"runabout", "coupe", "wagon", "compact"}
	}
	return []string{"minibus", "estate"}, []string{"camper", "sedan", "limousine", "liftback"}
}

// askedSuffix is what such a class's name has behind the vehicle's.
const askedSuffix = ", asked"

// askedKinds are the first family's scenarios that say something of such a car.
var askedKinds = map[string]bool{"town": true, "mixed": true, "hill-steep": true, "hill-slight": true, "second-gear": true, "neutral": true,
	"reverse": true, "towing": true, "ice": true, "cold": true, "keys": true, "downhill": true, "release-late": true, "release-drag": true}

// askedStops are the drives of both families that are made of the same stops,
// brakes and waits as those in which a release is late: what is told as observed is
// compared with what is found in the like only.
var askedStops = map[string]bool{"town": true, "release-late": true, "late": true, "dragging": true, "stall": true}

// askedJobs are the drives of cars that nothing is known of. Each begins with what
// was learned of the car in an hour before, as in any stay but at its first hour.
func askedJobs(set drive.Set, hours float64) ([]job, error) {
	var jobs []job
	first, second := askedVehicles(set)
	each := max(1, int(hours/length)/(len(first)+len(second)))
	for k, name := range first {
		list, err := askedOfFirst(set, name, k%2 == 1, each)
		if err != nil {
			return nil, err
		}
		jobs = append(jobs, list...)
	}
	for k, name := range second {
		list, err := askedOfSecond(set, name, k%2 == 1, each)
		if err != nil {
			return nil, err
		}
		jobs = append(jobs, list...)
	}
	return jobs, nil
}

// asked names a job's class and gives it what is known of the car.
func asked(j job, err error, before *learned) (job, error) {
	j.vehicle, j.name, j.before = j.vehicle+askedSuffix, "asked-"+j.name, before
	return j, err
}

func askedOfFirst(set drive.Set, name string, truncated bool, normal int) ([]job, error) {
	var jobs []job
	before := &learned{}
	add := func(x drive.Case, sound bool) (err error) {
		x.Scenario.Asked, x.Scenario.Truncated = true, truncated
		j, err := ofFirst(x, sound)
		j.stops = askedStops[x.Kind]
		j, err = asked(j, err, before)
		jobs = append(jobs, j)
		return err
	}
	for n := -1; n < normal; n++ {
		seconds := length * 3600
		if n < 0 {
			seconds *= 2
		}
		sc := drive.Normal(set, name, 5000+n, seconds)
		if err := add(drive.Case{Name: sc.Name, Kind: "normal", Scenario: sc}, true); err != nil {
			return nil, err
		}
	}
	before.from = jobs[0]
	jobs = jobs[1:]
	for _, x := range drive.Library(set) {
		if x.Scenario.Vehicle == name && askedKinds[x.Kind] {
			if err := add(x, normalKinds[x.Kind]); err != nil {
				return nil, err
			}
		}
	}
	return jobs, nil
}

func askedOfSecond(set drive.Set, name string, truncated bool, normal int) ([]job, error) {
	k := slices.IndexFunc(elastic.Vehicles(set), func(v *elastic.Vehicle) bool { return v.Name == name })
	if k < 0 {
		return nil, fmt.Errorf("score: no vehicle %q in this set", name)
	}
	var jobs []job
	before := &learned{}
	add := func(t *elastic.Trip) (err error) {
		t.Asked, t.Truncated = true, truncated
		j, err := ofSecond(t)
		j.stops = askedStops[t.Kind]
		j, err = asked(j, err, before)
		jobs = append(jobs, j)
		return err
	}
	if err := add(elastic.Normal(set, k, 5000, 2*length*3600)); err != nil {
		return nil, err
	}
	before.from = jobs[0]
	jobs = nil
	for n := range normal {
		if err := add(elastic.Normal(set, k, 5001+n, length*3600)); err != nil {
			return nil, err
		}
	}
	for n := range 2 {
		for _, t := range elastic.Faulted(set, k, 50+n) {
			if t.Kind == "signals" || t.Kind == "wearing" {
				continue
			}
			if err := add(t); err != nil {
				return nil, err
			}
		}
	}
	return jobs, nil
}

// learned is what a monitor knows of a car after a drive before the others.
type learned struct {
	from job
	once sync.Once
	b    []byte
	err  error
}

// history drives that drive once.
func (l *learned) history(p *plans) ([]byte, error) {
	l.once.Do(func() {
		l.from.before = nil
		monitors, _, _, _, err := l.from.watch(p, []detect.Settings{detect.DefaultSettings()})
		if l.err = err; err == nil {
			l.b = monitors[0].History()
		}
	})
	return l.b, l.err
}

// askedReleases judges the stops of a car of which two speeds are known.
func (m *matcher) askedReleases() {
	usual, stops := m.usualLagS(), 0
	var known []lateRelease
	for i := range m.truth.Releases {
		r := &m.truth.Releases[i]
		end := ended(r)
		if moot(r) || r.Parted == 0 && !r.Stalled {
			m.claim(r.Fell-bus.Second, max(end, r.Fell+8*bus.Second))
			continue
		}
		f := m.release(r, end)
		drawn := r.Reason == "stop" && (r.TurbineMin < drawnShare*m.j.idleRPM || r.Stalled && r.LagS > m.set.ReleaseLag.LimitS)
		above := r.TurbineMin > undrawnShare*m.j.idleRPM && !r.Stalled
		late := r.Reason == "stop" && least(r)-usual >= 1
		if r.Reason == "stop" {
			stops++
			if by := r.LagS - usual; by >= askedFromS && (r.InjectedS > 0 || r.InjectedNm > 0) {
				known = append(known, lateRelease{by, f != nil && alarming(f)})
			}
		}
		if drawn {
			m.askedJudge(rowAskedDrawn, r, f)
		}
		if late {
			m.askedJudge(rowAskedLate, r, f)
			if above {
				m.askedJudge(rowAskedAbove, r, f)
			}
		}
		if !drawn && !late && f != nil && alarming(f) && r.LagS <= m.set.ReleaseLag.LimitS && r.TurbineMin > undrawnShare*m.j.idleRPM {
			m.spurious(rowSound, f)
		}
	}
	m.askedObserved(known, stops)
}

// Self-tests say of releases later by 0.5 to 2 s; one later than askedToS is none of
// those.
const (
	askedFromS = 0.5
	askedToS   = 2.5
)

// askedObserved notes which of a drive's late ones were told, and what its self-tests
// say of the stops: not those of a drive in which most are late already.
func (m *matcher) askedObserved(late []lateRelease, stops int) {
	if !m.j.stops {
		return
	}
	for _, x := range late {
		if x.lagS < askedToS {
			m.t.askedLate = append(m.t.askedLate, x)
		}
	}
	if 2*len(late) < stops {
		for i := range m.seen.accounts {
			m.t.askedTrials.Add(m.seen.accounts[i].ReleaseTrials)
		}
	}
}

func (m *matcher) askedJudge(row string, r *drive.Release, f *detect.Finding) {
	if f != nil && alarming(f) {
		m.t.row(row).hit()
		return
	}
	note := m.at(r.Fell) + fmt.Sprintf(" lag %.2f s in gear %d at %.1f km/h, turbine %.0f to %.0f rpm, braking %.1f", r.LagS, r.Gear, r.Kmh, r.TurbineRPM, r.TurbineMin, r.BrakingMps2)
	if f != nil {
		note += ", called " + describe(f)
	}
	m.t.row(row).miss(note)
}

// usualLagS is the middle of the lags of this drive's releases with nothing wrong.
func (m *matcher) usualLagS() float64 {
	var lags []float64
	for i := range m.truth.Releases {
		if r := &m.truth.Releases[i]; r.Reason == "stop" && r.InjectedS == 0 && r.InjectedNm == 0 && r.Parted > 0 && r.LagS < m.set.ReleaseLag.LimitS {
			lags = append(lags, r.LagS)
		}
	}
	if len(lags) == 0 {
		return 0.3
	}
	slices.Sort(lags)
	return lags[len(lags)/2]
}

// asked are the aims of a car of which two speeds are known.
func (a *aims) asked(t *tally) {
	drawn, late := t.row(rowAskedDrawn), t.row(rowAskedLate)
	a.share("two speeds: drawn below idle, told, %", drawn.hits, drawn.truths, 90)
	a.share("two speeds: late by 1 s or more, told, %", late.hits, late.truths, 70)
	if t.askedTrials.Releases == 0 || len(t.askedLate) == 0 {
		return
	}
	expected, found := 0.0, 0
	for _, x := range t.askedLate {
		expected += recognisable(&t.askedTrials, x.lagS)
		if x.told {
			found++
		}
	}
	n := len(t.askedLate)
	a.points("two speeds: observed as told less found of those as late, points", expected/float64(n), found, n)
}
