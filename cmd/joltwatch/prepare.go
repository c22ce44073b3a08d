package main

import (
	"errors"
	"fmt"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/stream/vehicle"
)

type prepareCmd struct {
	Vehicle string `required:"" placeholder:"FILE" help:"The vehicle file (TOML): its buses say which interfaces, and their bitrates."`
}

func (c *prepareCmd) Help() string {
	return `Sets the bitrate of every CAN interface that the vehicle file names, puts it in
listen-only mode and brings it up. This is the only command that needs the right
to set up interfaces (root, or the capability CAP_NET_ADMIN), so that run needs
none. The service does it before recording, and again when an adapter is plugged
in. An interface that is not there is no error, and one that is as it should be
is not touched. A bus with ask or standard = true is not put in listen-only mode, because
then it could not send its requests.

` + cautions
}

func (c *prepareCmd) Run(h *host) error {
	// No detector works here, so any [detect] table will do.
	var settings map[string]any
	file, err := vehicle.Load(c.Vehicle, &settings)
	if err != nil {
		return err
	}
	var failed, noted []error
	for i := range file.Buses {
		b := &file.Buses[i]
		iface, ok := b.CANInterface()
		if !ok {
			continue
		}
		said, err := kernel.prepare(iface, b)
		switch {
		case cli.NeedsAttention(err):
			noted = append(noted, err)
		case errors.Is(err, bus.ErrMissing):
			said = "not here now; it is set up when it appears"
		case err != nil:
			failed = append(failed, err)
			continue
		}
		fmt.Fprintf(h.stdout, "%s: %s\n", iface, said)
	}
	if len(failed) > 0 {
		return errors.Join(append(failed, noted...)...)
	}
	if len(noted) > 0 {
		return cli.Attention(errors.Join(noted...))
	}
	return nil
}

// canKernel is what prepare needs of package bus.
type canKernel struct {
	state func(iface string) (bus.CANState, error)
	setUp func(iface string, set bus.CANSetup) (bus.CANState, error)
}

var kernel = canKernel{bus.ReadCANState, bus.SetUpCAN}

// prepare brings an interface up as its bus wants it, and returns how it is
// now. It leaves alone what is as it should be, so that a recorder that is
// running does not lose its bus.
func (k canKernel) prepare(iface string, b *vehicle.Bus) (string, error) {
	now, err := k.state(iface)
	if err != nil {
		return "", err
	}
	right := now.Up && (now.Virtual ||
		(b.Bitrate == 0 || now.Bitrate == uint32(b.Bitrate)) && (now.ListenOnly == !b.Ask || b.MayAcknowledge) && b.DataBitrate == 0)
	already := ", up already"
	if !right {
		already = ""
		now, err = k.setUp(iface, bus.CANSetup{Bitrate: uint32(b.Bitrate), DataBitrate: uint32(b.DataBitrate), Ask: b.Ask})
		if err != nil {
			return "", err
		}
	}
	switch {
	case now.Virtual:
		return "virtual, up" + already, nil
	case now.ListenOnly:
		return fmt.Sprintf("%d bit/s, listening only%s", now.Bitrate, already), nil
	case b.Ask:
		return fmt.Sprintf("%d bit/s, can send requests%s", now.Bitrate, already), nil
	}
	return fmt.Sprintf("%d bit/s", now.Bitrate), cli.Attention(fmt.Errorf(
		"%s has no listen-only mode: it acknowledges frames and, should the bitrate be wrong, disturbs the bus; check it with the engine off", iface))
}
