package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream/vehicle"

	"github.com/rs/zerolog"
)

// quietHost is a host that nobody listens to.
func quietHost() *host {
	return &host{ctx: context.Background(), stdout: &bytes.Buffer{}, log: zerolog.Nop()}
}

// lineOf is the line of a vehicle of which nothing is known but that its one bus is
// J1939.
func lineOf(t *testing.T, h *host) (*vehicle.File, *line) {
	t.Helper()
	set := detect.DefaultSettings()
	file, err := vehicle.Parse("test.toml", []byte("[[bus]]\nname = \"can0\"\nj1939 = true\n"), &set)
	if err != nil {
		t.Fatal(err)
	}
	l, err := newLine(h, file.Plan, set)
	if err != nil {
		t.Fatal(err)
	}
	return file, l
}

// What happens to the source itself reaches the detectors: a mark that came as
// a notice is a finding, and a controller that left the bus is one.
func TestNoticesReachTheDetectors(t *testing.T) {
	_, l := lineOf(t, quietHost())
	kinds := map[string]int{}
	l.seen = func(f *detect.Finding) { kinds[f.Kind]++ }
	for i, f := range frames(1000) {
		if i == 400 {
			n := bus.NewNotice(f.At, 0, bus.NoticeMark, 0)
			if err := l.Push(&n); err != nil {
				t.Fatal(err)
			}
		}
		if i == 600 {
			n := bus.NewNotice(f.At, 0, bus.NoticeBusOff, 0)
			if err := l.Push(&n); err != nil {
				t.Fatal(err)
			}
		}
		if err := l.Push(&f); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Finish(); err != nil {
		t.Fatal(err)
	}
	if kinds[detect.KindMark] != 1 || kinds[detect.KindBusFault] == 0 {
		t.Errorf("findings %v, want one mark and a bus fault", kinds)
	}
}

// mostJournal is what an event may take of the journal on average, with its share of
// all else in it, in bytes.
const mostJournal = 200

func TestJournalIsSmall(t *testing.T) {
	dir := t.TempDir()
	l := wholeLine(t, vanVehicle, dir)
	for _, f := range framesOf(t, vanDrive) {
		if err := l.Push(&f); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Finish(); err != nil {
		t.Fatal(err)
	}
	s, err := storage.Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	events, bytes := len(s.Events()), int64(0)
	journals, err := filepath.Glob(filepath.Join(dir, "*.journal"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range journals {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		bytes += info.Size()
	}
	if events < 40 || bytes == 0 || bytes > int64(events)*mostJournal {
		t.Errorf("%d events take %d bytes of the journal, at most %d each", events, bytes, mostJournal)
	}
}
