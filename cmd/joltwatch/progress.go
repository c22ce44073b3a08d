package main

import (
	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
)

// progress is shown while a recording is replayed.
type progress struct {
	*cli.Progress
	in *input
}

func (h *host) progress(in *input) *progress {
	if in.live {
		return &progress{Progress: cli.NewProgress(nil), in: in}
	}
	return &progress{Progress: cli.NewProgress(h.stderr), in: in}
}

// frames tells how far the replay is: n frames, and how much time of the
// recording they span.
func (p *progress) frames(n uint64, span bus.Micros) {
	share := 0.0
	if p.in.log != nil {
		share = p.in.log.Share()
	}
	p.Frames(n, span.Seconds(), share)
}
