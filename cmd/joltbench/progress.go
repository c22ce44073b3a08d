package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/mattn/go-isatty"
)

// progress shows on standard error how far long work is: a line that rewrites
// itself on a terminal, a line every few seconds elsewhere, nothing for short
// work.
type progress struct {
	w        io.Writer
	what     string
	terminal bool
	start    time.Time
	last     time.Time
	shown    bool
}

func (h *host) progress(what string) *progress {
	p := &progress{w: h.stderr, what: what, start: time.Now()}
	if f, ok := h.stderr.(*os.File); ok {
		p.terminal = isatty.IsTerminal(f.Fd())
	}
	return p
}

func (p *progress) step(done, total int) {
	now := time.Now()
	every := 3 * time.Second
	if p.terminal {
		every = 200 * time.Millisecond
	}
	if now.Sub(p.start) < time.Second || now.Sub(p.last) < every {
		return
	}
	p.last, p.shown = now, true
	if p.terminal {
		fmt.Fprintf(p.w, "\r%s: %d of %d\x1b[K", p.what, done, total)
		return
	}
	fmt.Fprintf(p.w, "joltbench: %s: %d of %d\n", p.what, done, total)
}

func (p *progress) end() {
	if p.shown && p.terminal {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
