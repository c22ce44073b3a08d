package storage

import (
	"bytes"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"slices"
	"syscall"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
	"joltwatch/detect"
)

// The short way to the history comes to the same as reading the whole stay,
// whatever the runs were like: cut, without a drive, damaged in the history.
func TestReadHistoryIsThatOfTheWholeStay(t *testing.T) {
	r := lot.Draw(t, 1, 5)
	m := newMedium()
	same := func(what string) {
		t.Helper()
		s, err := readFS("store", m)
		if err != nil {
			t.Fatal(err)
		}
		h, err := readHistory(m)
		if err != nil || !bytes.Equal(h, s.History()) {
			t.Fatalf("%s: history %q, %v; the whole stay has %q", what, h, err, s.History())
		}
	}
	same("nothing yet")
	for run := range 12 {
		calls := 0
		stopAt := 500
		if run%3 == 1 {
			stopAt = 1 + r.IntN(119)
		}
		stop := func() bool { calls++; return calls > stopAt }
		if err := runScenario(m, fmt.Sprint("boot-", run), stop, newTold()); err != nil {
			t.Fatal(err)
		}
		m.locked = false
		if stopAt < 500 {
			m = m.cut(r)
		}
		same(fmt.Sprint("run ", run))
	}
	// Damage, ever more of it.
	if h, _ := readHistory(m); h == nil {
		t.Fatal("there is no history to damage")
	}
	var names []string
	for name := range m.files {
		names = append(names, name)
	}
	slices.Sort(names)
	for range 120 {
		if f := m.files[names[r.IntN(len(names))]]; len(f.data) > 0 {
			f.data[r.IntN(len(f.data))] ^= 1 << r.IntN(8)
		}
		same("damaged")
	}
}

