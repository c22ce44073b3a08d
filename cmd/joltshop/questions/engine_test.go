//go:build cgo && engine

package questions

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"joltwatch/bus"
	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/detect"
	"joltwatch/storage/wire"
)

var lastDay = time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC)

// write lays a fleet down in a new dataset.
func write(t *testing.T, f *invented.Fleet) string {
	t.Helper()
	dir := t.TempDir()
	d, err := dataset.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(f.EachRecord(d.Add), d.Close()); err != nil {
		t.Fatal(err)
	}
	return dir
}

// lay lays records down in a dataset.
func lay(t *testing.T, dir string, received time.Time, list ...*wire.Record) {
	t.Helper()
	d, err := dataset.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range list {
		_, id, err := r.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Add(r, id, received); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
}

// Every number of every question, against the same in plain Go from the records
// themselves.
func TestAgainstPlainGo(t *testing.T) {
	f := &invented.Fleet{Vehicles: 8, Days: 40, LastDay: lastDay, Seed: 3, Planted: 0.6}
	dir := write(t, f)
	const history = 28
	got, err := Ask(context.Background(), dir, Asked{LastDay: lastDay, HistoryDays: history, Groups: map[string]string{"van-00002": "it's a group"}})
	if err != nil {
		t.Fatal(err)
	}

	type key struct{ vehicle, kind string }
	opportunities := map[key]*Opportunities{}
	var want []Day
	coverage := map[string]*Coverage{}
	units := map[string]*Unit{}
	for i := range f.Vehicles {
		v := f.Name(i)
		group := "all"
		if i == 1 {
			group = "it's a group"
		}
		coverage[v] = &Coverage{Vehicle: v, Group: group}
		units[v] = &Unit{Vehicle: v, Group: group, Reported: true, Program: "invented"}
		for day := range f.Days {
			ago := f.Days - 1 - day
			if ago >= 7+history {
				continue
			}
			var lags, fluid []float64
			list, received := f.Records(i, day)
			for _, r := range list {
				switch {
				case r.Event != nil:
					lag, _ := r.Event.Finding.Get("lag_s")
					lags, fluid = append(lags, lag), append(fluid, *r.Event.Finding.Context.FluidTemperatureC)
				case r.Account != nil:
					for _, c := range r.Account.Opportunities {
						k := key{v, c.Kind}
						if opportunities[k] == nil {
							opportunities[k] = &Opportunities{Vehicle: v, Group: group, Kind: c.Kind}
						}
						for len(opportunities[k].Weeks) <= ago/7 {
							opportunities[k].Weeks = append(opportunities[k].Weeks, Count{})
						}
						opportunities[k].Weeks[ago/7].Add(Count{int64(c.Seen), int64(c.Observable), int64(c.Hits)})
					}
					if ago < 7 {
						c := coverage[v]
						c.Drives++
						c.EngineOnS += r.Account.EngineOnS
						c.MovingS += r.Account.MovingS
						c.UnknownS += r.Account.UnknownS
						c.Stops += int64(r.Account.Stops)
						c.StopsObserved += int64(r.Account.StopsObserved)
					}
					units[v].Last = received
				case r.Unit != nil:
					u := units[v]
					u.Last, u.Told, u.Arrived, u.StoreBytes, u.QuotaBytes, u.FreeBytes, u.Runs = received, received, received, r.Unit.StoreBytes, r.Unit.QuotaBytes, r.Unit.FreeBytes, int64(r.Unit.Runs)
				}
			}
			if len(lags) >= 3 {
				want = append(want, Day{Vehicle: v, Group: group, Ago: int64(ago), LagS: middle(lags), FluidC: sql.NullFloat64{Float64: middle(fluid), Valid: true}, Stops: int64(len(lags))})
			}
		}
	}
	if len(got.Opportunities) != len(opportunities) || len(opportunities) != 8*4 {
		t.Errorf("%d rows of opportunities, want %d", len(got.Opportunities), len(opportunities))
	}
	for _, c := range got.Opportunities {
		if want := opportunities[key{c.Vehicle, c.Kind}]; want == nil || !reflect.DeepEqual(c, *want) {
			t.Errorf("%+v, want %+v", c, want)
		}
	}
	for _, c := range got.Coverage {
		want := coverage[c.Vehicle]
		if math.Abs(c.MovingS-want.MovingS) > 1e-6 || math.Abs(c.UnknownS-want.UnknownS) > 1e-6 {
			t.Errorf("%+v, want %+v", c, *want)
		}
		c.MovingS, c.UnknownS = want.MovingS, want.UnknownS
		if c != *want {
			t.Errorf("%+v, want %+v", c, *want)
		}
	}
	filling := 0
	for _, u := range got.Units {
		growth := 2e6
		for i := range f.Vehicles {
			if f.Name(i) == u.Vehicle && f.Truth(i) == invented.Filling {
				growth = 6e7
				filling++
			}
		}
		if math.Abs(u.BytesADay/growth-1) > 1e-3 {
			t.Errorf("%s grows by %g a day, want %g", u.Vehicle, u.BytesADay, growth)
		}
		u.BytesADay = 0
		if want := units[u.Vehicle]; u != *want {
			t.Errorf("%+v, want %+v", u, *want)
		}
	}
	if filling == 0 || len(got.Units) != 8 {
		t.Errorf("%d filling of %d", filling, len(got.Units))
	}
	slices.SortFunc(want, func(a, b Day) int { return cmp.Or(strings.Compare(a.Vehicle, b.Vehicle), cmp.Compare(a.Ago, b.Ago)) })
	if !slices.EqualFunc(got.Days, want, func(a, b Day) bool {
		return a.Vehicle == b.Vehicle && a.Group == b.Group && a.Ago == b.Ago && a.Stops == b.Stops && math.Abs(a.LagS-b.LagS) < 1e-12 && math.Abs(a.FluidC.Float64-b.FluidC.Float64) < 1e-9
	}) {
		t.Errorf("days: %+v, want %+v", got.Days, want)
	}
}

func middle(list []float64) float64 {
	slices.Sort(list)
	return (list[(len(list)-1)/2] + list[len(list)/2]) / 2
}

// A drive's account comes again as it grows and counts once; a row in two files
// counts once; an empty table is an empty answer.
func TestOnce(t *testing.T) {
	dir := t.TempDir()
	at := lastDay.Add(8 * time.Hour)
	lay(t, dir, at.Add(time.Hour), grown(at, 5, 1000), grown(at, 9, 2000))
	// The same once more in a file that a stopped writer left.
	if err := copyOnce(dir); err != nil {
		t.Fatal(err)
	}
	got, err := Ask(context.Background(), dir, Asked{LastDay: lastDay, HistoryDays: 7})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Opportunities) != 1 || got.Opportunities[0].Week() != (Count{9, 9, 0}) || len(got.Days) != 0 || len(got.Units) != 1 || got.Units[0].Reported {
		t.Errorf("%+v", got)
	}
	more, err := Ask(context.Background(), dir, Asked{LastDay: lastDay, HistoryDays: 7, Enrolled: []string{"van", "van-never"}})
	if err != nil || len(more.Units) != 2 || len(more.Coverage) != 2 || !more.Units[1].Last.IsZero() || more.Units[0].Last.IsZero() {
		t.Errorf("one that is enrolled and never sent anything: %+v, %v", more, err)
	}
	empty, err := Ask(context.Background(), t.TempDir(), Asked{LastDay: lastDay, HistoryDays: 7})
	if err != nil || len(empty.Units)+len(empty.Opportunities)+len(empty.Coverage) != 0 {
		t.Errorf("an empty dataset: %+v, %v", empty, err)
	}
}

