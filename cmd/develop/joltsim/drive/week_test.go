package drive

import "testing"

// TestWeek drives a short stay of several key cycles and nights to its end.
func TestWeek(t *testing.T) {
	sc, err := Week("van", 11, 1.5, 16)
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(sc)
	if err != nil {
		t.Fatal(err)
	}
	frames, last := 0, s.start
	notices := 0
	for {
		f, ok := s.Next()
		if !ok {
			break
		}
		for i := range f {
			if f[i].At < last {
				t.Fatalf("frame at %d after %d", f[i].At, last)
			}
			last = f[i].At
			if f[i].Kind != 0 {
				notices++
			}
		}
		frames += len(f)
	}
	tr := s.Truth()
	if n := len(tr.Drives); n < 16 || n > 20 {
		t.Errorf("%d drives, want about 16", n)
	}
	if days := (tr.End - tr.Start).Seconds() / 86400; days < 4 || days > 11 {
		t.Errorf("%.1f days", days)
	}
	d := tr.Totals()
	if d.EngineS < 3600 || d.EngineS > 3*3600 {
		t.Errorf("engine on %.0f s", d.EngineS)
	}
	if len(tr.Injected) < 14 || notices < 10 {
		t.Errorf("%d faults, %d notices", len(tr.Injected), notices)
	}
	if frames < 200000 {
		t.Errorf("%d frames", frames)
	}
}
