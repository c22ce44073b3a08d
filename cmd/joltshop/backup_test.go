package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/rs/zerolog"

	"joltwatch/bus"
	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltship/courier"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/intake"
	"joltwatch/cmd/joltshop/server"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/storage/wire"
	"joltwatch/stream"
)

// van is a vehicle with a store and a courier.
type van struct {
	t     *testing.T
	name  string
	home  string
	token string
}

// drive records a drive with three events, as a run of its own.
func (v *van) drive(run int) {
	v.t.Helper()
	w, _, err := storage.Open(filepath.Join(v.home, "stay"), storage.Options{Plan: &stream.Plan{Vehicle: v.name, Buses: []string{"powertrain"}}, Label: "van", Program: "test",
		Boot:  fmt.Sprintf("boot-%d", run),
		Clock: bus.Clock{Known: true, Zero: bus.Micros(time.Now().AddDate(0, 0, run-10).UnixMicro())}, RingBytes: 1 << 20})
	if err != nil {
		v.t.Fatal(err)
	}
	for n := range 3 {
		at := bus.Micros(n+1) * bus.Second
		if err := w.Tick(at + bus.Second/2); err != nil {
			v.t.Fatal(err)
		}
		f := detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Start: at, End: at + 1000, Drive: 1, Severity: 1, Measures: []detect.Measure{{Name: "lag_s", Value: float64(run)}}}
		if err := w.Event(&f, nil); err != nil {
			v.t.Fatal(err)
		}
	}
	if err := w.Account(&detect.Account{Drive: 1, End: 5 * bus.Second, Ended: true, EngineOnS: 5}); err != nil {
		v.t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		v.t.Fatal(err)
	}
}

// deliver makes a visit, a new courier each time, whose unit's report is due.
func (v *van) deliver(url string) courier.Round {
	v.t.Helper()
	state := filepath.Join(v.home, "state")
	memory := map[string]any{}
	if b, err := os.ReadFile(filepath.Join(state, "delivered.json")); err == nil {
		if err := json.Unmarshal(b, &memory); err != nil {
			v.t.Fatal(err)
		}
		memory["unit_at"] = time.Time{}
		b, _ = json.Marshal(memory)
		if err := os.WriteFile(filepath.Join(state, "delivered.json"), b, 0o600); err != nil {
			v.t.Fatal(err)
		}
	}
	token := filepath.Join(v.home, "token")
	if err := os.WriteFile(token, []byte(v.token), 0o600); err != nil {
		v.t.Fatal(err)
	}
	c := &courier.Config{Vehicle: v.name, Store: filepath.Join(v.home, "stay"), State: state, Servers: []string{url}, Token: token, EveryMin: 15}
	if err := c.Check(); err != nil {
		v.t.Fatal(err)
	}
	x, err := courier.New(c, zerolog.Nop())
	if err != nil {
		v.t.Fatal(err)
	}
	did, err := x.Deliver(context.Background())
	if err != nil {
		v.t.Fatal(err)
	}
	return did
}

// wants are the identities of the records that the vehicle has now, and its stay.
func (v *van) wants() (ids map[string]bool, stay *wire.Stay) {
	v.t.Helper()
	stay, ok, err := wire.StayOf(filepath.Join(v.home, "stay"))
	if err != nil || !ok {
		v.t.Fatal(ok, err)
	}
	ids = map[string]bool{}
	for _, r := range stay.Records(v.name) {
		_, id, err := r.Encode()
		if err != nil {
			v.t.Fatal(err)
		}
		ids[id] = true
	}
	return ids, stay
}

// serving runs joltshop serve in dir until stop is called.
func serving(t *testing.T, dir string) (url string, stop func()) {
	t.Helper()
	os.Remove(filepath.Join(dir, "address.json"))
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		c := &serveCmd{Dir: dir, Listen: "127.0.0.1:0", Enrol: "127.0.0.1:0", fileKeep: fileKeep{Parts: 30}}
		done <- c.Run(&host{ctx: ctx, stdout: io.Discard, stderr: io.Discard})
	}()
	wait.Until(t, "the server", func() bool { a, err := server.AddressOf(dir); url = a.URL; return err == nil })
	return url, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// inDataset are the identities in a shop's dataset.
func inDataset(t *testing.T, shop string) map[string]bool {
	t.Helper()
	d, err := dataset.Open(filepath.Join(shop, "dataset"))
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	for ok := false; !ok; { // while it may be written
		clear(ids)
		ok = d.Identities(context.Background(), func(_, _, id string) error { ids[id] = true; return nil }) == nil
	}
	return ids
}

func arrived(t *testing.T, shop string, v *van) bool {
	want, stay := v.wants()
	has := inDataset(t, shop)
	for id := range want {
		if !has[id] {
			return false
		}
	}
	for _, f := range stay.Files {
		a, _, err := wire.SumOf(filepath.Join(stay.Dir, f.Name))
		if err != nil {
			t.Fatal(err)
		}
		if b, _, err := wire.SumOf(filepath.Join(shop, "vehicles", v.name, stay.ID, f.Name)); err != nil || a != b {
			return false
		}
	}
	return true
}

