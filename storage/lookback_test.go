package storage

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
	"joltwatch/detect"
)

// Findings are told when they end, so that a long one comes after short ones
// that began later: the frames from its own look-back on are kept all the same,
// and none twice.
func TestLongFindingToldLast(t *testing.T) {
	rng := lot.Draw(t, 1, 3)
	for round := range 20 {
		m := newMedium()
		w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "a", FS: m, LookBack: bus.Second, LookOn: bus.Second, RingBytes: 1 << 16})
		if err != nil {
			t.Fatal(err)
		}
		var asked [][2]bus.Micros
		for i := range 1000 {
			f := faultFrame(i)
			w.Frame(&f)
			if rng.IntN(15) == 0 {
				start := max(0, f.At-bus.Micros(rng.IntN(12_000_000)))
				asked = append(asked, [2]bus.Micros{max(0, start-bus.Second), f.At})
				if err := w.Event(&detect.Finding{Kind: "x", Class: detect.Normal, Start: start, End: f.At, Keep: true}, nil); err != nil {
					t.Fatal(err)
				}
			}
		}
		if len(w.kept) > 100 {
			t.Errorf("%d stretches remembered of 1000 frames", len(w.kept))
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		s, err := readFS("store", m)
		if err != nil {
			t.Fatal(err)
		}
		for i, a := range asked {
			ev, err := s.Evidence(1, a[0], a[1])
			if err != nil {
				t.Fatal(err)
			}
			want := 0
			for j := range 1000 {
				if at := faultFrame(j).At; at >= a[0] && at <= a[1] {
					want++
				}
			}
			if len(ev.Frames) != want || len(ev.Gaps) > 0 {
				t.Errorf("round %d, event %d of [%v, %v]: %d frames, want %d; gaps %v", round, i+1, a[0], a[1], len(ev.Frames), want, ev.Gaps)
			}
		}
		if v, err := verifyFS("store", m); err != nil || v.Frames > 1000 {
			t.Errorf("round %d: %d frames on file of 1000, %v", round, v.Frames, err)
		}
	}
}
