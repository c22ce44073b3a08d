package dataset

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
)

// fortnight lays down 14 days of three vehicles across the end of a month.
func fortnight(t *testing.T, d *Dataset) (records int) {
	t.Helper()
	for day := range 14 {
		at := time.Date(2026, 2, 22+day, 9, 0, 0, 0, time.UTC)
		for _, v := range []string{"van-1", "van-2", "z"} {
			for n := range 3 {
				give(t, d, event(v, at.Add(time.Duration(n)*time.Minute), 100*day+n))
				records++
			}
			give(t, d, account(v, at, day))
			giveAt(t, d, unit(v, at, day), at.Add(time.Hour))
			records += 2
		}
		flush(t, d)
	}
	return records
}

// afterFortnight is when all its days are sealed.
var afterFortnight = time.Date(2026, 3, 11, 1, 0, 0, 0, time.UTC)

// everywhere counts how often each identity is in the files of all tables.
func everywhere(t *testing.T, at place) map[string]int {
	t.Helper()
	n := map[string]int{}
	for _, name := range allFiles(t, at) {
		countIDs(t, at, name, n)
	}
	return n
}

func allFiles(t *testing.T, at place) (names []string) {
	t.Helper()
	for _, table := range Tables {
		for _, list := range []func(context.Context, string) ([]file, error){at.loose, at.months} {
			files, err := list(context.Background(), table)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range files {
				names = append(names, f.name)
			}
		}
	}
	return names
}

// eachOnce fails unless there are so many identities, each once.
func eachOnce(t *testing.T, at place, want int) {
	t.Helper()
	n := everywhere(t, at)
	if len(n) != want {
		t.Errorf("%d identities, want %d", len(n), want)
	}
	for id, times := range n {
		if times != 1 {
			t.Errorf("%s is there %d times", id, times)
			return
		}
	}
}

// eventsIn are the events of all files, by identity.
func eventsIn(t *testing.T, at place) (list []eventRow) {
	t.Helper()
	for _, name := range allFiles(t, at) {
		if !strings.HasPrefix(name, events) {
			continue
		}
		body, err := at.read(context.Background(), name)
		if err != nil {
			t.Fatal(err)
		}
		got, err := parquet.Read[eventRow](bytes.NewReader(body), int64(len(body)))
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, got...)
	}
	slices.SortFunc(list, func(a, b eventRow) int { return cmp.Compare(a.ID, b.ID) })
	return list
}

// Every row comes out of the months as it went in, in one file a table and month; a
// day that is not sealed stays as it is, and what comes later is taken in when it is
// enough.
func TestCompact(t *testing.T) {
	for kind, where := range places(t) {
		t.Run(kind, func(t *testing.T) {
			d, err := Open(where(t))
			if err != nil {
				t.Fatal(err)
			}
			ctx := context.Background()
			records := fortnight(t, d)
			before := eventsIn(t, d.at)
			done, err := d.Compact(ctx, time.Date(2026, 3, 5, 23, 0, 0, 0, time.UTC))
			if err != nil || len(done) != 6 {
				t.Fatalf("%v, %v; want three tables in two months", done, err)
			}
			for _, f := range allFiles(t, d.at) {
				if p, ok := partitionOf(f); ok && p.day < "2026-03-05" {
					t.Errorf("%s is left", f)
				}
			}
			if done, err = d.Compact(ctx, afterFortnight); err != nil || len(done) == 0 {
				t.Fatal(done, err)
			}
			if files := allFiles(t, d.at); len(files) != 6 {
				t.Errorf("%d files, want three tables in two months: %v", len(files), files)
			}
			eachOnce(t, d.at, records)
			if after := eventsIn(t, d.at); !reflect.DeepEqual(after, before) {
				t.Error("a row has changed")
			}
			// A little that is late waits, unless there is more of it.
			late := time.Date(2026, 2, 25, 12, 0, 0, 0, time.UTC)
			give(t, d, event("van-1", late, 9000), event("van-1", time.Date(2026, 2, 25, 9, 0, 0, 0, time.UTC), 300))
			flush(t, d)
			if done, err := d.Compact(ctx, afterFortnight); err != nil || len(done) != 1 || done[0].Files != 2 {
				t.Fatal(done, err)
			}
			if again, err := d.Compact(ctx, afterFortnight); err != nil || len(again) != 0 {
				t.Errorf("again: %v, %v", again, err)
			}
			eachOnce(t, d.at, records+1)
			if len(d.Damaged()) > 0 {
				t.Errorf("taken for damaged: %v", d.Damaged())
			}
		})
	}
}

