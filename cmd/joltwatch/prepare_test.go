package main

import (
	"errors"
	"fmt"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/stream/vehicle"
)

func TestPrepare(t *testing.T) {
	listening := bus.CANState{Up: true, ListenOnly: true, Bitrate: 500000}
	for _, c := range []struct {
		name      string
		was       bus.CANState
		bus       vehicle.Bus
		becomes   bus.CANState
		said      string
		touched   bool
		attention bool
	}{
		{name: "down", bus: vehicle.Bus{Bitrate: 500000}, becomes: listening, said: "500000 bit/s, listening only", touched: true},
		{name: "as it should be", was: listening, bus: vehicle.Bus{Bitrate: 500000}, said: "500000 bit/s, listening only, up already"},
		{name: "bitrate not stated", was: listening, said: "500000 bit/s, listening only, up already"},
		{name: "able to send", was: bus.CANState{Up: true, Bitrate: 500000}, bus: vehicle.Bus{Bitrate: 500000}, becomes: listening,
			said: "500000 bit/s, listening only", touched: true},
		{name: "other bitrate", was: bus.CANState{Up: true, ListenOnly: true, Bitrate: 250000}, bus: vehicle.Bus{Bitrate: 500000},
			becomes: listening, said: "500000 bit/s, listening only", touched: true},
		{name: "asking", was: listening, bus: vehicle.Bus{Bitrate: 500000, Ask: true}, becomes: bus.CANState{Up: true, Bitrate: 500000},
			said: "500000 bit/s, can send requests", touched: true},
		{name: "virtual", was: bus.CANState{Up: true, Virtual: true}, bus: vehicle.Bus{Bitrate: 500000}, said: "virtual, up, up already"},
		{name: "no listen-only mode", bus: vehicle.Bus{Bitrate: 500000}, becomes: bus.CANState{Up: true, Bitrate: 500000},
			said: "500000 bit/s", touched: true, attention: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			touched := false
			k := canKernel{
				state: func(string) (bus.CANState, error) { return c.was, nil },
				setUp: func(_ string, set bus.CANSetup) (bus.CANState, error) {
					touched = true
					if set.Bitrate != uint32(c.bus.Bitrate) || set.Ask != c.bus.Ask {
						t.Errorf("set up with %+v", set)
					}
					return c.becomes, nil
				},
			}
			said, err := k.prepare("can0", &c.bus)
			if said != c.said || touched != c.touched || cli.NeedsAttention(err) != c.attention || err != nil && !c.attention {
				t.Errorf("%q, touched %v, %v; want %q, touched %v, attention %v", said, touched, err, c.said, c.touched, c.attention)
			}
		})
	}
}

func TestPrepareWithoutInterface(t *testing.T) {
	missing := canKernel{state: func(string) (bus.CANState, error) { return bus.CANState{}, fmt.Errorf("can0: %w", bus.ErrMissing) }}
	if said, err := missing.prepare("can0", &vehicle.Bus{}); !errors.Is(err, bus.ErrMissing) {
		t.Errorf("missing interface: %q, %v", said, err)
	}
	refused := canKernel{state: func(string) (bus.CANState, error) { return bus.CANState{}, bus.ErrPermission }}
	if _, err := refused.prepare("can0", &vehicle.Bus{}); !errors.Is(err, bus.ErrPermission) {
		t.Errorf("refused: %v", err)
	}
}
