package invented

import (
	"path/filepath"
	"testing"
	"time"

	"joltwatch/storage"
)

// The store holds what the records say: as many events and accounts, of the
// same days.
func TestStoreIsTheRecords(t *testing.T) {
	f := &Fleet{Vehicles: 3, Days: 9, LastDay: time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC), Seed: 2, Planted: 0.5}
	for i := range f.Vehicles {
		dir := filepath.Join(t.TempDir(), "stay")
		start := time.Now()
		if err := f.Store(i, dir); err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %v", f.Name(i), time.Since(start))
		s, err := storage.Read(dir)
		if err != nil {
			t.Fatal(err)
		}
		events, accounts := 0, 0
		for day := range f.Days {
			list, _ := f.Records(i, day)
			for _, r := range list {
				switch {
				case r.Event != nil:
					events++
				case r.Account != nil:
					accounts++
				}
			}
		}
		if len(s.Events()) != events || len(s.Accounts()) != accounts || events == 0 {
			t.Errorf("%s: %d events and %d accounts, want %d and %d", f.Name(i), len(s.Events()), len(s.Accounts()), events, accounts)
		}
	}
}

// The same seed gives the same fleet.
func TestSameFleet(t *testing.T) {
	f := &Fleet{Vehicles: 40, Days: 10, LastDay: time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC), Seed: 2, Planted: 0.5}
	for i := range f.Vehicles {
		for day := range f.Days {
			a, _ := f.Records(i, day)
			b, _ := f.Records(i, day)
			if len(a) != len(b) {
				t.Fatal("another number of records")
			}
			for k := range a {
				_, x, _ := a[k].Encode()
				_, y, _ := b[k].Encode()
				if x != y {
					t.Fatal("another record")
				}
			}
		}
	}
}
