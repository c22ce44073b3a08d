package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"joltwatch/cmd/joltshop/questions"
	"joltwatch/cmd/joltshop/rank"
	"joltwatch/detect"
)

// joltshop runs the program and returns its exit code and what it wrote.
func joltshop(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = Main(args, &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

// Wrong usage and bad input give one clear line and the right exit code.
func TestShopReportRefuses(t *testing.T) {
	dir := t.TempDir()
	shop := filepath.Join(dir, "shop")
	if err := os.MkdirAll(filepath.Join(shop, "dataset", "events"), 0o755); err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(dir, "groups.csv")
	if err := os.WriteFile(bad, []byte("vehicle,kind\nvan-1,panel\nVan 2,panel\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("AWS_ENDPOINT_URL", "")
	for _, c := range []struct {
		code int
		want string
		args []string
	}{
		{2, "expected the shop's folder", nil},
		{1, "no such file", []string{filepath.Join(dir, "nowhere")}},
		{1, "no dataset is in it", []string{dir}},
		{2, "expected a date", []string{shop, "--week-to", "yesterday"}},
		{2, "--since \"yesterday\": expected a date", []string{shop, "--since", "yesterday"}},
		{2, "expected 0.001 to 0.5", []string{shop, "--false-rate", "5"}},
		{2, "expected 1 to 3660", []string{shop, "--history", "0"}},
		{1, "groups.csv:3:1", []string{shop, "--groups", bad}},
		{1, "AWS_ENDPOINT_URL", []string{"s3://bucket/x"}},
	} {
		code, out, errs := joltshop(t, append([]string{"report"}, c.args...)...)
		if code != c.code || !strings.Contains(errs, c.want) || strings.Count(errs, "\n") != 1 || out != "" {
			t.Errorf("%q: exit code %d, %q; want %d and %q", c.args, code, errs, c.code, c.want)
		}
	}
}

func TestShopReportWritesSQL(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "queries")
	if code, _, errs := joltshop(t, "report", "--sql", dir); code != 0 {
		t.Fatal(errs)
	}
	for _, name := range []string{"set.sql", "views.sql", "opportunities.sql", "lag.sql", "SCHEMA.md"} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Size() < 300 {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestReadGroups(t *testing.T) {
	got, err := readGroups(strings.NewReader("# kinds\nvehicle,kind\nvan-1, panel\nvan-2,\"high, long\"\n"), "x")
	if err != nil || len(got) != 2 || got["van-1"] != "panel" || got["van-2"] != "high, long" {
		t.Errorf("%v, %v", got, err)
	}
	for text, want := range map[string]string{
		"van-1\n": "x: record on line 1", "van-1,\n": "x:1:1", "van-1,a\nvan-1,b\n": "x:2:1: van-1 is there twice", "../x,a\n": "x:1:1",
	} {
		if _, err := readGroups(strings.NewReader(text), "x"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// What a sender named can not steer the terminal, in tables or JSON.
func TestShopTextIsPlain(t *testing.T) {
	const evil = "\x1b[2J\x07\r"
	day := time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC)
	a := &questions.Answers{}
	for i := range 20 {
		week, past := questions.Count{Seen: 100, Observable: 100}, questions.Count{Seen: 300, Observable: 300}
		if i < 3 {
			week.Hits = 50
		}
		a.Opportunities = append(a.Opportunities, questions.Opportunities{Vehicle: evil, Group: evil, Kind: detect.KindReleaseLag, Weeks: []questions.Count{week, past, past, past}})
		a.Units = append(a.Units, questions.Unit{Vehicle: evil, Group: evil, Reported: true, Troubles: evil})
		a.Coverage = append(a.Coverage, questions.Coverage{Vehicle: evil, Group: evil})
	}
	s := rank.New(a, rank.Options{LastDay: day, HistoryDays: 9, Now: day, Rate: 0.05, SilentDays: 1, FullDays: 1})
	s.Remarks = append(s.Remarks, evil)
	if len(s.Changed) == 0 || len(s.Silent) == 0 || len(s.Filling) == 0 {
		t.Fatal("the lists are empty")
	}
	var out bytes.Buffer
	if err := shopText(&out, s); err != nil {
		t.Fatal(err)
	}
	if err := shopJSON(&out, s); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(out.String(), "\x1b\x07\r") {
		t.Error("control characters reach the terminal")
	}
}

// A certificate that ends soon and was not renewed is on the list of what to do.
func TestEndingIsSaid(t *testing.T) {
	shop, now := t.TempDir(), time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC)
	if err := os.Mkdir(filepath.Join(shop, "enrolled"), 0o700); err != nil {
		t.Fatal(err)
	}
	for name, until := range map[string]string{"van-1": "2026-05-01", "van-2": "2026-06-01", "van-3": "2026-03-01"} {
		text := `{"vehicle":"` + name + `","serial":"1","until":"` + until + `T00:00:00Z","since":"2024-05-01T00:00:00Z"}`
		if err := os.WriteFile(filepath.Join(shop, "enrolled", name+".json"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	list, err := ending(shop, now)
	if err != nil {
		t.Fatal(err)
	}
	s := rank.New(&questions.Answers{}, rank.Options{LastDay: now, HistoryDays: 9, Now: now, Rate: 0.05, SilentDays: 1, FullDays: 1, Ending: list})
	var out bytes.Buffer
	if err := shopText(&out, s); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"its certificate ends on 2026-05-01", "its certificate ended on 2026-03-01", "joltshop enrol van-1 --dir " + shop + " --renew"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("it does not say %q: %s", want, out.String())
		}
	}
	if strings.Contains(out.String(), "van-2") {
		t.Error("one that ends in 80 days is named")
	}
}
