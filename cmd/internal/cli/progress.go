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
	now         func() time.Time
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
	p := &Progress{now: time.Now, start: time.Now()}
	if f, ok := w.(*os.File); ok && isatty.IsTerminal(f.Fd()) {
		p.w = w
	}
	return p
}

// Frames tells how far a recording has been read: frames, the time of it that they
// span, and the share of its file, 0 where that is not known.
func (p *Progress) Frames(n uint64, spanS, share float64) {
	p.show(share, func() string {
		return fmt.Sprintf("%.2f million frames, %.0f s of the recording, %.0f a second", float64(n)/1e6, spanS, p.rate(float64(n)))
	})
}

// Steps returns what tells how many steps of a work are done.
func (p *Progress) Steps(what string) func(done, total int) {
	return func(done, total int) {
		p.show(float64(done)/float64(max(total, 1)), func() string { return fmt.Sprintf("%s: %d of %d", what, done, total) })
	}
}

// Bytes returns what tells how many bytes a work has done.
func (p *Progress) Bytes(what string) func(done, total int64) {
	return func(done, total int64) {
		p.show(float64(done)/float64(max(total, 1)), func() string {
			return fmt.Sprintf("%s: %.1f of %.1f MB, %.1f MB a second", what, float64(done)/1e6, float64(total)/1e6, p.rate(float64(done))/1e6)
		})
	}
}

// show replaces the line; share is how much of the work is done.
func (p *Progress) show(share float64, text func() string) {
	now := p.now()
	if p.w == nil || now.Sub(p.start) < progressAfter || now.Sub(p.last) < progressEvery {
		return
	}
	p.last, p.shown = now, true
	fmt.Fprintf(p.w, "\r%s%s\x1b[K", text(), left(now.Sub(p.start), share))
}

// left says how much is done and how long the rest takes at the pace so far.
func left(took time.Duration, share float64) string {
	if share <= 0.005 || share >= 1 {
		return ""
	}
	rest := time.Duration(float64(took) * (1 - share) / share)
	return fmt.Sprintf(", %.0f %%, %v left", 100*share, rest.Round(time.Second))
}

// rate is n over the time so far, a second.
func (p *Progress) rate(n float64) float64 { return n / max(p.now().Sub(p.start).Seconds(), 0.001) }

// End clears the line.
func (p *Progress) End() {
	if p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
