package dataset

import (
	"context"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
)

// testdata/v2 is a dataset as schema 2 laid it down, files of days and of a month; it
// is never written anew. Whatever the version of this program, it reads the same rows
// there, from each kind of file, and joins them with what comes now.
func TestSampleOfSchema2(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("testdata/v2")); err != nil {
		t.Fatal(err)
	}
	d, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	january, march := time.Date(2026, 1, 20, 9, 0, 0, 0, time.UTC), time.Date(2026, 3, 9, 9, 0, 0, 0, time.UTC)
	eachOnce(t, d.at, 12)
	give(t, d, event("van-1", march, 7))
	giveAt(t, d, event("van-2", january, 7), january)
	flush(t, d)
	if done, err := d.Compact(context.Background(), received.AddDate(0, 0, 1)); err != nil || len(done) != 4 || len(d.Damaged()) > 0 {
		t.Errorf("%v, %v, damaged: %v", done, err, d.Damaged())
	}
	eachOnce(t, d.at, 14)
	for _, x := range []struct {
		month string
		at    time.Time
		rows  int
	}{{"2026-01", january, 3}, {"2026-03", march, 3}} {
		sameRow(t, filepath.Join(dir, events, months, x.month), x.rows, func(got eventRow) (eventRow, bool) {
			return newEvent(got.common, event("van-1", x.at, 1).Event), got.Vehicle == "van-1" && got.Event == "1"
		})
		sameRow(t, filepath.Join(dir, accounts, months, x.month), 2, func(got accountRow) (accountRow, bool) {
			return newAccount(got.common, account("van-1", x.at, 1).Account), got.Vehicle == "van-1"
		})
		sameRow(t, filepath.Join(dir, units, months, x.month), 2, func(got unitRow) (unitRow, bool) {
			return newUnit(got.common, unit("van-1", x.at, 1).Unit), got.Vehicle == "van-1"
		})
	}
}

// sameRow reads the one file of a folder and holds the row that want knows against it.
func sameRow[T row](t *testing.T, dir string, n int, want func(T) (T, bool)) {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "*.parquet"))
	if err != nil || len(list) != 1 {
		t.Fatalf("%s: %v, %v", dir, list, err)
	}
	rows, err := parquet.ReadFile[T](list[0])
	if err != nil || len(rows) != n {
		t.Fatalf("%s: %d rows of %d, %v", dir, len(rows), n, err)
	}
	found := 0
	for _, got := range rows {
		want, mine := want(got)
		if !mine {
			continue
		}
		found++
		h := got.head()
		if !reflect.DeepEqual(got, want) || !h.Clocked || h.Time == 0 || h.Stay != "stay" || h.Run != 2 {
			t.Errorf("%s: the row is\n%+v\nwant\n%+v", dir, got, want)
		}
	}
	if found != 1 {
		t.Errorf("%s: %d rows of it", dir, found)
	}
}
