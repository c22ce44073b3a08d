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
	p.Show("far", 0.5)
	p.End()
	if b.Len() > 0 {
		t.Errorf("%q", b.String())
	}
}