// The file of a month is sorted by vehicle and time, says so, and has statistics and
// bloom filters by which a reader skips row groups.
func TestMonthFile(t *testing.T) {
	dir := t.TempDir()
	d, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	fortnight(t, d)
	if _, err := d.Compact(context.Background(), afterFortnight); err != nil {
		t.Fatal(err)
	}
	list, err := filepath.Glob(filepath.Join(dir, "events", "months", "2026-02", "*.parquet"))
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	rows, err := parquet.ReadFile[eventRow](list[0])
	if err != nil || len(rows) != 7*3*3 {
		t.Fatal(len(rows), err)
	}
	if !slices.IsSortedFunc(rows, func(a, b eventRow) int { return cmp.Or(cmp.Compare(a.Vehicle, b.Vehicle), cmp.Compare(a.Time, b.Time)) }) {
		t.Error("not sorted by vehicle and time")
	}
	if day := time.Unix(86400*int64(rows[0].Day), 0).UTC().Format(time.DateOnly); rows[0].Vehicle != "van-1" || day != "2026-02-22" {
		t.Errorf("the first row is of %s on %s", rows[0].Vehicle, day)
	}
	in, err := os.Open(list[0])
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	info, _ := in.Stat()
	f, err := parquet.OpenFile(in, info.Size())
	if err != nil {
		t.Fatal(err)
	}
	if m, _ := f.Lookup(keyMonth); m != "2026-02" {
		t.Errorf("month %q", m)
	}
	group := f.RowGroups()[0]
	var sorted []string
	for _, c := range group.SortingColumns() {
		sorted = append(sorted, c.Path()[0])
	}
	if !slices.Equal(sorted, []string{"vehicle", "time", "id"}) {
		t.Errorf("sorted by %v, it says", sorted)
	}
	for _, c := range f.Metadata().RowGroups[0].Columns {
		s, name := c.MetaData.Statistics, c.MetaData.PathInSchema[0]
		if name == "vehicle" && (string(s.MinValue) != "van-1" || string(s.MaxValue) != "z") {
			t.Errorf("vehicles from %q to %q, its statistics say", s.MinValue, s.MaxValue)
		}
		if (name == "id" || name == "stay") && c.MetaData.BloomFilterOffset == 0 {
			t.Errorf("no bloom filter of %s", name)
		}
	}
	for i, c := range f.Root().Columns() {
		if c.Name() != "id" {
			continue
		}
		filter := group.ColumnChunks()[i].BloomFilter()
		there, err1 := filter.Check(parquet.ValueOf(rows[0].ID))
		other, err2 := filter.Check(parquet.ValueOf(strings.Repeat("0", 64)))
		if !there || other || err1 != nil || err2 != nil {
			t.Errorf("the filter of identities: %v, %v, %v, %v", there, other, err1, err2)
		}
	}
}

func (f *failing) loose(ctx context.Context, table string) ([]file, error) {
	if err := f.step(); err != nil {
		return nil, err
	}
	return f.place.loose(ctx, table)
}

func (f *failing) months(ctx context.Context, table string) ([]file, error) {
	if err := f.step(); err != nil {
		return nil, err
	}
	return f.place.months(ctx, table)
}

func (f *failing) open(ctx context.Context, name string) (*os.File, error) {
	if err := f.step(); err != nil {
		return nil, err
	}
	return f.place.open(ctx, name)
}

func (f *failing) keep(ctx context.Context, in *os.File, name string) error {
	if err := f.step(); err != nil {
		return err
	}
	return f.place.keep(ctx, in, name)
}

// stopEverywhere stops work before its first operation, its second and so on, each
// time on a place that prepare made anew, and has look look at what is there, until
// the work gets done; it returns how often it was stopped.
func stopEverywhere(t *testing.T, where func(*testing.T) string, prepare func(*Dataset), work func(*Dataset) error, look func(d *Dataset, left int)) (stopped int) {
	t.Helper()
	for left := 0; ; left++ {
		d, err := Open(where(t))
		if err != nil {
			t.Fatal(err)
		}
		prepare(d)
		at := d.at
		d.at = &failing{at, left}
		err = work(d)
		if err != nil && !errors.Is(err, errStopped) {
			t.Fatal(err)
		}
		// The server starts anew.
		look(&Dataset{at: at, pending: map[partition]batch{}}, left)
		if err == nil {
			return stopped
		}
		stopped++
	}
}

