package main

import (
	"fmt"
	"time"

	"joltwatch/bus"
	"joltwatch/storage"
)

type clockCmd struct {
	Store string `arg:"" placeholder:"DIR" help:"The folder of the stay."`
	At    string `placeholder:"TIME" help:"The time now, as 2026-03-01T08:30:00+01:00 (RFC 3339), read off a clock that you trust. Without it the system clock is taken, if it is synchronised."`
}

func (c *clockCmd) Help() string {
	return `A board without a clock of its own does not know what time it is until a network
tells it. Tell the stay once, before the vehicle leaves: it holds for all that is
recorded until the board is next switched off, also backwards. What is recorded
in boots that never learn the time keeps its order and says "time unknown".`
}

func (c *clockCmd) Run(h *host) error {
	boot, err := bootID()
	if err != nil {
		return err
	}
	clock := bus.BootClock()
	if c.At != "" {
		t, err := time.Parse(time.RFC3339Nano, c.At)
		if err != nil {
			return fmt.Errorf("--at %s: expected a time such as 2026-03-01T08:30:00+01:00", c.At)
		}
		clock = bus.Clock{Known: true, Zero: bus.Micros(t.UnixMicro()) - bus.BootNow()}
	}
	if !clock.Known {
		return fmt.Errorf("the system clock has not been set by a time source; give the time with --at")
	}
	if err := storage.SetStayClock(c.Store, boot, clock); err != nil {
		return err
	}
	fmt.Fprintf(h.stdout, "%s: it is %s\n", c.Store, time.UnixMicro(int64(clock.Zero+bus.BootNow())).Format(time.RFC3339))
	return nil
}
