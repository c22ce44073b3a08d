// Package invented makes fleets of invented vehicles whose truth is known, for
// tests, the scale run and the demonstration. No part of the shop is in it. Its
// numbers (how often a sound vehicle releases late, how alike the days of a
// vehicle are) are chosen, not measured on any fleet; they are chosen so that
// vehicles differ and hits bunch in days, which makes it harder to tell.
package invented

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage/wire"
)

// Fault is what was planted in a vehicle.
type Fault string

// The planted faults. Changed and Slower begin with the week that is asked
// about; Worse was there all along.
const (
	Sound   Fault = ""
	Changed Fault = "changed" // late releases come much more often this week
	Slower  Fault = "slower"  // every release takes longer this week, most within the limit
	Worse   Fault = "worse"   // late releases much more often than its kind, always
	Silent  Fault = "silent"  // nothing came in the last five days
	Filling Fault = "filling" // its store is full within days
)

// Fleet is a number of vehicles over a number of days up to LastDay.
type Fleet struct {
	Vehicles, Days int
	LastDay        time.Time
	Seed           uint64
	// Planted is the share of vehicles that get one of the faults in turn.
	Planted float64
	// Faults are those that are planted; all where it is empty.
	Faults []Fault
	// Stops is the number of stops of a drive, 20 where it is 0. A working day
	// has two drives, and five days of seven are worked.
	Stops int
}

// Drive is one engine start to stop, in a run of the unit of its own.
type Drive struct {
	Run      uint32
	Start    time.Time
	Account  detect.Account
	Findings []detect.Finding
}

// Name is the enrolled name of vehicle i.
func (f *Fleet) Name(i int) string { return fmt.Sprintf("van-%05d", i+1) }

// Group is the kind of vehicle i: two kinds, of which the second releases
// late more often when sound.
func (f *Fleet) Group(i int) string {
	if i%2 == 1 {
		return "high-roof"
	}
	return "panel"
}

// Groups names the group of every vehicle.
func (f *Fleet) Groups() map[string]string {
	m := map[string]string{}
	for i := range f.Vehicles {
		m[f.Name(i)] = f.Group(i)
	}
	return m
}

// Truth is what was planted in vehicle i.
func (f *Fleet) Truth(i int) Fault {
	faults := f.Faults
	if len(faults) == 0 {
		faults = []Fault{Changed, Worse, Slower, Silent, Filling}
	}
	r := rand.New(rand.NewPCG(f.Seed, uint64(i)))
	if r.Float64() >= f.Planted {
		return Sound
	}
	return faults[r.IntN(len(faults))]
}

func (f *Fleet) rand(i, day int) *rand.Rand {
	return rand.New(rand.NewPCG(f.Seed+1, uint64(i)<<20|uint64(day)))
}

// Day returns the drives of vehicle i on a day, 0 the first; none on a day off
// or after it fell silent.
func (f *Fleet) Day(i, day int) []Drive {
	date := f.date(day)
	truth, left := f.Truth(i), f.Days-day // days left with this one
	if w := date.Weekday(); w == time.Saturday || w == time.Sunday || truth == Silent && left <= 5 {
		return nil
	}
	own := f.rand(i, 1<<19) // what is this vehicle's own
	rate := 0.004
	if f.Group(i) == "high-roof" {
		rate = 0.010
	}
	// Beta with an intraclass correlation of 0.002 between vehicles.
	const alike = 0.002
	late := distuv.Beta{Alpha: rate * (1/alike - 1), Beta: (1 - rate) * (1/alike - 1), Src: own}.Rand()
	usual := 0.14 * math.Exp(0.15*own.NormFloat64())

	r := f.rand(i, day)
	// Days differ: gamma with a coefficient of variation of 0.5 on the rate, 4 %
	// on the lag.
	late *= distuv.Gamma{Alpha: 4, Beta: 4, Src: r}.Rand()
	usual *= math.Exp(0.04 * r.NormFloat64())
	switch {
	case truth == Changed && left <= 7:
		late += 0.06
	case truth == Worse:
		late += 0.06
	case truth == Slower && left <= 7:
		usual *= 1.35
	}
	var list []Drive
	for n := range 2 {
		list = append(list, f.drive(r, uint32(2*day+n+1), date.Add(time.Duration(7+5*n)*time.Hour+time.Duration(r.IntN(3600))*time.Second), late, usual))
	}
	return list
}

func (f *Fleet) date(day int) time.Time {
	return f.LastDay.UTC().Truncate(24*time.Hour).AddDate(0, 0, day-f.Days+1)
}

func ms(v float64) float64 { return math.Round(1000*v) / 1000 }

