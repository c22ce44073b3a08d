package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/intake"
	"joltwatch/cmd/joltshop/server"
)

func run(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = Main(append([]string{"--log", "error"}, args...), &o, &e)
	return code, o.String(), e.String()
}

// The whole way as a shop has it: a server with certificates, a one-time code, a
// visit, and how it stands before and after.
func TestEnrolAndDeliver(t *testing.T) {
	dir, shopDir, store := t.TempDir(), t.TempDir(), filepath.Join(t.TempDir(), "stay")
	fleet := &invented.Fleet{Vehicles: 1, Days: 3, LastDay: time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC), Seed: 1, Stops: 10}
	if err := fleet.Store(0, store); err != nil {
		t.Fatal(err)
	}
	s, err := server.Start(server.Options{Dir: shopDir, Listen: "127.0.0.1:0", Enrol: "127.0.0.1:0", TLS: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	data, err := dataset.Open(filepath.Join(shopDir, "dataset"))
	if err != nil {
		t.Fatal(err)
	}
	defer data.Close()
	conn, err := s.Connect()
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithCancel(context.Background())
	idle, done := make(chan struct{}, 100), make(chan error)
	go func() {
		done <- intake.Run(ctx, intake.Options{Conn: conn, Dir: shopDir, Dataset: data, Idle: func() { idle <- struct{}{} }})
	}()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()

	config := filepath.Join(dir, "joltship.toml")
	text := fmt.Sprintf("vehicle = \"van-07\"\nservers = [%q]\nstore = %q\nstate = %q\n", s.URL(), store, filepath.Join(dir, "state"))
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := run(t, "once", "--config", config); code != 1 || strings.Count(errs, "\n") != 1 {
		t.Errorf("without a certificate: exit %d, %s", code, errs)
	}
	secret, err := server.NewCode(shopDir, "van-07", time.Hour, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	enrol := []string{"enrol", "--config", config, "--shop", s.EnrolURL(), "--code", secret, "--fingerprint"}
	if code, _, errs := run(t, append(enrol, strings.Repeat("00", 32))...); code != 1 {
		t.Errorf("enrolled at a stranger's: exit %d, %s", code, errs)
	}
	if code, out, errs := run(t, append(enrol, s.CAFingerprint())...); code != 0 || !strings.Contains(out, "enrolled as van-07") {
		t.Fatalf("exit %d, %s%s", code, out, errs)
	}
	if code, _, errs := run(t, append(enrol, s.CAFingerprint())...); code != 1 {
		t.Errorf("the code worked twice: exit %d, %s", code, errs)
	}

	var before, after struct {
		Records     int `json:"records"`
		LeftRecords int `json:"left_records"`
	}
	if code, out, errs := run(t, "status", "--json", "--config", config); code != 0 || json.Unmarshal([]byte(out), &before) != nil || before.LeftRecords == 0 {
		t.Errorf("exit %d, %s%s", code, out, errs)
	}
	if code, out, errs := run(t, "once", "--config", config); code != 0 || !strings.HasPrefix(out, "delivered ") {
		t.Fatalf("exit %d, %s%s", code, out, errs)
	}
	if code, out, errs := run(t, "status", "--json", "--config", config); code != 0 || json.Unmarshal([]byte(out), &after) != nil || after.LeftRecords != 0 || after.Records != before.LeftRecords {
		t.Errorf("exit %d, %s%s", code, out, errs)
	}
	for range 2 {
		<-idle
	}
	if list, _ := os.ReadDir(filepath.Join(shopDir, "vehicles", "van-07")); len(list) != 1 {
		t.Errorf("%d stays at the shop, want 1", len(list))
	}
}

func TestBadConfiguration(t *testing.T) {
	good := "vehicle = \"van-07\"\nservers = [\"tls://shop.example:4422\"]\n"
	for _, c := range []struct{ text, want string }{
		{good + "budget = 3\n", ":3:1: unknown key budget; expected one of vehicle"},
		{good + "every_min = \"x\"\n", ":3:"},
		{good + "hours = \"20-6\"\n", `expected such as "20:00-06:00"`},
		{good + "budget_mb_per_day = -1\n", "budget_mb_per_day"},
		{"vehicle = \"Van 7\"\nservers = [\"tls://shop.example:4422\"]\n", "expected the name it is enrolled under"},
		{"vehicle = \"van-07\"\n", "servers: expected"},
		{"vehicle = \"van-07\"\nservers = [\"nats://shop.example:4422\"]\n", "expected tls://"},
		{"vehicle = \"van-07\"\nservers = [\"shop.example\"]\n", "expected tls://"},
	} {
		file := filepath.Join(t.TempDir(), "c.toml")
		if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		code, _, errs := run(t, "once", "--config", file)
		if code != 1 || !strings.Contains(errs, c.want) || !strings.Contains(errs, file) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%q: exit %d, %s; want 1 and %q", c.text, code, errs, c.want)
		}
	}
	// A store that is none, or not the recorder's: nothing is not all.
	file, store := filepath.Join(t.TempDir(), "c.toml"), filepath.Join(t.TempDir(), "elsewhere")
	if err := os.WriteFile(file, fmt.Appendf(nil, "vehicle = \"van-07\"\nservers = [\"nats://127.0.0.1:1\"]\nstore = %q\nstate = %q\n", store, t.TempDir()), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := run(t, "once", "--config", file); code != 3 || !strings.Contains(errs, store+": nothing has been recorded there") {
		t.Errorf("exit %d, %s", code, errs)
	}
	if code, _, errs := run(t, "once", "--config", "/nowhere.toml"); code != 1 || !strings.Contains(errs, "/nowhere.toml") {
		t.Errorf("exit %d, %s", code, errs)
	}
	if code, _, _ := run(t, "away"); code != 2 {
		t.Errorf("exit %d for wrong usage", code)
	}
}

// A hundred vans whose server comes back do not come at once, and none waits for
// ever.
func TestBackOff(t *testing.T) {
	ordinary := 15 * time.Minute
	last := time.Duration(0)
	for n := range 20 {
		least, most := time.Duration(1<<62), time.Duration(0)
		for range 200 {
			d := backOff(n, ordinary)
			least, most = min(least, d), max(most, d)
		}
		middle := min(30*time.Second<<min(n, 10), time.Hour)
		if least < middle/2 || most >= middle*3/2 || most-least < middle/2 {
			t.Errorf("after %d failures: %v to %v around %v", n, least, most, middle)
		}
		if middle < last {
			t.Errorf("it shrinks after %d failures", n)
		}
		last = middle
	}
}

// The courier opens no bus: nothing of its own asks for what does. (Package bus is
// in it for the frames that stores hold.)
func TestOpensNoBus(t *testing.T) {
	for _, dir := range []string{".", "courier", "../../storage/wire", "../../storage"} {
		list, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil || len(list) == 0 {
			t.Fatalf("%s: %d files, %v", dir, len(list), err)
		}
		for _, f := range list {
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			for _, call := range []string{"bus.Open", "bus.SetUp", "bus.Listen"} {
				if !strings.HasSuffix(f, "_test.go") && bytes.Contains(b, []byte(call)) {
					t.Errorf("%s calls %s…", f, call)
				}
			}
		}
	}
}
