package invented

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"joltwatch/storage/review"
)

// What is read from a store is what was written: drives, events and frames.
func TestRoundTrip(t *testing.T) {
	s, err := Week(40, 5)
	if err != nil {
		t.Fatal(err)
	}
	Cut(s, 4)
	dir := t.TempDir()
	if err := Write(s, dir); err != nil {
		t.Fatal(err)
	}
	got, err := review.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Drives) != 4 || len(got.Events) != len(s.Events) || len(s.Events) < 5 || got.Label != s.Label || got.Damaged || len(got.Remarks) != 0 {
		t.Fatalf("%d drives, %d events, label %q, remarks %q", len(got.Drives), len(got.Events), got.Label, got.Remarks)
	}
	for i := range got.Events {
		a, b := got.Events[i], s.Events[i]
		if a.Kind != b.Kind || a.Start != b.Start || a.Drive != b.Drive || !reflect.DeepEqual(a.Measures, b.Measures) || !reflect.DeepEqual(a.Instants, b.Instants) {
			t.Errorf("event %d: %+v, want %+v", i, a.Finding, b.Finding)
		}
		x, err := got.Frames(a.Boot, a.Start, a.End)
		if err != nil {
			t.Fatal(err)
		}
		y, _ := s.Frames(b.Boot, b.Start, b.End)
		if len(x) < 10 && a.End > a.Start+100_000 {
			t.Errorf("event %d: %d frames", i, len(x))
		}
		if len(x) > len(y) { // the store keeps mapped frames only when the line filters them
			t.Errorf("event %d: %d frames, %d were written", i, len(x), len(y))
		}
	}
	if g, w := got.Total(), s.Total(); !reflect.DeepEqual(g, w) {
		t.Errorf("total %+v, want %+v", g, w)
	}

	// Spoil each file in turn: it is still a stay, and says what is wrong or
	// has lost evidence only.
	files, _ := filepath.Glob(filepath.Join(dir, "*"))
	spoilt := 0
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil || len(b) < 200 {
			continue
		}
		bad := append([]byte(nil), b...)
		for i := len(bad) / 2; i < len(bad)/2+40; i++ {
			bad[i] ^= 0x5a
		}
		os.WriteFile(f, bad, 0o600)
		d, err := review.Load(dir)
		if err != nil {
			t.Errorf("%s spoilt: %v", f, err)
		} else if d.Damaged {
			spoilt++
			if len(d.Remarks) == 0 || !strings.Contains(strings.Join(d.Remarks, " "), "could not be read") {
				t.Errorf("%s spoilt: remarks %q", f, d.Remarks)
			}
		}
		os.WriteFile(f, b, 0o600)
	}
	if spoilt == 0 {
		t.Error("no spoilt file was noticed")
	}
}
