package storage

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// Stores of every format version that was ever written stay readable. A new
// version gets a new folder (UPDATE_GOLDEN=1 go test -run Golden ./storage);
// the old ones are never touched.
func TestGolden(t *testing.T) {
	dir := filepath.Join("testdata", fmt.Sprintf("v%d", Version))
	if os.Getenv("UPDATE_GOLDEN") != "" {
		m := sample(t)
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		for name, f := range m.files {
			if err := os.WriteFile(filepath.Join(dir, name), f.data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	golden(t, dir)
	// What this program writes today is the same, byte for byte, on every
	// machine.
	for name, f := range sample(t).files {
		if data, err := os.ReadFile(filepath.Join(dir, name)); err != nil || string(data) != string(f.data) {
			t.Errorf("%s: differs from what is written now, %v", name, err)
		}
	}
}

// TestOlder reads the stores of older versions: what they say is the same.
func TestOlder(t *testing.T) {
	now := golden(t, filepath.Join("testdata", fmt.Sprintf("v%d", Version)))
	for v := 1; v < Version; v++ {
		was := golden(t, filepath.Join("testdata", fmt.Sprintf("v%d", v)))
		for i, e := range was.Events() {
			if !reflect.DeepEqual(e, now.Events()[i]) || e.Finding.Severity == 0 && e.Finding.Keep {
				t.Errorf("version %d: %+v, expected %+v", v, e, now.Events()[i])
			}
		}
		if a, b := was.Accounts(), now.Accounts(); !reflect.DeepEqual(a, b) {
			t.Errorf("version %d: %+v, expected %+v", v, a, b)
		}
	}
}

func golden(t *testing.T, dir string) *Store {
	t.Helper()
	s, err := Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	if h := s.Health(); len(h.Damage) != 0 || len(s.Boots()) != 1 || len(s.Events()) == 0 || len(s.Accounts()) != 1 {
		t.Fatalf("%d runs, %d events, %d accounts, %+v", len(s.Boots()), len(s.Events()), len(s.Accounts()), h)
	}
	frames := 0
	for _, e := range s.Events() {
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
		t.Errorf("%d frames of evidence", frames)
	}
	if v, err := Verify(dir); err != nil || v.State != Intact {
		t.Errorf("%+v, %v", v, err)
	}
	return s
}
