//go:build cgo && engine

package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/joltshop/dataset"
)

// The whole command, on a folder and on an S3-compatible store: planted faults
// are named, and both say the same.
func TestShopReport(t *testing.T) {
	day := time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC)
	f := &invented.Fleet{Vehicles: 24, Days: 24, LastDay: day, Seed: 12, Planted: 0.3}
	store := s3mem.New()
	if err := store.CreateBucket("shop"); err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(gofakes3.New(store).Server())
	defer server.Close()
	for k, v := range map[string]string{"AWS_ENDPOINT_URL": server.URL, "AWS_REGION": "somewhere-1", "AWS_ACCESS_KEY_ID": "key", "AWS_SECRET_ACCESS_KEY": "secret"} {
		t.Setenv(k, v)
	}
	dir := t.TempDir()
	shop := filepath.Join(dir, "shop")
	var said []string
	for _, where := range []string{filepath.Join(shop, "dataset"), "s3://shop/fleet"} {
		d, err := dataset.Open(where)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(f.EachRecord(d.Add), d.Close()); err != nil {
			t.Fatal(err)
		}
		ask := strings.TrimSuffix(where, string(filepath.Separator)+"dataset")
		page := filepath.Join(dir, "shop.html")
		code, out, errs := joltshop(t, "report", ask, "--json", "-o", page, "--week-to", "2026-03-13", "--cache", filepath.Join(dir, "cache"))
		if code != 0 {
			t.Fatalf("%s: %s", where, errs)
		}
		said = append(said, out)
		if body, err := os.ReadFile(page); err != nil || !strings.Contains(string(body), "24 vehicles") {
			t.Errorf("%s: the page: %v", where, err)
		}
	}
	if said[0] != said[1] {
		t.Error("the folder and the bucket say different things")
	}
	// Nor does it after the days were brought together; and nothing of it is past its time.
	if code, out, errs := joltshop(t, "tidy", shop, "--keep-days", "0"); code != 0 || strings.Count(out, "brought together") != 6 {
		t.Errorf("%d %s%s", code, out, errs)
	}
	if _, out, _ := joltshop(t, "report", shop, "--json", "--week-to", "2026-03-13"); out != said[0] {
		t.Error("brought together it says different things")
	}
	if !strings.Contains(said[0], "the dataset has records from 2026-02-18 on; nothing was let go") {
		t.Error("it does not say from when on there are records")
	}
	// Of an object store only what is asked about is fetched, and says the same.
	if code, out, errs := joltshop(t, "tidy", "s3://shop/fleet", "--keep-days", "0"); code != 0 || strings.Count(out, "brought together") != 6 {
		t.Errorf("%d %s%s", code, out, errs)
	}
	var few []string
	for _, where := range []string{shop, "s3://shop/fleet"} {
		code, out, errs := joltshop(t, "report", where, "--json", "--week-to", "2026-03-13", "--history", "3", "--cache", filepath.Join(dir, "few"))
		if code != 0 || !strings.Contains(out, "records from 2026-02-18 on") {
			t.Fatalf("%s: %s %s", where, errs, out)
		}
		few = append(few, out)
	}
	if few[0] != few[1] {
		t.Errorf("of a few days the folder and the bucket say different things:\n%s\n%s", few[0], few[1])
	}
	fetched, err := filepath.Glob(filepath.Join(dir, "few", "*", "months", "2026-02", "*.parquet"))
	if err != nil || len(fetched) != 3 {
		t.Fatalf("%v, %v", fetched, err)
	}
	for _, name := range fetched {
		if info, err := os.Stat(name); err != nil || info.Size() > 3000 {
			t.Errorf("%s: %d bytes of a month that nobody asked about; %v", name, info.Size(), err)
		}
	}
	// One van's history, and what is so since a day that is still to come: nothing but
	// what nobody knows since when.
	code, out, errs := joltshop(t, "report", shop, "--week-to", "2026-03-13", "--history", "14", "--vehicle", f.Name(3), "--since", "2026-03-14")
	if code != 0 || !strings.Contains(out, "History of "+f.Name(3)) || strings.Count(out, " to 2026-0") < 3 || strings.Contains(out, " since 2026-03-0") {
		t.Errorf("%d %s\n%s", code, errs, out)
	}
	if code, _, errs := joltshop(t, "report", shop, "--week-to", "2026-03-13", "--vehicle", "nobody"); code != 1 || !strings.Contains(errs, "nothing of a vehicle of that name") {
		t.Errorf("%d %s", code, errs)
	}
	listed := map[string]map[string]bool{}
	lines := bufio.NewScanner(strings.NewReader(said[0]))
	for lines.Scan() {
		var x struct{ About, Vehicle string }
		if err := json.Unmarshal(lines.Bytes(), &x); err != nil {
			t.Fatalf("%s: %v", lines.Text(), err)
		}
		if listed[x.About] == nil {
			listed[x.About] = map[string]bool{}
		}
		listed[x.About][x.Vehicle] = true
	}
	planted, found := map[invented.Fault]int{}, 0
	for i := range f.Vehicles {
		v, truth := f.Name(i), f.Truth(i)
		planted[truth]++
		switch truth {
		case invented.Changed, invented.Worse, invented.Slower: // how often: see the scale run
			if listed["changed"][v] || listed["standing"][v] {
				found++
			}
		case invented.Silent, invented.Filling:
			if !listed[string(truth)][v] {
				t.Errorf("%s was planted as %s and is not listed", v, truth)
			}
		default:
			if listed["changed"][v] || listed["standing"][v] || listed["silent"][v] || listed["filling"][v] {
				t.Errorf("%s is sound and is listed", v)
			}
		}
	}
	if len(planted) < 4 || found < 2 || len(listed["vehicle"]) != 24 || len(listed["watched"]) == 0 {
		t.Errorf("%v planted, %d found, %d vehicles", planted, found, len(listed["vehicle"]))
	}
}
