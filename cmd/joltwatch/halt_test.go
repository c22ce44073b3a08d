package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"testing"

	"joltwatch/storage"

	"github.com/klauspost/compress/zstd"
	"github.com/rs/zerolog"
)

// haltingReader gives so many bytes, then interrupts and gives no more.
type haltingReader struct {
	r    io.Reader
	left int
	halt func()
}

func (h *haltingReader) Read(p []byte) (int, error) {
	if h.left <= 0 {
		h.halt()
		select {}
	}
	n, err := h.r.Read(p[:min(len(p), h.left)])
	h.left -= n
	return n, err
}

// vanLog is the embedded drive as text.
func vanLog(t *testing.T) []byte {
	t.Helper()
	packed, err := os.ReadFile("../../testdata/van/drive.log.zst")
	if err != nil {
		t.Fatal(err)
	}
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	log, err := d.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	return log
}

// A replay that is interrupted and run again leaves what an undisturbed one does.
func TestInterruptedReplayGoesOn(t *testing.T) {
	log := vanLog(t)
	run := func(dir string, bytesGiven int) error {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		var in io.Reader = bytes.NewReader(log)
		if bytesGiven > 0 {
			in = &haltingReader{in, bytesGiven, cancel}
		}
		c := runCmd{Vehicle: "../../testdata/van/vehicle.toml", From: "-", Store: dir}
		return c.Run(&host{ctx: ctx, stdin: in, stdout: io.Discard, log: zerolog.Nop()})
	}
	whole, parts := t.TempDir(), t.TempDir()
	if err := run(whole, 0); err != nil {
		t.Fatal(err)
	}
	for _, share := range []int{5, 2} {
		var stopped interrupted
		if err := run(parts, len(log)/share); !errors.As(err, &stopped) || stopped.ExitCode() != 130 {
			t.Fatalf("interrupted after a part of %d: %v", share, err)
		}
	}
	if err := run(parts, 0); err != nil {
		t.Fatal(err)
	}
	if err := run(parts, 0); err == nil {
		t.Error("a finished recording is taken a second time")
	}
	a, b := told(t, whole), told(t, parts)
	if !slices.Equal(a, b) {
		t.Errorf("undisturbed:\n%q\ninterrupted:\n%q", a, b)
	}
}

// told lists a stay's events and accounts.
func told(t *testing.T, dir string) []string {
	t.Helper()
	s, err := storage.Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range s.Events() {
		out = append(out, fmt.Sprintf("%s %s %v %v", e.Finding.Kind, e.Finding.Class, e.Finding.Start, e.Finding.Measures))
	}
	for _, a := range s.Accounts() {
		text, err := json.Marshal(a.Account)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, string(text))
	}
	return out
}