// The files do what their own first lines say, without this program around them.
func TestFilesStandAlone(t *testing.T) {
	f := &invented.Fleet{Vehicles: 4, Days: 20, LastDay: lastDay, Seed: 3}
	dir := write(t, f)
	c, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.SetMaxOpenConns(1)
	set := strings.NewReplacer("my-shop/dataset", filepath.ToSlash(dir), "2026-03-10", lastDay.Format(time.DateOnly))
	first := []string{"set.sql", "load_accounts.sql", "load_events.sql", "load_units.sql", "load_vehicles.sql", "load_months.sql", "views.sql"}
	bringTogether(t, dir, lastDay.AddDate(0, 0, -10))
	for _, name := range first {
		text, err := files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.Exec(set.Replace(string(text))); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	list, err := files.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		text, err := files.ReadFile(e.Name())
		if err != nil {
			t.Fatal(err)
		}
		if slices.Contains(first, e.Name()) {
			continue
		}
		rows, err := c.Query(string(text))
		if err != nil {
			t.Fatalf("%s: %v", e.Name(), err)
		}
		n := 0
		for rows.Next() {
			n++
		}
		if err := rows.Err(); err != nil || n == 0 && e.Name() != "severe.sql" {
			t.Errorf("%s: %d rows, %v", e.Name(), n, err)
		}
		rows.Close()
	}
}

// bringTogether compacts the days before one.
func bringTogether(t *testing.T, dir string, before time.Time) {
	t.Helper()
	d, err := dataset.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if done, err := d.Compact(context.Background(), before); err != nil || len(done) == 0 || len(d.Damaged()) > 0 {
		t.Fatalf("%v, %v, damaged %v", done, err, d.Damaged())
	}
}