// Stopped before any operation, no row is lost, on a disk and in an object store; the
// next time leaves each once.
func TestCompactStoppedAnywhere(t *testing.T) {
	for kind, where := range places(t) {
		t.Run(kind, func(t *testing.T) {
			ctx := context.Background()
			records := 0
			prepare := func(d *Dataset) {
				for n, day := range []int{27, 28} {
					at := time.Date(2026, 2, day, 9, 0, 0, 0, time.UTC)
					give(t, d, event("van-1", at, 1+10*n), event("van-2", at, 2+10*n), unit("van-2", at, n))
					flush(t, d)
					if n == 0 { // so that there is a month already
						if _, err := d.Compact(ctx, at.AddDate(0, 0, 1)); err != nil {
							t.Fatal(err)
						}
					}
				}
				records = 6
			}
			compact := func(d *Dataset) error { _, err := d.Compact(ctx, afterFortnight); return err }
			stopped := stopEverywhere(t, where, prepare, compact, func(d *Dataset, left int) {
				if n := len(everywhere(t, d.at)); n != records {
					t.Fatalf("stopped after %d operations: %d rows of %d", left, n, records)
				}
				if err := compact(d); err != nil {
					t.Fatal(err)
				}
				eachOnce(t, d.at, records)
				if files := allFiles(t, d.at); len(files) != 2 {
					t.Errorf("stopped after %d operations: %v, want two files", left, files)
				}
			})
			if stopped < 15 {
				t.Errorf("stopped in %d ways; expected at least 15", stopped)
			}
		})
	}
}

