package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/joltshop/dataset"
)

// What is past its time goes, by whole months, and the report's remark says from when
// on there is something.
func TestKeepDays(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "dataset")
	f := &invented.Fleet{Vehicles: 2, Days: 30, LastDay: time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC), Seed: 1, Stops: 2}
	data, err := dataset.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.EachRecord(data.Add); err != nil {
		t.Fatal(err)
	}
	if err := data.Close(); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		keep  int
		now   string
		files int
		first string
		says  string
	}{
		{400, "2027-04-04", 6, "2026-02-12", "nothing was let go"},
		{0, "2037-04-04", 6, "2026-02-12", "nothing was let go"},
		{400, "2027-04-05", 3, "2026-03-02", "before 2026-03-01 was let go"},
		{1096, "2027-04-06", 3, "2026-03-02", "before 2026-03-01 was let go"},
	} {
		now, err := time.Parse(time.DateOnly, x.now)
		if err != nil {
			t.Fatal(err)
		}
		if err := (recordKeep{x.keep}).tidy(context.Background(), data, now, t.Logf); err != nil {
			t.Fatal(err)
		}
		list, err := filepath.Glob(filepath.Join(dir, "*", "*", "*", "*.parquet"))
		if err != nil || len(list) != x.files {
			t.Errorf("on %s: %d files, want %d; %v", x.now, len(list), x.files, err)
		}
		if r, err := heldRemark(dir, x.first); err != nil || !strings.Contains(r, x.says) || !strings.Contains(r, "from "+x.first) {
			t.Errorf("on %s: %q, %v; want %q", x.now, r, err, x.says)
		}
	}
	for _, args := range [][]string{{"tidy", dir, "--keep-days", "399"}, {"tidy", dir, "--keep-days", "-1"},
		{"serve", "--dir", dir, "--keep-days", "30"}, {"serve", "--dir", dir, "--keep-stay-days", "-1"},
		{"tidy", dir, "--keep-days", "999999"}, {"intake", "--dir", dir, "--keep-stay-days", "999999"},
		{"intake", "--dir", dir, "--keep-part-days", "0"}, {"intake", "--dir", dir, "--keep-part-days", "999999"}} {
		var out, errs bytes.Buffer
		if code := Main(args, &out, &errs); code != 2 || !strings.Contains(errs.String(), "--keep-") || strings.Count(errs.String(), "\n") != 1 {
			t.Errorf("%v: %d %q", args, code, errs.String())
		}
	}
}
