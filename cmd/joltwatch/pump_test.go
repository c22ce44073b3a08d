package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"
	"time"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"

	"github.com/rs/zerolog"
)

// feed is a source that hands out its frames one batch at a time, and then
// ends, fails, or stays quiet.
type feed struct {
	frames []bus.Frame
	end    error // nil: quiet until closed
	closed chan struct{}
}

func (f *feed) Read(batch []bus.Frame) (int, error) {
	if len(f.frames) > 0 {
		n := copy(batch[:min(7, len(batch))], f.frames)
		f.frames = f.frames[n:]
		return n, nil
	}
	if f.end != nil {
		return 0, f.end
	}
	<-f.closed
	return 0, io.EOF
}

func (f *feed) Clock() bus.Clock { return bus.Clock{} }
func (f *feed) Close() error     { close(f.closed); return nil }

func frames(n int) []bus.Frame {
	out := make([]bus.Frame, n)
	for i := range out {
		// EEC1 with 1400 rpm (SAE J1939-71: 0.125 rpm a bit, bytes 4 and 5).
		out[i] = bus.Frame{At: bus.Micros(i) * 20_000, ID: 0x0CF00400, Flags: bus.Extended, Len: 8,
			Data: [64]byte{0xFF, 0xFF, 0xFF, 0xC0, 0x2B, 0xFF, 0xFF, 0xFF}}
	}
	return out
}

func TestPumpKeepsOrderAndEnds(t *testing.T) {
	src := &feed{frames: frames(2000), end: io.EOF}
	next := bus.Micros(0)
	err := pump(context.Background(), src, func(f *bus.Frame) error {
		if f.At != next {
			t.Fatalf("frame at %d, want %d", f.At, next)
		}
		next += 20_000
		return nil
	}, func() (time.Duration, error) { return time.Hour, nil })
	if err != nil || next != 2000*20_000 {
		t.Errorf("%v after %d", err, next)
	}
}

