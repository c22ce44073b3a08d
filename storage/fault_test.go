package storage

import (
	"encoding/binary"
	"errors"
	"fmt"
	"reflect"
	"syscall"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
	"joltwatch/detect"
	"joltwatch/stream"
)

func faultPlan() *stream.Plan {
	return &stream.Plan{Vehicle: "test", Buses: []string{"a"}, Messages: []stream.Message{
		{Name: "E", ID: 0x120, Signals: []stream.Signal{{Name: "s", Length: 16, Scale: 1, RawMax: 65535}}},
	}}
}

func faultFrame(i int) bus.Frame {
	f := bus.Frame{At: bus.Micros(i) * 100_000, ID: 0x120, Len: 8}
	binary.LittleEndian.PutUint16(f.Data[:], uint16(800+i%37))
	f.Data[7] = byte(i)
	return f
}

// told is what a run was told, and what it has acknowledged.
type told struct {
	acked    map[string]Event
	events   int
	accounts map[int]bus.Micros // the End of the latest account of each drive
	at       bus.Micros
}

// runScenario is a short run with all that a store can hold: events with
// frames that overlap and that do not, events without, accounts, two drives,
// history, a clock.
func runScenario(m FS, boot string, stop func() bool, t *told) error {
	opt := Options{
		Plan: faultPlan(), Settings: []byte("x"), Boot: boot, FS: m, LookBack: bus.Second, LookOn: bus.Second, AccountEvery: 2 * bus.Second,
		RingBytes:    4096,
		Acknowledged: func(e *Event) { t.acked[e.ID] = *e },
	}
	w, _, err := Open("store", opt)
	if err != nil {
		return err
	}
	for i := range 120 {
		if stop != nil && stop() {
			return nil
		}
		f := faultFrame(i)
		w.Frame(&f)
		t.at = f.At
		drive := 1 + i/60
		switch {
		case i%20 == 10, i == 35, i == 36:
			t.events++
			w.Event(&detect.Finding{Kind: "release-lag", Class: detect.ReleaseLate, Start: f.At - 300_000, End: f.At, Drive: drive, Severity: 0.5, Keep: true}, nil)
		case i%7 == 3:
			t.events++
			w.Event(&detect.Finding{Kind: "apply", Class: detect.Normal, Start: f.At, End: f.At, Drive: drive}, nil)
		case i == 50:
			w.SetClock(bus.Clock{Known: true, Zero: 1e15})
		}
		if i%5 == 0 || i%60 == 59 {
			a := detect.Account{Drive: drive, End: f.At, Ended: i%60 == 59}
			w.Account(&a)
			if a.Ended {
				w.History([]byte(fmt.Sprintf("history of drive %d", drive)))
			}
			t.accounts[drive] = f.At
		}
	}
	return w.Close()
}

func newTold() *told { return &told{acked: map[string]Event{}, accounts: map[int]bus.Micros{}} }

// check reads the store as after a cut, lets the next run repair it, and
// compares with what was acknowledged.
func check(t *testing.T, name string, m *medium, want *told) {
	t.Helper()
	for _, stage := range []string{"before", "after"} {
		s, err := readFS("store", m)
		if err != nil {
			t.Fatalf("%s: %s repair: %v", name, stage, err)
		}
		got := map[string]Event{}
		for _, e := range s.Events() {
			got[e.ID] = e
		}
		for id, e := range want.acked {
			g, ok := got[id]
			if !ok || !reflect.DeepEqual(g.Finding, e.Finding) {
				t.Fatalf("%s: %s repair: acknowledged event %s is not on file: %+v", name, stage, id, g)
			}
			if e.Evidence != EvidenceKept {
				continue
			}
			if g.Evidence != EvidenceKept {
				t.Fatalf("%s: %s repair: the frames of event %s are %s", name, stage, id, g.Evidence)
			}
			// All frames from the look-back up to when it was found.
			ev, err := s.Evidence(e.Boot, e.From, e.Finding.End)
			if err != nil {
				t.Fatal(err)
			}
			var frames []bus.Frame
			for i := range 120 {
				if f := faultFrame(i); f.At >= e.From && f.At <= e.Finding.End {
					frames = append(frames, f)
				}
			}
			if !reflect.DeepEqual(ev.Frames, frames) {
				t.Fatalf("%s: %s repair: event %s has %d frames, expected %d; %v", name, stage, id, len(ev.Frames), len(frames), ev.Damage)
			}
		}
		if f := m.files[headName]; f != nil {
			h, ok := parseHead(f.data)
			if run := (&runWriter{inventory: &inventory{sizes: s.files}}); ok && !run.hasRun(h.Run) {
				t.Fatalf("%s: %s repair: the head says that run %d has begun, of which no file is there", name, stage, h.Run)
			}
		}
		if stage == "after" {
			v, err := verifyFS("store", m)
			if err != nil || v.State == Damaged {
				t.Fatalf("%s: after the repair: %+v, %v", name, v, err)
			}
			return
		}
		w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "next", FS: m})
		if err != nil {
			t.Fatalf("%s: next start: %v", name, err)
		}
		if err := w.Close(); err != nil {
			t.Fatalf("%s: next start: %v", name, err)
		}
	}
}