// A shop is lost and put back from a backup that was made while it ran. What came after
// the backup, and what of the backup cannot be read, is sent again by the vehicle that
// thought it delivered, each thing by its identity; what the vehicle no longer has is
// named on the page; and what was there is not sent again.
func TestBackupAndReconcile(t *testing.T) {
	dir := t.TempDir()
	shop := filepath.Join(dir, "shop")
	url, stop := serving(t, shop)
	v := &van{t: t, name: "van-1", home: filepath.Join(dir, "van-1")}
	if err := os.MkdirAll(v.home, 0o700); err != nil {
		t.Fatal(err)
	}
	var err error
	if v.token, err = server.Local(shop, v.name); err != nil {
		t.Fatal(err)
	}
	runs := func(from, to int) {
		for run := from; run <= to; run++ {
			v.drive(run)
		}
		v.deliver(url)
		wait.Until(t, "what was delivered", func() bool { return arrived(t, shop, v) })
	}
	first, second := filepath.Join(dir, "backup-1"), filepath.Join(dir, "backup-2")
	runs(1, 2)
	command(t, 0, "backup", "--dir", shop, "--to", first)
	runs(3, 3)
	command(t, 0, "backup", "--dir", shop, "--to", second, "--base", first)
	linked(t, first, second)
	command(t, 1, "backup", "--dir", shop, "--to", second)
	elsewhere := filepath.Join(dir, "elsewhere") // where no dataset is
	command(t, 1, "backup", "--dir", shop, "--to", filepath.Join(dir, "backup-3"), "--dataset", elsewhere)
	if _, err := os.Stat(elsewhere); err == nil {
		t.Error("a dataset was made to be copied")
	}
	command(t, 2, "backup", "--dir", shop, "--to", filepath.Join(shop, "backup"))
	command(t, 1, "reconcile", shop) // a server runs in it
	runs(4, 6)
	held := len(inDataset(t, second))
	stop()

	// Run 4 was let go in the vehicle; the shop's machine is lost; of the backup a file
	// of the dataset and one of the vehicle's are damaged.
	gone, err := filepath.Glob(filepath.Join(v.home, "stay", "000004-*"))
	if err != nil || len(gone) == 0 {
		t.Fatal(gone, err)
	}
	for _, name := range append(gone, shop) {
		if err := os.RemoveAll(name); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.CopyFS(shop, os.DirFS(second)); err != nil {
		t.Fatal(err)
	}
	_, stay := v.wants()
	damage(t, filepath.Join(shop, "vehicles", v.name, stay.ID, "000001-*.journal"))
	damage(t, filepath.Join(shop, "dataset", "accounts", "*", "*", "*.parquet"))

	command(t, 0, "reconcile", shop)
	url, stop = serving(t, shop)
	defer func() { stop() }()
	did := v.deliver(url)
	wait.Until(t, "all that the vehicle still has", func() bool { return arrived(t, shop, v) })
	if want, _ := v.wants(); did.Records < 2*4+1 || did.Records >= len(want) {
		t.Errorf("%d records were sent again of %d, of which the backup had %d", did.Records, len(want), held)
	}
	if did := v.deliver(url); did.Records+did.Files != 0 {
		t.Errorf("once more: %+v", did)
	}
	said := ""
	wait.Until(t, "the shop to say what is missing", func() bool {
		list, err := intake.IncompleteIn(shop)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			said += x.Missing
		}
		return said != ""
	})
	if !strings.Contains(said, "000004-") {
		t.Errorf("the shop says that this is missing: %s", said)
	}
	b, err := os.ReadFile(filepath.Join(v.home, "state", "delivered.json"))
	if err != nil || !strings.Contains(string(b), "it lacks 4 records and 1 files that were delivered and are no longer here: 000004-") {
		t.Errorf("the courier remembers %s, %v", b, err)
	}
	if troubles := troublesIn(t, shop); !strings.Contains(troubles, "it lacks 4 records and 1 files") {
		t.Errorf("the unit's reports say %q", troubles)
	}
}

// command runs the program and holds its exit code against want.
func command(t *testing.T, want int, args ...string) {
	t.Helper()
	var out, errs strings.Builder
	if code := Main(args, &out, &errs); code != want || want != 0 && strings.Count(errs.String(), "\n") != 1 {
		t.Errorf("%v: %d %s%s", args, code, out.String(), errs.String())
	}
}

// linked fails unless a later backup shares files with an earlier one.
func linked(t *testing.T, first, second string) {
	t.Helper()
	same := 0
	err := filepath.WalkDir(first, func(at string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		name, _ := filepath.Rel(first, at)
		a, err1 := os.Stat(at)
		b, err2 := os.Stat(filepath.Join(second, name))
		if err1 == nil && err2 == nil && os.SameFile(a, b) {
			same++
		}
		return nil
	})
	if err != nil || same < 3 {
		t.Errorf("%d files are shared, %v", same, err)
	}
}

// damage changes the middle of the first file of a pattern.
func damage(t *testing.T, pattern string) {
	t.Helper()
	list, err := filepath.Glob(pattern)
	if err != nil || len(list) == 0 {
		t.Fatalf("%s: %v, %v", pattern, list, err)
	}
	b, err := os.ReadFile(list[0])
	if err != nil {
		t.Fatal(err)
	}
	b = append(b[:len(b)/2], b[len(b)/2+5:]...)
	if err := os.WriteFile(list[0], b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// troublesIn are what the units' reports in a shop's dataset say.
func troublesIn(t *testing.T, shop string) (all string) {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(shop, "dataset", "units", "*", "*", "*.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range list {
		rows, err := parquet.ReadFile[struct {
			Troubles []string `parquet:"troubles,list"`
		}](name)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			all += strings.Join(r.Troubles, "\n")
		}
	}
	return all
}
