package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"joltwatch/stream/vehicle"
)

type prepareCmd struct {
	Vehicle string `required:"" type:"existingfile" placeholder:"FILE" help:"The vehicle file (TOML): its buses say which interfaces, and their bitrates."`
}

func (c *prepareCmd) Help() string {
	return `Sets the bitrate of every CAN interface that the vehicle file names, puts it in
listen-only mode and brings it up. This is the only command that needs the right
to set up interfaces (root, or the capability CAP_NET_ADMIN), so that run needs
none. The service does it before recording, and again when an adapter is plugged
in. An interface that is not there is no error. A bus with ask = true is not put
in listen-only mode, because then it could not send its requests.

` + cautions
}

// Run uses settings of no detector: the [detect] table is passed over.
func (c *prepareCmd) Run(h *host) error {
	var settings map[string]any
	file, err := vehicle.Load(c.Vehicle, &settings)
	if err != nil {
		return err
	}
	var failed []error
	for _, b := range file.Buses {
		name, ok := strings.CutPrefix(b.Source, "socketcan:")
		if !ok {
			continue
		}
		dev, err := openInterface(name)
		if errors.Is(err, fs.ErrNotExist) {
			fmt.Fprintf(h.stdout, "%s: not here now\n", name)
			continue
		}
		var said string
		if err == nil {
			said, err = prepare(dev, uint32(b.Bitrate), !b.Ask)
		}
		if err != nil {
			failed = append(failed, fmt.Errorf("%s: %w", name, err))
			continue
		}
		fmt.Fprintf(h.stdout, "%s: %s\n", name, said)
	}
	return errors.Join(failed...)
}

// canInterface is what the kernel lets one set on a CAN interface.
type canInterface interface {
	// State returns whether it is up, and what it is set to. Virtual
	// interfaces have no bitrate and no modes.
	State() (interfaceState, error)
	SetDown() error
	SetBitrate(uint32) error
	SetListenOnlyMode(bool) error
	SetUp() error
}

type interfaceState struct {
	up, virtual, listenOnly bool
	bitrate                 uint32 // bit/s, 0 where never set
}

// prepare brings an interface up, with the bitrate (bit/s; 0 leaves it as it is)
// and the mode. It touches nothing that is as it should be, so that a running
// recorder does not lose its bus. It returns how the interface is now.
func prepare(dev canInterface, bitrate uint32, listenOnly bool) (string, error) {
	was, err := dev.State()
	if err != nil {
		return "", err
	}
	if was.virtual {
		if was.up {
			return "virtual, up already", nil
		}
		return "virtual, up", dev.SetUp()
	}
	if bitrate == 0 {
		bitrate = was.bitrate
	}
	if bitrate == 0 {
		return "", errors.New("has no bitrate: expected bitrate = … (bit/s) in its [[bus]]")
	}
	how := fmt.Sprintf("%d bit/s, listening only", bitrate)
	if !listenOnly {
		how = fmt.Sprintf("%d bit/s, can send requests", bitrate)
	}
	if was.up && was.bitrate == bitrate && was.listenOnly == listenOnly {
		return how + ", up already", nil
	}
	// The kernel changes neither while the interface is up.
	if was.up {
		if err := dev.SetDown(); err != nil {
			return "", err
		}
	}
	if err := dev.SetListenOnlyMode(listenOnly); err != nil {
		if listenOnly && was.up {
			// Its owner has brought it up knowing that.
			return fmt.Sprintf("%d bit/s, left as it was: it has no listen-only mode, so it acknowledges frames", was.bitrate), dev.SetUp()
		}
		if listenOnly {
			return "", fmt.Errorf("left down: it has no listen-only mode (%w), so it would acknowledge frames and, at a wrong bitrate, disturb the bus; if that is accepted, bring it up by hand", err)
		}
		return "", err
	}
	if was.bitrate != bitrate {
		if err := dev.SetBitrate(bitrate); err != nil {
			return "", err
		}
	}
	return how, dev.SetUp()
}