// A run may begin on a medium that refuses: what is found meanwhile is on file
// once it does not, with its frames, and the store is as if nothing had been.
func TestBeginsOnAMediumThatRefuses(t *testing.T) {
	for _, first := range []bool{true, false} {
		m := newMedium()
		if !first {
			if err := runScenario(m, "before", nil, newTold()); err != nil {
				t.Fatal(err)
			}
		}
		m.fail = func(int, string) error { return syscall.EROFS }
		opt := Options{Plan: faultPlan(), Settings: []byte("x"), Boot: "this", FS: m, LookBack: bus.Second, LookOn: bus.Second, AccountEvery: 2 * bus.Second, RingBytes: 4096}
		if _, _, err := Open("store", opt); err == nil {
			t.Fatal("opens on a medium that is read-only, and was not told to wait")
		}
		var troubles []Trouble
		var acked []string
		opt.Wait = true
		opt.Troubled = func(x Trouble) { troubles = append(troubles, x) }
		opt.Acknowledged = func(e *Event) { acked = append(acked, e.ID) }
		w, _, err := Open("store", opt)
		if err != nil {
			t.Fatal(err)
		}
		now := func(i int) bus.Micros { return 100*bus.Second + faultFrame(i).At }
		for i := range 900 {
			f := faultFrame(i)
			f.At = now(i)
			w.Frame(&f)
			if i == 600 {
				if len(acked) != 0 || w.Health().Trouble == nil || w.Health().Waiting == 0 {
					t.Errorf("while it refuses: %v acknowledged, %+v", acked, w.Health())
				}
				m.fail = nil
			}
			switch i {
			case 50:
				w.Event(&detect.Finding{Kind: "release-lag", Class: detect.ReleaseLate, Start: f.At, End: f.At, Drive: 1, Severity: 1, Keep: true}, nil)
			case 55:
				w.Event(&detect.Finding{Kind: "apply", Class: detect.Normal, Start: f.At, End: f.At, Drive: 1}, nil)
			case 700:
				w.Event(&detect.Finding{Kind: "release-lag", Class: detect.ReleaseLate, Start: f.At, End: f.At, Drive: 1, Severity: 1, Keep: true}, nil)
			}
			if i%20 == 0 {
				w.Account(&detect.Account{Drive: 1, End: f.At, Frames: uint64(i)})
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if m.locked {
			t.Error("the lock is left")
		}
		if len(troubles) != 2 || troubles[0].Over || troubles[0].At != now(0) || !troubles[1].Over || troubles[1].At < now(600) || troubles[1].At > now(600)+lastRetry {
			t.Errorf("told of %+v: expected the beginning and the end, once each", troubles)
		}
		s, err := readFS("store", m)
		if err != nil {
			t.Fatal(err)
		}
		run := uint32(1)
		if !first {
			run = 2
		}
		if b := s.Boots(); len(b) != int(run) || b[run-1].ID != "this" || !b[run-1].Ended {
			t.Fatalf("runs on file: %+v", b)
		}
		var ids []string
		for _, e := range s.Events() {
			if e.Boot != run {
				continue
			}
			ids = append(ids, e.ID)
			if e.Finding.Kind != "release-lag" {
				continue
			}
			ev, err := s.Evidence(run, e.From, e.To)
			if err != nil {
				t.Fatal(err)
			}
			// A second before and after, ten frames in each.
			if e.Evidence != EvidenceKept || len(ev.Frames) != 21 {
				t.Errorf("event %s: evidence %s, %d frames", e.ID, e.Evidence, len(ev.Frames))
			}
		}
		want := []string{fmt.Sprint(run, "-1"), fmt.Sprint(run, "-2"), fmt.Sprint(run, "-3")}
		slices.Sort(ids)
		slices.Sort(acked)
		if !slices.Equal(ids, want) || !slices.Equal(acked, want) {
			t.Errorf("events %v on file, %v acknowledged, want %v", ids, acked, want)
		}
		if a := s.Accounts(); a[len(a)-1].Frames != 880 {
			t.Errorf("the last account is of %d frames", a[len(a)-1].Frames)
		}
		if tr := s.Health().Troubles; len(tr) != 1 || tr[0].At != now(0) {
			t.Errorf("troubles on file: %+v", tr)
		}
	}
}

// A bad spot in the card keeps nobody from recording on the rest of it, and
// from reading the rest.
func TestUnreadableFileIsPassedOver(t *testing.T) {
	m := &badSpot{medium: newMedium()}
	if err := runScenario(m, "before", func() bool { return m.calls > 60 }, newTold()); err != nil {
		t.Fatal(err)
	}
	m.locked, m.bad = false, fileName(journalFile, 1, 1)
	opt := Options{Plan: faultPlan(), Boot: "this", FS: m, Wait: true}
	w, _, err := Open("store", opt)
	if err != nil {
		t.Fatal(err)
	}
	for at := bus.Micros(0); at < 600*bus.Second; at += bus.Second {
		if err := w.Tick(at); err != nil {
			t.Fatal(err)
		}
	}
	if h := w.Health(); h.Trouble != nil {
		t.Errorf("ten minutes later: %v", h.Trouble)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := readFS("store", m)
	if err != nil {
		t.Fatal(err)
	}
	if b := s.Boots(); len(b) != 1 || b[0].Number != 2 || !b[0].Ended {
		t.Errorf("runs that can be read: %+v", b)
	}
	if d := s.Health().Damage; len(d) != 1 || d[0].File != m.bad || d[0].Length == 0 {
		t.Errorf("damage: %+v", d)
	}
}

// badSpot is a medium on which one file cannot be read.
type badSpot struct {
	*medium
	bad string
}

func (b *badSpot) ReadFile(name string) ([]byte, error) {
	if name == b.bad {
		return nil, &fs.PathError{Op: "read", Path: name, Err: syscall.EIO}
	}
	return b.medium.ReadFile(name)
}

// BenchmarkStart is what the start of a run reads of a stay that holds a week:
// 60 runs, in each 160 findings of which 4 keep their frames, and a history of
// 20 kB.
func BenchmarkStart(b *testing.B) {
	m := newMedium()
	learned := make([]byte, 20_000)
	r := rand.New(rand.NewPCG(9, 9))
	for run := range 60 {
		w, _, err := Open("store", Options{Plan: faultPlan(), Settings: []byte("x"), Boot: fmt.Sprint("boot-", run), FS: m})
		if err != nil {
			b.Fatal(err)
		}
		for i := range 20_000 { // 33 minutes
			f := faultFrame(i)
			w.Frame(&f)
			if i%125 == 124 {
				w.Event(&detect.Finding{Kind: "apply", Class: detect.Normal, Start: f.At, End: f.At, Drive: 1, Keep: i%5000 == 4999,
					Measures: []detect.Measure{{Name: "duration_s", Value: r.Float64()}, {Name: "slip_peak_rpm", Value: 300 * r.Float64()}}}, nil)
			}
			if i%100 == 0 {
				w.Account(&detect.Account{Drive: 1, End: f.At})
			}
		}
		for i := range learned {
			learned[i] = byte(r.Uint32())
		}
		w.History(learned)
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
		m.locked = false
	}
	b.Logf("%s", m)
	b.Run("history of the whole stay", func(b *testing.B) {
		for b.Loop() {
			if s, err := readFS("store", m); err != nil || !bytes.Equal(s.History(), learned) {
				b.Fatal(err)
			}
		}
	})
	b.Run("history alone", func(b *testing.B) {
		for b.Loop() {
			if h, err := readHistory(m); err != nil || !bytes.Equal(h, learned) {
				b.Fatal(err)
			}
		}
	})
}
