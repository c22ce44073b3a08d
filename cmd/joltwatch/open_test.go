package main

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"joltwatch/storage"

	"github.com/rs/zerolog"
)

// A history that this program cannot use (another version's, say) is no reason
// not to watch.
func TestStrangeHistoryIsNoReasonNotToWatch(t *testing.T) {
	var log bytes.Buffer
	h := &host{ctx: context.Background(), stdout: &bytes.Buffer{}, log: zerolog.New(&log)}
	file, l := lineOf(t, h)
	dir := t.TempDir()
	opt := storage.Options{Plan: file.Plan, Boot: "test"}
	w, _, err := storage.Open(dir, opt)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.History([]byte("strange")); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.open(h, dir, opt); err != nil {
		t.Fatalf("does not start: %v", err)
	}
	if !strings.Contains(log.String(), "learned anew") {
		t.Errorf("does not say so: %s", log.String())
	}
	if err := l.Finish(); err != nil {
		t.Error(err)
	}
}
