package storage

import (
	"errors"
	"io"
	"reflect"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
)

// record makes one run with frames from the given instant on, and one event.
func record(t *testing.T, m FS, boot string, c bus.Clock, from bus.Micros, during func(*Writer)) {
	t.Helper()
	w, _, err := Open("store", Options{Plan: faultPlan(), Boot: boot, Clock: c, FS: m, RingBytes: 1 << 16})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 100 {
		f := faultFrame(i)
		f.At += from
		w.Frame(&f)
		if i == 80 {
			w.Event(&detect.Finding{Kind: "release-lag", Class: detect.ReleaseLate, Start: f.At, End: f.At, Drive: 1, Keep: true}, nil)
			w.Account(&detect.Account{Drive: 1, Start: from, End: f.At, EngineOnS: 8})
		}
	}
	if during != nil {
		during(w)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// Wall time that becomes known late holds for the whole boot, backwards and
// over a restart of the program; a boot that never learns it keeps its order
// and says so; a jump changes no instant.
func TestWallTime(t *testing.T) {
	m := newMedium()
	record(t, m, "a", bus.Clock{}, 0, nil)
	record(t, m, "a", bus.Clock{}, 50*bus.Second, func(w *Writer) {
		w.SetClock(bus.Clock{Known: true, Zero: 1e15})
		w.SetClock(bus.Clock{Known: true, Zero: 2e15 - 3600*1e6}) // put right by hours, backwards or not
		w.SetClock(bus.Clock{Known: true, Zero: 2e15})
	})
	record(t, m, "b", bus.Clock{}, 0, nil)
	record(t, m, "c", bus.Clock{}, 0, nil)
	if err := setStayClock(m, "c", bus.Clock{Known: true, Zero: 3e15}); err != nil {
		t.Fatal(err)
	}
	if err := setStayClock(m, "a", bus.Clock{Known: true, Zero: 9e15}); err != nil {
		t.Fatal(err)
	}
	if err := setStayClock(m, "never recorded", bus.Clock{Known: true, Zero: 4e15}); err != nil {
		t.Fatal(err)
	}
	s, err := readFS("store", m)
	if err != nil {
		t.Fatal(err)
	}
	want := []bus.Clock{{Known: true, Zero: 2e15}, {Known: true, Zero: 2e15}, {}, {Known: true, Zero: 3e15}}
	if s.Clock("a") != want[0] || s.Clock("b").Known || s.Clock("c") != want[3] || s.Clock("never recorded") != (bus.Clock{Known: true, Zero: 4e15}) {
		t.Errorf("clocks by boot: %+v, %+v, %+v, %+v", s.Clock("a"), s.Clock("b"), s.Clock("c"), s.Clock("never recorded"))
	}
	for i, b := range s.Boots() {
		if b.Clock != want[i] || b.Number != uint32(i+1) {
			t.Errorf("run %d: clock %+v, expected %+v", b.Number, b.Clock, want[i])
		}
	}
	for i, e := range s.Events() {
		at, ok := e.Wall(e.Finding.Start)
		if e.Clock != want[i] || ok != want[i].Known || ok && at.UnixMicro() != int64(want[i].Zero+e.Finding.Start) {
			t.Errorf("event %s at %v, %v", e.ID, at, ok)
		}
	}
	for i, a := range s.Accounts() {
		if a.Clock != want[i] || a.End-a.Start != 8*bus.Second {
			t.Errorf("account %+v", a)
		}
	}
	size := uint64(0)
	for _, f := range m.files {
		size += uint64(len(f.data))
	}
	size += 9 * slotSize // written again in place
	if h := s.Health(); h.DrivingS != 32 || h.Usage.Syncs < 8 || h.Usage.BytesWritten > size || h.Usage.BytesWritten < size/2 ||
		h.Usage.EvidenceBytes+h.Usage.JournalBytes != h.Usage.BytesWritten {
		t.Errorf("health %+v, %d bytes on file", h, size)
	}
}

// Replay hands out all frames of all runs in order; instants go on from run to
// run, with the real pause where wall time is known.
func TestReplay(t *testing.T) {
	m := newMedium()
	record(t, m, "a", bus.Clock{Known: true, Zero: 1e15}, 5*bus.Second, nil)
	record(t, m, "b", bus.Clock{Known: true, Zero: 1e15 + 100*1e6}, 0, nil)
	record(t, m, "c", bus.Clock{}, 0, nil)
	s, err := readFS("store", m)
	if err != nil {
		t.Fatal(err)
	}
	r := &Replay{store: s, boots: s.boots, boot: -1}
	if err := r.fill(); err != nil || !r.Clock().Known {
		t.Fatal(err, r.Clock())
	}
	var got []bus.Frame
	batch := make([]bus.Frame, 7)
	for {
		n, err := r.Read(batch)
		got = append(got, batch[:n]...)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	var want []bus.Frame
	// The end of run b, ten seconds, and run c.
	for _, from := range []bus.Micros{5 * bus.Second, 100 * bus.Second, 119_900_000} {
		for i := range 100 {
			f := faultFrame(i)
			f.At += from
			want = append(want, f)
		}
	}
	if !reflect.DeepEqual(got, want) {
		t.Fatalf("%d frames, expected %d; run c begins at %d", len(got), len(want), got[min(200, len(got)-1)].At)
	}
}

// Same input, same bytes, however the frames are told apart by ticks.
func TestSameInputSameBytes(t *testing.T) {
	files := func(tick bool) map[string]string {
		m := newMedium()
		w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "a", FS: m, RingBytes: 1 << 16})
		if err != nil {
			t.Fatal(err)
		}
		for i := range 1000 {
			f := faultFrame(i)
			w.Frame(&f)
			if tick {
				w.Tick(f.At)
			}
			if i%200 == 150 {
				w.Event(&detect.Finding{Kind: "release-lag", Start: f.At, End: f.At, Keep: true}, nil)
			}
			if i%10 == 0 {
				w.Account(&detect.Account{Drive: 1, End: f.At})
			}
		}
		w.Close()
		out := map[string]string{}
		for n, f := range m.files {
			out[n] = string(f.data)
		}
		return out
	}
	if a, b := files(false), files(true); !reflect.DeepEqual(a, b) {
		t.Error("two runs with the same input differ")
	}
}

// No write while nothing happens.
func TestQuietWhileAsleep(t *testing.T) {
	m := newMedium()
	w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "a", FS: m, RingBytes: 1 << 16})
	if err != nil {
		t.Fatal(err)
	}
	w.Tick(0)
	w.Account(&detect.Account{Drive: 1, Ended: true})
	before := m.calls
	w.Tick(0)
	calls := m.calls
	if calls == before {
		t.Error("the account of an ended drive is not written with the next tick")
	}
	for i := range 10000 {
		w.Tick(bus.Micros(i) * bus.Second)
	}
	if m.calls != calls {
		t.Errorf("%d calls to the medium in a sleep of 10000 s", m.calls-calls)
	}
}

func TestFrameAllocatesNothing(t *testing.T) {
	w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "a", FS: newMedium(), RingBytes: 1 << 16})
	if err != nil {
		t.Fatal(err)
	}
	f := faultFrame(0)
	if n := testing.AllocsPerRun(10000, func() { f.At += 1000; w.Frame(&f) }); n != 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

func BenchmarkFrame(b *testing.B) {
	w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "a", FS: newMedium(), RingBytes: 4 << 20})
	if err != nil {
		b.Fatal(err)
	}
	f := faultFrame(0)
	b.ReportAllocs()
	for b.Loop() {
		f.At += 1000
		w.Frame(&f)
	}
}

func BenchmarkSpan(b *testing.B) {
	pack, err := newPacker()
	if err != nil {
		b.Fatal(err)
	}
	var frames []bus.Frame
	for i := range 4500 {
		frames = append(frames, faultFrame(i))
	}
	c := newSpanCoder(faultPlan(), pack)
	for b.Loop() {
		c.encode(0, frames)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4500, "ns/frame")
}