// The answers are the same however much of the dataset has been brought together,
// also where a month was before the days that are asked about.
func TestCompactedAnswersTheSame(t *testing.T) {
	f := &invented.Fleet{Vehicles: 12, Days: 75, LastDay: lastDay, Seed: 5, Planted: 0.5}
	dir := write(t, f)
	asked := Asked{LastDay: lastDay, HistoryDays: 21, Groups: f.Groups()}
	want, err := Ask(context.Background(), dir, asked)
	if err != nil {
		t.Fatal(err)
	}
	if len(want.Days) == 0 || len(want.Units) != 12 || want.HeldFrom == "" {
		t.Fatalf("%d days, %d units, held from %q", len(want.Days), len(want.Units), want.HeldFrom)
	}
	for _, before := range []time.Time{lastDay.AddDate(0, 0, -50), lastDay.AddDate(0, 0, -1), lastDay.AddDate(0, 0, 1)} {
		bringTogether(t, dir, before)
		got, err := Ask(context.Background(), dir, asked)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("days before %s brought together: other answers", before.Format(time.DateOnly))
		}
	}
	if loose, _ := filepath.Glob(filepath.Join(dir, "*", "vehicle=*", "day=*", "*.parquet")); len(loose) > 0 {
		t.Errorf("%d files of a day are left", len(loose))
	}
}

// A dataset that an earlier version began is asked about as it is: alone, and with
// files of today before and behind the earlier ones.
func TestEarlierFiles(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../dataset/testdata/v1")); err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 9, 9, 0, 0, 0, time.UTC)
	want := map[string]Count{"van-1": {3, 2, 1}}
	check := func() {
		t.Helper()
		a, err := Ask(context.Background(), dir, Asked{LastDay: at, HistoryDays: 7})
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]Count{}
		for _, c := range a.Opportunities {
			got[c.Vehicle] = c.Week()
		}
		if !maps.Equal(got, want) {
			t.Errorf("%v, want %v", got, want)
		}
	}
	check()
	for _, vehicle := range []string{"a", "z"} {
		r := grown(at, 9, 5)
		r.Vehicle = vehicle
		lay(t, dir, at.Add(time.Hour), r)
		want[vehicle] = Count{9, 9, 0}
	}
	check()
	bringTogether(t, dir, at.AddDate(0, 0, 1))
	check()
}

// A damaged file is named, and nothing is made up in its place.
func TestDamagedFile(t *testing.T) {
	dir := write(t, &invented.Fleet{Vehicles: 1, Days: 3, LastDay: lastDay, Seed: 3})
	list, err := filepath.Glob(filepath.Join(dir, "accounts", "*", "*", "*.parquet"))
	if err != nil || len(list) == 0 {
		t.Fatal(err)
	}
	if err := os.WriteFile(list[0], []byte("PAR1 and no more"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = Ask(context.Background(), dir, Asked{LastDay: lastDay, HistoryDays: 7})
	if err == nil || !strings.Contains(err.Error(), filepath.Base(list[0])) || strings.Contains(err.Error(), "\n") {
		t.Errorf("%v: want one line that names %s", err, list[0])
	}
}

// What a hostile sender claims spoils no sum and no answer about others.
func TestHostileNumbers(t *testing.T) {
	dir := t.TempDir()
	at := lastDay.Add(8 * time.Hour)
	var list []*wire.Record
	for n := range 40 {
		r := grown(at, math.MaxUint64, 1)
		r.Vehicle, r.Run = "bad", uint32(n)
		r.Account.EngineOnS, r.Account.Stops, r.Account.StopsObserved = math.MaxFloat64, math.MaxInt, -5
		r.Account.Opportunities[0].Hits = math.MaxUint64
		u := &wire.Record{Version: 1, Kind: wire.KindUnit, Vehicle: "bad", Stay: "s", Run: uint32(n), At: at.Add(-time.Duration(n) * time.Hour).UnixMicro(),
			Unit: &wire.Unit{StoreBytes: math.MinInt64, QuotaBytes: math.MaxInt64, FreeBytes: -1, Runs: math.MinInt, LeftBytes: math.MaxInt64}}
		e := &wire.Record{Version: 1, Kind: wire.KindEvent, Vehicle: "bad", Stay: "s", Run: 1, At: at.UnixMicro(),
			Event: &wire.Event{ID: fmt.Sprint(n), Finding: detect.Finding{Kind: "release-lag", Measures: []detect.Measure{{Name: "lag_s", Value: -math.MaxFloat64}}}}}
		list = append(list, r, u, e, grown(at, 9, 5))
	}
	lay(t, dir, at.Add(time.Hour), list...)
	got, err := Ask(context.Background(), dir, Asked{LastDay: lastDay, HistoryDays: 7})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Opportunities) != 1 || got.Opportunities[0].Vehicle != "van" || got.Opportunities[0].Week().Observable != 9 || len(got.Coverage) != 2 || len(got.Units) != 2 || len(got.Days) != 0 {
		t.Errorf("%+v", got)
	}
	if u := got.Units[0]; u.StoreBytes != 0 || u.FreeBytes != 0 {
		t.Errorf("%+v", u)
	}
	if _, err := Ask(context.Background(), filepath.Join(dir, "a[b"), Asked{LastDay: lastDay}); err == nil {
		t.Error("a pattern was taken for a folder")
	}
}

func grown(at time.Time, observable uint64, end bus.Micros) *wire.Record {
	return &wire.Record{Version: 1, Kind: wire.KindAccount, Vehicle: "van", Stay: "s", Run: 1, At: at.UnixMicro(),
		Account: &wire.Account{Account: detect.Account{Drive: 1, End: end, Stops: int(observable), StopsObserved: int(observable),
			Opportunities: []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: observable, Observable: observable}}}}}
}

