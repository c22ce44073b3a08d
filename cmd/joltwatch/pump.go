package main

import (
	"context"
	"errors"
	"io"
	"time"

	"joltwatch/bus"
)

// source is what frames are pumped from; every source of package bus is one.
type source interface {
	Read(batch []bus.Frame) (int, error)
	Clock() bus.Clock
	Close() error
}

// batchFrames is how many frames travel together between the goroutine that
// reads and the one that works: enough to make the hand-over cheap, few enough
// that a quiet bus is not kept waiting.
const batchFrames = 512

// filled is one batch on its way.
type filled struct {
	frames []bus.Frame
	err    error
}

// pump reads src in a goroutine of its own and calls each for every frame, in
// order, until the source ends, ctx is cancelled (errInterrupted) or each fails. beat is called
// from the same loop as each, also while the bus is quiet, and says when it
// wants to be called next: a hung loop does not beat.
func pump(ctx context.Context, src source, each func(*bus.Frame) error, beat func() (time.Duration, error)) error {
	full, empty := make(chan filled, 2), make(chan []bus.Frame, 3)
	for range cap(empty) {
		empty <- make([]bus.Frame, batchFrames)
	}
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		for {
			var b []bus.Frame
			select {
			case b = <-empty:
			case <-stop:
				return
			}
			n, err := src.Read(b[:batchFrames])
			select {
			case full <- filled{b[:n], err}:
			case <-stop:
				return
			}
			if err != nil {
				return
			}
		}
	}()
	next, err := beat()
	if err != nil {
		return err
	}
	timer := time.NewTimer(next)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return errInterrupted
		case <-timer.C:
			if next, err = beat(); err != nil {
				return err
			}
			timer.Reset(next)
		case b := <-full:
			for i := range b.frames {
				if err := each(&b.frames[i]); err != nil {
					return err
				}
			}
			if errors.Is(b.err, io.EOF) {
				return nil
			}
			if b.err != nil {
				return b.err
			}
			empty <- b.frames
		}
	}
}