// Two that compact, one that writes and one that copies, at once, lose nothing; every
// copy has all that was there before.
func TestCompactTogether(t *testing.T) {
	dir := t.TempDir()
	d, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	records := fortnight(t, d)
	before := everywhere(t, d.at)
	var all sync.WaitGroup
	for range 2 {
		all.Go(func() {
			d, err := Open(dir)
			if err != nil {
				t.Error(err)
				return
			}
			for range 15 {
				if _, err := d.Compact(context.Background(), afterFortnight); err != nil && !errors.Is(err, fs.ErrNotExist) {
					t.Error(err)
				}
			}
			if len(d.Damaged()) > 0 {
				t.Errorf("taken for damaged: %v", d.Damaged())
			}
		})
	}
	all.Go(func() {
		for n := range 8 {
			copied := filepath.Join(t.TempDir(), fmt.Sprint(n))
			if _, err := Copy(context.Background(), dir, copied); errors.Is(err, fs.ErrNotExist) {
				continue // again and again in the way of the others
			} else if err != nil {
				t.Error(err)
				return
			}
			has := everywhere(t, folder(copied))
			for id := range before {
				if has[id] == 0 {
					t.Errorf("copy %d lacks %s", n, id)
					return
				}
			}
		}
	})
	all.Go(func() {
		for n := range 40 {
			r := event("van-1", time.Date(2026, 2, 22+n%14, 15, 0, 0, 0, time.UTC), 5000+n)
			_, id, err := r.Encode()
			if err == nil {
				err = d.Add(r, id, received)
			}
			for tries := 0; err == nil && d.Held() > 0; tries++ {
				if err = d.Flush(context.Background()); errors.Is(err, fs.ErrNotExist) && tries < 100 {
					err = nil
				}
			}
			if err != nil {
				t.Error(err)
			}
		}
	})
	all.Wait()
	for range 2 { // until nothing is left that is too little
		if _, err := d.Compact(context.Background(), afterFortnight); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(everywhere(t, d.at)); n != records+40 {
		t.Errorf("%d rows of %d", n, records+40)
	}
}

// A file that cannot be read is set aside, of a day or of a month, and the rest is
// brought together; what a later version laid down is left as it is.
func TestCompactDamagedAndLater(t *testing.T) {
	for kind, where := range places(t) {
		t.Run(kind, func(t *testing.T) {
			d, err := Open(where(t))
			if err != nil {
				t.Fatal(err)
			}
			ctx := context.Background()
			at := time.Date(2026, 2, 10, 9, 0, 0, 0, time.UTC)
			give(t, d, event("a", at, 1), event("b", at, 2), event("c", at.AddDate(0, 0, 1), 3))
			flush(t, d)
			hurt := func(name string) {
				body, err := d.at.read(ctx, name)
				if err == nil {
					err = d.at.write(ctx, name, append(bytes.Clone(body[:len(body)/2]), body[len(body)/2+9:]...))
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			loose, _ := d.at.loose(ctx, events)
			hurt(loose[1].name)
			const newer = "events/vehicle=d/day=2026-02-10/later.parquet"
			later := layLater(t, d.at, newer, strings.Repeat("1", 64))
			if _, err := d.Compact(ctx, afterFortnight); err != nil {
				t.Fatal(err)
			}
			if got := d.Damaged(); len(got) != 1 || got[0] != loose[1].name {
				t.Errorf("set aside: %v", got)
			}
			eachOnce(t, d.at, 3) // a, c and the later one
			if body, err := d.at.read(ctx, newer); err != nil || !bytes.Equal(body, later) {
				t.Errorf("the later file was changed: %v", err)
			}
			made, _ := d.at.months(ctx, events)
			hurt(made[0].name)
			give(t, d, event("a", at.AddDate(0, 0, 2), 4))
			flush(t, d)
			if _, err := d.Compact(ctx, afterFortnight); err != nil {
				t.Fatal(err)
			}
			if got := d.Damaged(); len(got) != 2 || got[1] != made[0].name {
				t.Errorf("set aside: %v", got)
			}
			if _, err := d.at.read(ctx, made[0].name+damaged); err != nil {
				t.Errorf("what was set aside is gone: %v", err)
			}
			eachOnce(t, d.at, 2)
		})
	}
}

// listed are the days that a reader sees, of a folder or of a store's copy.
func listed(t *testing.T, where string) map[string]bool {
	t.Helper()
	dir, err := Local(context.Background(), where, filepath.Join(t.TempDir(), "cache"), Days{"2000-01-01", "2100-01-01"})
	if err != nil {
		t.Fatal(err)
	}
	days := map[string]bool{}
	for _, table := range Tables {
		l, err := List(dir, table, time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), received, map[string]Days{})
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range append(append(l.Loose, l.Months...), l.Earlier...) {
			name, err := filepath.Rel(dir, name)
			if err != nil {
				t.Fatal(err)
			}
			part := strings.Split(filepath.ToSlash(name), "/")
			days[strings.Join(part[:3], "/")] = true
		}
	}
	return days
}

// What is older goes as a whole: stopped before any operation, a reader sees all of
// it or nothing; what is younger stays, and the next time removes the rest.
func TestLetGo(t *testing.T) {
	old := time.Date(2024, 11, 20, 9, 0, 0, 0, time.UTC)
	before := old.AddDate(0, 0, 13) // from 1 December on
	for kind, where := range places(t) {
		t.Run(kind, func(t *testing.T) {
			ctx, place := context.Background(), ""
			here := func(t *testing.T) string { place = where(t); return place }
			prepare := func(d *Dataset) {
				for _, r := range []int{0, 10, 11, 40} { // 20 and 30 November, 1 and 30 December
					at := old.AddDate(0, 0, r)
					for _, v := range []string{"van-1", "van-2"} {
						giveAt(t, d, event(v, at, r), at.Add(3*time.Hour))
						giveAt(t, d, unit(v, at, r), at.Add(3*time.Hour))
					}
					flush(t, d)
					if r == 0 {
						if _, err := d.Compact(ctx, at.AddDate(0, 0, 1)); err != nil {
							t.Fatal(err)
						}
					}
				}
			}
			seen := map[int]int{}
			letGo := func(d *Dataset) error { _, err := d.LetGo(ctx, before); return err }
			stopped := stopEverywhere(t, here, prepare, letGo, func(d *Dataset, left int) {
				n := 0
				for day := range listed(t, place) {
					if strings.Contains(day, "2024-11") {
						n++
					}
				}
				seen[n]++
				if n != 0 && n != 6 {
					t.Errorf("stopped after %d operations: %d of 6 days are listed", left, n)
				}
				if err := letGo(d); err != nil {
					t.Fatal(err)
				}
				eachOnce(t, d.at, 8)
				if days := listed(t, place); len(days) != 8 {
					t.Errorf("%v", days)
				}
			})
			if stopped < 10 || seen[0] == 0 || seen[6] == 0 {
				t.Errorf("stopped in %d ways; seen %v", stopped, seen)
			}
			// What was let go stays so where the time is made longer again.
			d, err := Open(place)
			if err != nil {
				t.Fatal(err)
			}
			giveAt(t, d, event("van-1", old, 99), old)
			flush(t, d)
			if files, err := d.LetGo(ctx, old.AddDate(-1, 0, 0)); err != nil || files != 1 {
				t.Errorf("%d files, %v", files, err)
			}
		})
	}
}