// copyOnce copies each file of a dataset under another name.
func copyOnce(dir string) error {
	list, err := filepath.Glob(filepath.Join(dir, "*", "*", "*", "*.parquet"))
	if err != nil || len(list) == 0 {
		return fmt.Errorf("%d files: %w", len(list), err)
	}
	for _, name := range list {
		body, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(filepath.Dir(name), "again.parquet"), body, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// One dragging release with the driver's mark ten seconds later is enough to be named;
// a unit whose clock is a year behind is heard of when it is.
func TestSevereAndWrongClock(t *testing.T) {
	dir := t.TempDir()
	arrived := lastDay.Add(20 * time.Hour)
	event := func(id, kind string, c detect.Class, start, end bus.Micros, lag float64) *wire.Record {
		f := detect.Finding{Kind: kind, Class: c, Start: start, End: end, Measures: []detect.Measure{{Name: "lag_s", Value: lag}}}
		return &wire.Record{Version: 1, Kind: wire.KindEvent, Vehicle: "van", Stay: "s", Run: 1, At: lastDay.Add(8 * time.Hour).UnixMicro(),
			Event: &wire.Event{ID: id, StartUs: int64(start), EndUs: int64(end), Finding: f}}
	}
	unit := func(vehicle string, at time.Time) *wire.Record {
		return &wire.Record{Version: 1, Kind: wire.KindUnit, Vehicle: vehicle, Stay: "s", Run: 1, At: at.UnixMicro(), Unit: &wire.Unit{Program: "x"}}
	}
	lay(t, dir, arrived,
		event("1-1", detect.KindReleaseLag, detect.Normal, 0, bus.Second, 0.2), event("1-2", detect.KindReleaseLag, detect.ReleaseDragging, 50*bus.Second, 52*bus.Second, 1.7),
		event("1-3", detect.KindMark, detect.MarkPressed, 62*bus.Second, 62*bus.Second, 0), event("1-4", detect.KindReleaseLag, detect.ReleaseLate, 500*bus.Second, 501*bus.Second, 0.9),
		unit("van", arrived), unit("behind", arrived.Add(-409*24*time.Hour)), unit("ahead", arrived.Add(3*365*24*time.Hour)), unit("endless", time.UnixMicro(math.MaxInt64)))
	got, err := Ask(context.Background(), dir, Asked{LastDay: lastDay, HistoryDays: 7})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Severe) != 2 || got.Severe[0].Event != "1-2" || *got.Severe[0].MarkAfterS != 10 || *got.Severe[0].LagS != 1.7 || got.Severe[1].Kind != detect.KindMark {
		t.Errorf("%+v", got.Severe)
	}
	for _, u := range got.Units {
		if !u.Last.Equal(arrived) || !u.Arrived.Equal(arrived) {
			t.Errorf("%s was heard of at %v, its report came at %v", u.Vehicle, u.Last, u.Arrived)
		}
		if off := u.Told.Sub(arrived).Hours() / 24; u.Vehicle == "behind" && off != -409 || u.Vehicle == "ahead" && off != 3*365 || u.Vehicle == "endless" && !u.Told.IsZero() {
			t.Errorf("%s told %v", u.Vehicle, u.Told)
		}
	}
	if len(got.Units) != 4 {
		t.Errorf("%d units", len(got.Units))
	}
}
