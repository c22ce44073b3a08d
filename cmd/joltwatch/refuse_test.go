package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math/rand/v2"
	"net"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/wait"
	"joltwatch/detect"
	"joltwatch/storage"

	"github.com/rs/zerolog"
)

// A card that is read-only when the program starts, and again later: the program
// watches on, its watchdog is served, what was found is on file when the card is
// well, and each trouble is said once at its beginning and once at its end.
func TestCardThatRefuses(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", socket)
	fed := func() bool {
		b := make([]byte, 64)
		if err := manager.SetReadDeadline(wait.End(t)); err != nil {
			t.Fatal(err)
		}
		n, err := manager.Read(b)
		return err == nil && string(b[:n]) == "WATCHDOG=1"
	}

	dir, limbo := filepath.Join(t.TempDir(), "stay"), t.TempDir()
	c := newCard(dir, limbo, 1<<30, rand.New(rand.NewPCG(1, 1)))
	c.trouble = func(string) error { return syscall.EROFS }
	var log bytes.Buffer
	h := &host{ctx: context.Background(), stdout: &bytes.Buffer{}, log: zerolog.New(&log).Level(zerolog.WarnLevel)}
	file, l := lineOf(t, h)
	var now bus.Micros
	in := &input{source: &feed{}, live: true, boot: "test", now: func() bus.Micros { return now }}
	opt := storeOptions(h, file, "test", in)
	opt.FS = c
	if err := l.open(h, dir, opt); err != nil {
		t.Fatalf("does not start on a card that is read-only: %v", err)
	}
	beat := l.beat(in)
	all := frames(50 * 400)
	second := func(from, to int) { // of traffic
		for i := from * 50; i < to*50; i++ {
			now = all[i].At
			if err := l.Push(&all[i]); err != nil {
				t.Fatal(err)
			}
			if i%50 == 49 {
				if _, err := beat(); err != nil {
					t.Fatal(err)
				}
				if !fed() {
					t.Fatalf("second %d: the watchdog was not told", i/50)
				}
			}
		}
	}
	find := func(severity float64) {
		l.Finding(&detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Start: now, End: now, Drive: 1, Severity: severity, Keep: true}, nil)
	}
	second(0, 60)
	find(0.9)
	second(60, 100)
	c.trouble = nil
	second(100, 200) // it is tried every minute at least
	find(0.8)
	second(200, 220)
	c.trouble = func(string) error { return syscall.EROFS }
	find(0.7)
	second(220, 300)
	c.trouble = nil
	second(300, 400)
	if err := l.Finish(); err != nil {
		t.Fatal(err)
	}

	s, err := storage.Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	kept := 0
	for _, e := range s.Events() {
		if e.Finding.Kind != detect.KindReleaseLag {
			continue
		}
		ev, err := s.Evidence(e.Boot, e.From, e.To)
		if err != nil {
			t.Fatal(err)
		}
		// 20 s before and 10 s after at 50 frames a second.
		if n := len(ev.Frames); e.Evidence != storage.EvidenceKept || n < 1500 || n > 1501 {
			t.Errorf("event %s: evidence %s, %d frames", e.ID, e.Evidence, n)
		}
		kept++
	}
	if kept != 3 {
		t.Errorf("%d of 3 events on file", kept)
	}
	if a := s.Accounts(); len(a) != 1 || a[0].Frames != 400*50 {
		t.Errorf("accounts %+v", a)
	}
	var said []string
	for _, line := range strings.Split(strings.TrimSpace(log.String()), "\n") {
		var x struct{ Message string }
		if err := json.Unmarshal([]byte(line), &x); err != nil {
			t.Fatal(err)
		}
		said = append(said, x.Message)
	}
	refuses, again := "the store cannot be written: watching goes on, and it is tried again", "the store is written again"
	if strings.Join(said, "\n") != strings.Join([]string{refuses, again, refuses, again}, "\n") {
		t.Errorf("said:\n%s", log.String())
	}
}
