package rehearsal

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"joltwatch/cmd/develop/fleet/invented"
)

// A small fleet takes the whole way: stores, couriers, server on loopback,
// intake, dataset. Every record of every vehicle is there, once; the one that
// never comes has none; a second visit brings nothing twice.
func TestWholeWay(t *testing.T) {
	last := time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC)
	f := &invented.Fleet{Vehicles: 4, Days: 5, LastDay: last, Seed: 6, Planted: 0.4, Faults: []invented.Fault{invented.Silent}}
	s := &Shop{Fleet: f, Dir: filepath.Join(t.TempDir(), "shop"), Vans: filepath.Join(t.TempDir(), "vans"), Logf: t.Logf}
	ctx := context.Background()
	if err := s.Record(ctx); err != nil {
		t.Fatal(err)
	}
	silent := 0
	for visit := range 2 {
		if err := s.Deliver(ctx); err != nil {
			t.Fatal(err)
		}
		for i := range f.Vehicles {
			want := map[string]int{}
			if f.Truth(i) == invented.Silent {
				silent++
			} else {
				for day := range f.Days {
					list, _ := f.Records(i, day)
					for _, r := range list {
						switch {
						case r.Event != nil:
							want["events"]++
						case r.Account != nil:
							want["accounts"]++
						}
					}
				}
			}
			for _, table := range []string{"events", "accounts"} {
				ids := map[string]int{}
				files, err := filepath.Glob(filepath.Join(s.Dir, "dataset", table, "vehicle="+f.Name(i), "*", "*.parquet"))
				if err != nil {
					t.Fatal(err)
				}
				for _, name := range files {
					rows, err := parquet.ReadFile[struct {
						ID string `parquet:"id"`
					}](name)
					if err != nil {
						t.Fatal(err)
					}
					for _, r := range rows {
						ids[r.ID]++
					}
				}
				for id, n := range ids {
					if n != 1 {
						t.Errorf("visit %d, %s: %s is there %d times", visit+1, f.Name(i), id, n)
					}
				}
				if len(ids) != want[table] {
					t.Errorf("visit %d, %s: %d %s, want %d", visit+1, f.Name(i), len(ids), table, want[table])
				}
			}
		}
	}
	if silent == 0 || silent == 2*f.Vehicles {
		t.Errorf("%d silent", silent)
	}
}
