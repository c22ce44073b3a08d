// Send puts frames on a CAN interface: so many of SAE J1939-71's electronic
// engine controller 1 with an engine at 700 rpm, ten milliseconds apart, or those
// of a recording at its own pace.
//
//	send INTERFACE COUNT|RECORDING
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"syscall"
	"time"

	"go.einride.tech/can"
	"go.einride.tech/can/pkg/socketcan"

	"joltwatch/bus"
)

func main() {
	if err := send(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, "send:", err)
		os.Exit(1)
	}
}

func send(device, what string) error {
	conn, err := socketcan.Dial("can", device)
	if err != nil {
		return err
	}
	defer conn.Close()
	tx := socketcan.NewTransmitter(conn)
	n, err := strconv.Atoi(what)
	if err != nil {
		return replay(tx, what)
	}
	f := can.Frame{ID: 0x0CF00400, IsExtended: true, Length: 8, Data: can.Data{0xff, 0xff, 0xff, 0xe0, 0x15, 0xff, 0xff, 0xff}}
	for range n {
		if err := transmit(tx, f); err != nil {
			return err
		}
		time.Sleep(10 * time.Millisecond)
	}
	return nil
}

// transmit waits where the controller's queue is full for a moment, as it is where
// the machine is slow.
func transmit(tx *socketcan.Transmitter, f can.Frame) error {
	for {
		err := tx.TransmitFrame(context.Background(), f)
		if !errors.Is(err, syscall.ENOBUFS) {
			return err
		}
		time.Sleep(time.Millisecond)
	}
}

func replay(tx *socketcan.Transmitter, path string) error {
	log, err := bus.OpenLog(path, bus.LogOptions{})
	if err != nil {
		return err
	}
	defer log.Close()
	var first bus.Micros
	start, begun := time.Now(), false
	for f, err := range bus.Frames(log) {
		if err != nil {
			return err
		}
		if !begun {
			first, begun = f.At, true
		}
		time.Sleep(time.Until(start.Add(time.Duration(f.At-first) * time.Microsecond)))
		out := can.Frame{ID: f.ID, IsExtended: f.Flags&bus.Extended != 0, Length: f.Len, Data: can.Data(f.Data[:8])}
		if err := transmit(tx, out); err != nil {
			return err
		}
	}
	return nil
}
