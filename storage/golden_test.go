package storage

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// Stores of every format version that was ever written stay readable. A new
// version gets a new folder (UPDATE_GOLDEN=1 go test -run Golden ./storage);
// the old ones are never touched.
func TestGolden(t *testing.T) {
	now := filepath.Join("testdata", fmt.Sprintf("v%d", Version))
	if os.Getenv("UPDATE_GOLDEN") != "" {
		if err := os.RemoveAll(now); err != nil {
			t.Fatal(err)
		}
		if err := os.MkdirAll(now, 0o755); err != nil {
			t.Fatal(err)
		}
		for name, f := range sample(t).files {
			if err := os.WriteFile(filepath.Join(now, name), f.data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	for version := 1; version <= Version; version++ {
		dir := filepath.Join("testdata", fmt.Sprintf("v%d", version))
		goldenStay(t, dir)
		v, err := Verify(dir)
		if err != nil || v.State != Unproven || v.Whole || len(v.Missing) > 0 {
			t.Errorf("%s: %+v, %v", dir, v, err)
		}
		why := map[int]string{1: "format version 1", 2: "cut off", 3: "cut off"}[version]
		if len(v.Proof) != 1 || !strings.Contains(v.Proof[0].By, why) {
			t.Errorf("%s: proof %+v, expected one that says %q", dir, v.Proof, why)
		}
	}
	// What this program writes today is the same, byte for byte, on every
	// machine.
	for name, f := range sample(t).files {
		if data, err := os.ReadFile(filepath.Join(now, name)); err != nil || string(data) != string(f.data) {
			t.Errorf("%s: differs from what is written now, %v", name, err)
		}
	}
}

// goldenStay holds a stay of the sample's against what it was told.
func goldenStay(t *testing.T, dir string) *Store {
	t.Helper()
	s, err := Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	if h := s.Health(); len(h.Damage) != 0 || len(s.Boots()) != 1 || len(s.Events()) == 0 || len(s.Accounts()) != 1 {
		t.Fatalf("%s: %d runs, %d events, %d accounts, %+v", dir, len(s.Boots()), len(s.Events()), len(s.Accounts()), h)
	}
	frames := 0
	for i, e := range s.Events() {
		if e.ID != fmt.Sprintf("1-%d", e.number) || e.Finding.Class.String() == "late" && e.Finding.Severity != 0.5 {
			t.Errorf("%s: event %d: %+v", dir, i, e)
		}
		if e.Evidence != EvidenceKept {
			continue
		}
		ev, err := s.Evidence(e.Boot, e.From, e.Finding.End)
		if err != nil || len(ev.Damage) > 0 {
			t.Fatal(err, ev.Damage)
		}
		for _, f := range ev.Frames {
			if want := faultFrame(int(f.At / 100_000)); f != want {
				t.Fatalf("frame %+v, expected %+v", f, want)
			}
			frames++
		}
	}
	if frames < 20 {
		t.Errorf("%s: %d frames of evidence", dir, frames)
	}
	return s
}

// TestOlder reads the stores of older versions: what they say is the same, but that
// less was on file when they were cut.
func TestOlder(t *testing.T) {
	now := goldenStay(t, filepath.Join("testdata", fmt.Sprintf("v%d", Version)))
	events := map[string]Event{}
	for _, e := range now.Events() {
		events[e.ID] = e
	}
	for v := 1; v < Version; v++ {
		was := goldenStay(t, filepath.Join("testdata", fmt.Sprintf("v%d", v)))
		for _, e := range was.Events() {
			if !reflect.DeepEqual(e, events[e.ID]) || e.Finding.Severity == 0 && e.Finding.Keep {
				t.Errorf("version %d: %+v, expected %+v", v, e, events[e.ID])
			}
		}
		a, b := was.Accounts()[0], now.Accounts()[0]
		if b.End < a.End {
			t.Errorf("version %d: %+v goes on longer than %+v", v, a, b)
		}
		if b.End = a.End; !reflect.DeepEqual(a, b) {
			t.Errorf("version %d: %+v, expected %+v", v, a, b)
		}
	}
}