func TestPumpPassesFailures(t *testing.T) {
	boom := errors.New("boom")
	hour := func() (time.Duration, error) { return time.Hour, nil }
	if err := pump(context.Background(), &feed{frames: frames(9), end: boom}, func(*bus.Frame) error { return nil }, hour); err != boom {
		t.Errorf("the source's error: %v", err)
	}
	if err := pump(context.Background(), &feed{frames: frames(9), end: io.EOF}, func(*bus.Frame) error { return boom }, hour); err != boom {
		t.Errorf("the line's error: %v", err)
	}
	quiet := &feed{closed: make(chan struct{})}
	defer quiet.Close()
	if err := pump(context.Background(), quiet, nil, func() (time.Duration, error) { return 0, boom }); err != boom {
		t.Errorf("the heartbeat's error: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := pump(ctx, quiet, nil, hour); err != errInterrupted {
		t.Errorf("an interrupt is no error: %v", err)
	}
}

// A bus that goes quiet ends the drive's account without the program ending,
// and nothing is written while it stays quiet.
func TestQuietBusEndsTheDrive(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	h := &host{ctx: ctx, stdout: &bytes.Buffer{}, log: zerolog.Nop()}
	file, l := lineOf(t, h)
	dir := t.TempDir()
	var err error
	if l.store, _, err = storage.Open(dir, storage.Options{Plan: file.Plan, Boot: "test"}); err != nil {
		t.Fatal(err)
	}
	src := &feed{frames: frames(500), closed: make(chan struct{})}
	defer src.Close()
	beats := 0
	in := &input{source: src, live: true}
	in.now = func() bus.Micros {
		if beats++; beats == 1 {
			return 5 * bus.Second
		}
		cancel() // after the second look, at which the bus has long been quiet
		return 10*bus.Second + quietAfter + bus.Second
	}
	if err := l.pumpAll(h, in); err != nil && err != errInterrupted {
		t.Fatal(err)
	}
	if !l.asleep {
		t.Error("not asleep")
	}
	s, err := storage.Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	if a := s.Accounts(); len(a) != 1 || !a[0].Ended || a[0].Frames != 500 {
		t.Errorf("accounts on file while the program still runs: %+v, want one, ended, of 500 frames", a)
	}
	before := l.store.Health()
	for range 5 {
		if err := l.store.Tick(in.now() + 100*bus.Second); err != nil {
			t.Fatal(err)
		}
	}
	if after := l.store.Health(); after.Usage != before.Usage {
		t.Errorf("written while asleep: %+v, then %+v", before.Usage, after.Usage)
	}
	if err := l.Finish(); err != nil {
		t.Fatal(err)
	}
}

// A finding that waits for trouble codes is stored when the bus goes quiet and
// at a heartbeat, not only when the next frame comes.
func TestQuietBusStoresWhatWaits(t *testing.T) {
	h := quietHost()
	for name, wait := range map[string]func(*line) error{
		"quiet": func(l *line) error { l.sleep(); return l.failed },
		"heartbeat": func(l *line) error {
			in := &input{source: &feed{}, live: true, now: func() bus.Micros { return l.last + 10*bus.Second }}
			_, err := l.beat(in)()
			return err
		},
	} {
		file, l := lineOf(t, h)
		stored := 0
		opt := storage.Options{Plan: file.Plan, Boot: "test", Acknowledged: func(*storage.Event) { stored++ }}
		if err := l.open(h, t.TempDir(), opt); err != nil {
			t.Fatal(err)
		}
		l.codes = &codes{}
		for _, f := range frames(100) {
			if err := l.Push(&f); err != nil {
				t.Fatal(err)
			}
		}
		l.Finding(&detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Start: bus.Second, End: bus.Second, Severity: 0.9, Keep: true}, nil)
		if stored != 0 {
			t.Errorf("%s: stored without waiting for codes", name)
		}
		if err := wait(l); err != nil || stored != 1 {
			t.Errorf("%s: %d events stored, %v, want 1", name, stored, err)
		}
		if err := l.Finish(); err != nil {
			t.Error(err)
		}
	}
}

// An adapter that has worked loose does not end the drive as soon as the key
// does.
func TestLooseAdapterIsNoKey(t *testing.T) {
	h := quietHost()
	for _, c := range []struct {
		name    string
		notices []bus.NoticeCode
		after   bus.Micros
		asleep  bool
	}{
		{"quiet", nil, quietAfter + bus.Second, true},
		{"unplugged", []bus.NoticeCode{bus.NoticeDown}, quietAfter + bus.Second, false},
		{"unplugged for good", []bus.NoticeCode{bus.NoticeDown}, awayAfter + bus.Second, true},
		{"bus-off", []bus.NoticeCode{bus.NoticeBusOff}, quietAfter + bus.Second, false},
		{"back, and quiet", []bus.NoticeCode{bus.NoticeDown, bus.NoticeUp}, quietAfter + bus.Second, true},
	} {
		file, l := lineOf(t, h)
		if err := l.open(h, t.TempDir(), storage.Options{Plan: file.Plan, Boot: "test"}); err != nil {
			t.Fatal(err)
		}
		for _, f := range frames(100) {
			if err := l.Push(&f); err != nil {
				t.Fatal(err)
			}
		}
		for _, n := range c.notices {
			f := bus.NewNotice(l.last, 0, n, 1)
			if err := l.Push(&f); err != nil {
				t.Fatal(err)
			}
		}
		in := &input{source: &feed{}, live: true, now: func() bus.Micros { return l.last + c.after }}
		if _, err := l.beat(in)(); err != nil {
			t.Fatal(err)
		}
		if l.asleep != c.asleep {
			t.Errorf("%s: asleep %v", c.name, l.asleep)
		}
		if err := l.Finish(); err != nil {
			t.Error(err)
		}
	}
}
