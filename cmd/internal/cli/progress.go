package cli

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/mattn/go-isatty"
)

// Progress is one line on a terminal that tells how far a long work is. On
// anything else it says nothing.
type Progress struct {
	w           io.Writer // nil where nothing is shown
	start, last time.Time
	shown       bool
}

// Waits before the first line, and between lines.
const (
	progressAfter = 700 * time.Millisecond
	progressEvery = 200 * time.Millisecond
)

// NewProgress shows progress on w where that is a terminal.
func NewProgress(w io.Writer) *Progress {
	p := &Progress{start: time.Now()}
	if f, ok := w.(*os.File); ok && isatty.IsTerminal(f.Fd()) {
		p.w = w
	}
	return p
}

// Show replaces the line; share is how much of the work is done, 0 where that is
// not known.
func (p *Progress) Show(text string, share float64) {
	now := time.Now()
	if p.w == nil || now.Sub(p.start) < progressAfter || now.Sub(p.last) < progressEvery {
		return
	}
	p.last, p.shown = now, true
	fmt.Fprintf(p.w, "\r%s%s\x1b[K", text, left(now.Sub(p.start), share))
}

// left says how much is done and how long the rest takes at the pace so far.
func left(took time.Duration, share float64) string {
	if share <= 0.005 || share >= 1 {
		return ""
	}
	rest := time.Duration(float64(took) * (1 - share) / share)
	return fmt.Sprintf(", %.0f %%, %v left", 100*share, rest.Round(time.Second))
}

// Rate returns n over the time so far, in words.
func (p *Progress) Rate(n uint64) string {
	return fmt.Sprintf("%.0f a second", float64(n)/max(time.Since(p.start).Seconds(), 0.001))
}

// End clears the line.
func (p *Progress) End() {
	if p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
