package cli

import (
	"bytes"
	"testing"
	"time"
)

func TestProgressLeft(t *testing.T) {
	for share, want := range map[float64]string{0: "", 0.25: ", 25 %, 30s left", 1: ""} {
		if got := left(10*time.Second, share); got != want {
			t.Errorf("%v: %q, want %q", share, got, want)
		}
	}
}

// What is no terminal stays clean.
func TestProgressSilent(t *testing.T) {
	var b bytes.Buffer
	p := NewProgress(&b)
	p.start = p.start.Add(-time.Hour)
	p.Frames(1e6, 60, 0.5)
	p.Steps("packing")(1, 2)
	p.Bytes("checking")(1, 2)
	p.End()
	if b.Len() > 0 {
		t.Errorf("%q", b.String())
	}
}

func TestProgressSays(t *testing.T) {
	for want, show := range map[string]func(p *Progress){
		"\r2.00 million frames, 60 s of the recording, 200000 a second, 25 %, 30s left\x1b[K": func(p *Progress) { p.Frames(2e6, 60, 0.25) },
		"\rpacking: 5 of 10, 50 %, 10s left\x1b[K":                                            func(p *Progress) { p.Steps("packing")(5, 10) },
		"\rchecking: 20.0 of 100.0 MB, 2.0 MB a second, 20 %, 40s left\x1b[K":                 func(p *Progress) { p.Bytes("checking")(20e6, 100e6) },
	} {
		var b bytes.Buffer
		start := time.Date(2025, 10, 9, 9, 0, 0, 0, time.UTC)
		now := func() time.Time { return start.Add(10 * time.Second) }
		show(&Progress{w: &b, now: now, start: start})
		if b.String() != want {
			t.Errorf("%q, want %q", b.String(), want)
		}
	}
}