func (f *Fleet) drive(r *rand.Rand, run uint32, start time.Time, late, usual float64) Drive {
	stops := f.Stops
	if stops == 0 {
		stops = 20
	}
	const every = 90 * bus.Second // from stop to stop
	length := bus.Micros(stops+1) * every
	d := Drive{Run: run, Start: start}
	a := detect.Account{Drive: 1, Start: 0, End: length, Ended: true, EngineOnS: length.Seconds(), MovingS: ms(0.8 * length.Seconds()),
		Stops: stops, Frames: uint64(length.Seconds() * 300), Bands: []detect.Band{}}
	a.ClosedS, a.PartialS, a.CoastS = ms(0.35*a.MovingS), ms(0.2*a.MovingS), ms(0.1*a.MovingS)
	a.UnknownS = ms(0.02 * a.MovingS)
	a.OpenS = ms(a.MovingS - a.ClosedS - a.PartialS - a.CoastS - a.UnknownS)
	release := detect.Opportunity{Kind: detect.KindReleaseLag, Seen: uint64(stops)}
	fluid := 60 + 25*r.Float64()
	for n := range stops {
		if r.Float64() < 0.1 {
			continue // not observable
		}
		release.Observable++
		lag := usual * math.Exp(0.18*r.NormFloat64())
		class, severity := detect.Normal, 0.05
		if r.Float64() < late {
			lag = 0.55 + 0.9*r.Float64()
			class, severity = detect.ReleaseLate, min(1, 0.5+lag/4)
			release.Hits++
		}
		lag = ms(lag)
		at := bus.Micros(n+1) * every
		gear, kmh, temperature, pedal := 2.0, math.Round(80+70*r.Float64())/10, math.Round(10*fluid)/10, 0.0
		d.Findings = append(d.Findings, detect.Finding{Kind: detect.KindReleaseLag, Class: class, Start: at, End: at + bus.Micros(lag*1e6),
			Drive: 1, Severity: severity, Keep: false,
			Measures: []detect.Measure{{Name: "lag_s", Value: lag}, {Name: "lag_min_s", Value: ms(lag - 0.01)}, {Name: "lag_max_s", Value: ms(lag + 0.01)}},
			Instants: []detect.Instant{{Name: "command fell", At: at, Early: at - 10_000, Late: at},
				{Name: "speeds parted", At: at + bus.Micros(lag*1e6), Early: at + bus.Micros(lag*1e6) - 10_000, Late: at + bus.Micros(lag*1e6) + 10_000}},
			MissingInputs: []string{}, Context: detect.Context{Gear: &gear, SpeedKmh: &kmh, FluidTemperatureC: &temperature, AcceleratorPct: &pedal, SinceStartS: at.Seconds()}})
	}
	a.StopsObserved = int(release.Observable)
	some := func(kind string, n int) detect.Opportunity {
		return detect.Opportunity{Kind: kind, Seen: uint64(n), Observable: uint64(n)}
	}
	a.Opportunities = []detect.Opportunity{release, some(detect.KindHillSlip, 2+r.IntN(5)), some(detect.KindFlare, 60+r.IntN(40)), some(detect.KindShudder, 20+r.IntN(20))}
	for _, name := range []string{"engine_speed", "turbine_speed", "output_speed", "clutch_pressure_command"} {
		a.Roles = append(a.Roles, detect.RoleCover{Role: name, FreshS: ms(a.EngineOnS * 0.99), Samples: uint64(50 * a.EngineOnS), PeriodS: 0.02})
	}
	d.Account = a
	return d
}

// Unit is how the unit of vehicle i fares at the end of a day.
func (f *Fleet) Unit(i, day int) wire.Unit {
	const quota = 2_000_000_000
	u := wire.Unit{Program: "invented", QuotaBytes: quota, FreeBytes: 12_000_000_000, Runs: 2 * (day + 1)}
	u.StoreBytes = 100_000_000 + int64(day)*2_000_000
	if f.Truth(i) == Filling {
		u.StoreBytes = quota - int64(f.Days-day)*60_000_000
	}
	return u
}

// Records returns what vehicle i sends at the end of a day, and when it is
// received: that night.
func (f *Fleet) Records(i, day int) (list []*wire.Record, received time.Time) {
	received = f.date(day).Add(22*time.Hour + time.Duration(i%3600)*time.Second)
	drives := f.Day(i, day)
	base := wire.Record{Version: 2, Vehicle: f.Name(i), Stay: fmt.Sprintf("invented-%d", i), Label: "van (invented)"}
	for n := range drives {
		d := &drives[n]
		for k := range d.Findings {
			x := d.Findings[k]
			r := base
			r.Kind, r.Run, r.At = wire.KindEvent, d.Run, d.Start.UnixMicro()+int64(x.Start)
			r.Event = &wire.Event{ID: fmt.Sprintf("%d-%d", d.Run, k+1), StartUs: int64(x.Start), EndUs: int64(x.End), Finding: x, Evidence: "not-asked"}
			list = append(list, &r)
		}
		r := base
		r.Kind, r.Run, r.At, r.Account = wire.KindAccount, d.Run, d.Start.UnixMicro(), &wire.Account{Account: d.Account}
		list = append(list, &r)
	}
	if len(drives) > 0 {
		r := base
		u := f.Unit(i, day)
		r.Kind, r.Run, r.At, r.Unit = wire.KindUnit, drives[len(drives)-1].Run, received.UnixMicro(), &u
		list = append(list, &r)
	}
	return list, received
}

// EachRecord calls add with every record of every vehicle, its identity and when
// it is received.
func (f *Fleet) EachRecord(add func(r *wire.Record, id string, received time.Time) error) error {
	for i := range f.Vehicles {
		for day := range f.Days {
			list, received := f.Records(i, day)
			for _, r := range list {
				_, id, err := r.Encode()
				if err != nil {
					return err
				}
				if err := add(r, id, received); err != nil {
					return err
				}
			}
		}
	}
	return nil
}
