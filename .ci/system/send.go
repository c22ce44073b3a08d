// Send puts frames on a CAN interface: SAE J1939-71's electronic engine
// controller 1 with an engine at 700 rpm, ten milliseconds apart.
package main

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"time"

	"go.einride.tech/can"
	"go.einride.tech/can/pkg/socketcan"
)

func main() {
	if err := send(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, "send:", err)
		os.Exit(1)
	}
}

func send(device, count string) error {
	n, err := strconv.Atoi(count)
	if err != nil {
		return err
	}
	conn, err := socketcan.Dial("can", device)
	if err != nil {
		return err
	}
	defer conn.Close()
	tx := socketcan.NewTransmitter(conn)
	f := can.Frame{ID: 0x0CF00400, IsExtended: true, Length: 8, Data: can.Data{0xff, 0xff, 0xff, 0xe0, 0x15, 0xff, 0xff, 0xff}}
	for range n {
		if err := tx.TransmitFrame(context.Background(), f); err != nil {
			return err
		}
		time.Sleep(10 * time.Millisecond)
	}
	return nil
}