// A cut at every call, in the first run of a stay and in its second, on a medium that keeps
// an order and on one that does not: acknowledged events survive with their frames, at most AccountEvery of the
// account is missing, and the next start repairs what is left without help.
func TestCutAtEveryCall(t *testing.T) {
	full := newMedium()
	full.orders = true
	if err := runScenario(full, "a", nil, newTold()); err != nil {
		t.Fatal(err)
	}
	r := lot.Draw(t, 1, 0)
	for n := range full.calls + 1 {
		for outcome := range 4 {
			m := newMedium()
			m.orders = outcome%2 == 0
			if outcome >= 2 { // in the stay's second run
				w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "z", FS: m, RingBytes: 4096})
				if err = errors.Join(err, w.Close()); err != nil {
					t.Fatal(err)
				}
				m.calls = 0
			}
			cut := false
			m.fail = func(call int, _ string) error {
				if call >= n {
					cut = true
					return syscall.EIO
				}
				return nil
			}
			want := newTold()
			runScenario(m, "a", func() bool { return cut }, want)
			left := m.cut(r)
			check(t, fmt.Sprintf("cut at call %d, outcome %d", n, outcome), left, want)
			s, err := readFS("store", left)
			if err != nil {
				t.Fatal(err)
			}
			if want.at < 2*bus.Second {
				continue
			}
			latest := bus.Micros(0)
			for _, a := range s.Accounts() {
				latest = max(latest, a.End)
			}
			// The account comes every half second, and is written every two.
			if want.at-latest > 2*bus.Second+500_000 {
				t.Fatalf("cut at call %d: the account ends %v µs before the cut", n, want.at-latest)
			}
		}
	}
}

// A stay is the same to the last byte whether its file system keeps an order or not.
func TestSameWithOrder(t *testing.T) {
	var files [2]map[string]string
	for i := range files {
		m := newMedium()
		m.orders = i == 1
		if err := runScenario(m, "a", nil, newTold()); err != nil {
			t.Fatal(err)
		}
		files[i] = map[string]string{}
		for name, f := range m.files {
			files[i][name] = string(f.data)
		}
	}
	if !reflect.DeepEqual(files[0], files[1]) {
		t.Error("they differ")
	}
}

// Every call fails once, and then from some call on a number of times, on a medium that
// keeps an order or on one that does not; what is
// acknowledged is on the medium, what the medium refused is told again.
func TestFaultAtEveryCall(t *testing.T) {
	full := newMedium()
	full.orders = true
	if err := runScenario(full, "a", nil, newTold()); err != nil {
		t.Fatal(err)
	}
	opened, runs := 0, 0
	r := lot.Draw(t, 1, 9)
	for _, errno := range []syscall.Errno{syscall.EIO, syscall.ENOSPC} {
		for _, short := range []bool{false, true} {
			for _, times := range []int{1, 7} {
				for n := range full.calls {
					orders := (n%2 == 0) == (errno == syscall.EIO)
					runs++
					name := fmt.Sprintf("%v, short writes %v, order kept %v, %d times from call %d", errno, short, orders, times, n)
					m := newMedium()
					m.short, m.orders = short, orders
					m.fail = func(call int, op string) error {
						if call >= n && call < n+times {
							return errno
						}
						return nil
					}
					want := newTold()
					err := runScenario(m, "a", nil, want)
					m.fail = nil
					if err == nil {
						opened++
						// The medium got well before the end: all is there.
						if len(want.acked) != want.events {
							t.Fatalf("%s: %d of %d events acknowledged, and no error", name, len(want.acked), want.events)
						}
					}
					m.locked = false
					check(t, name, m.cut(r), want)
				}
			}
		}
	}
	if opened < runs*6/8 {
		t.Errorf("only %d runs went through to the end", opened)
	}
}

// Only the sync fails, again and again: what was written before it is not
// trusted, nothing is acknowledged, and everything is once it works.
func TestFailingSyncIsNotTrusted(t *testing.T) {
	m := newMedium()
	refusing := false
	m.fail = func(_ int, op string) error {
		if refusing && op == "fsync" {
			return syscall.EIO
		}
		return nil
	}
	want := newTold()
	runs := 0
	err := runScenario(m, "a", func() bool { runs++; refusing = runs > 30 && runs < 70; return false }, want)
	if err != nil || len(want.acked) != want.events {
		t.Fatalf("%d of %d events acknowledged, %v", len(want.acked), want.events, err)
	}
	if s, err := readFS("store", m); err != nil || len(s.Health().Troubles) != 1 {
		t.Errorf("troubles on file: %+v, %v", s.Health().Troubles, err)
	}
	check(t, "failing sync", m.cut(lot.Draw(t, 1, 1)), want)
}

// A medium that never works: no panic, nothing acknowledged, bounded memory,
// and an error at the end.
func TestDeadMedium(t *testing.T) {
	m := newMedium()
	w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "a", FS: m, LookBack: bus.Second, LookOn: bus.Second})
	if err != nil {
		t.Fatal(err)
	}
	m.fail = func(int, string) error { return syscall.EROFS }
	acked := 0
	w.opt.Acknowledged = func(*Event) { acked++ }
	for i := range 20000 {
		f := faultFrame(i)
		w.Frame(&f)
		if i%10 == 0 {
			w.Event(&detect.Finding{Kind: "release-lag", Start: f.At, End: f.At, Keep: true}, nil)
			w.Account(&detect.Account{Drive: 1, End: f.At})
		}
	}
	if h := w.Health(); h.Trouble == nil || h.Usage.NotStored == 0 || len(w.run.queue) > maxWaitingSpans/spanOverhead+maxWaitingEvents+10 {
		t.Errorf("health %+v, %d waiting", h, len(w.run.queue))
	}
	if err := w.Close(); err == nil || acked != 0 {
		t.Errorf("closed with %v, %d acknowledged", err, acked)
	}
}
