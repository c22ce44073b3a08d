package bus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"net"

	"github.com/mdlayher/netlink"
	"go.einride.tech/can/pkg/candevice"
	"golang.org/x/sys/unix"
)

// CANSetup says how an interface is to be set up.
type CANSetup struct {
	// Bitrate is in bit/s; 0 leaves it as it is.
	Bitrate uint32
	// DataBitrate is the CAN FD data phase's, in bit/s; 0 for classical CAN.
	DataBitrate uint32
	// Ask is true where requests are turned on. Otherwise the controller is
	// put in listen-only mode: it sends neither frames nor acknowledgements
	// nor error flags.
	Ask bool
}

// SetUpCAN sets the interface down, sets it up as told, and brings it up. It
// needs CAP_NET_ADMIN. ListenOnly is false in the state it returns where the
// interface knows no such mode (a virtual one, some adapters) or Ask is set.
func SetUpCAN(iface string, set CANSetup) (CANState, error) {
	d, err := openDevice(iface)
	if err != nil {
		return CANState{}, err
	}
	info, err := d.Info()
	if err != nil {
		return CANState{}, fmt.Errorf("%s: %w", iface, err)
	}
	if err := d.SetDown(); err != nil {
		return CANState{}, setupError(iface, "cannot be set down", err)
	}
	if info.Type == candevice.CanLinkType {
		if set.Bitrate != 0 {
			if err := d.SetBitrate(set.Bitrate); err != nil {
				return CANState{}, setupError(iface, fmt.Sprintf("does not take a bitrate of %d bit/s", set.Bitrate), err)
			}
		} else if info.BitTiming.Bitrate == 0 {
			return CANState{}, fmt.Errorf("%s has no bitrate yet; state it for the bus: bitrate = 500000 or 250000 are usual", iface)
		}
		if set.DataBitrate != 0 {
			if err := setDataBitrate(iface, set.DataBitrate); err != nil {
				return CANState{}, setupError(iface, fmt.Sprintf("does not take a CAN FD data bitrate of %d bit/s", set.DataBitrate), err)
			}
		}
		// An adapter that cannot only listen says EOPNOTSUPP.
		if err := d.SetListenOnlyMode(!set.Ask); err != nil && (set.Ask || !errors.Is(err, unix.EOPNOTSUPP)) {
			return CANState{}, setupError(iface, "cannot be put in listen-only mode", err)
		}
		if set.Ask {
			// Some drivers have no timer for it (EOPNOTSUPP); then a bus-off
			// lasts until the interface is set up again.
			if err := setRestart(iface, restartMillis); err != nil && !errors.Is(err, unix.EOPNOTSUPP) {
				return CANState{}, setupError(iface, "cannot restart by itself after bus-off", err)
			}
		}
	}
	err = d.SetUp()
	for tries := 0; errors.Is(err, errRestart) && tries < 5; tries++ {
		err = d.SetUp()
	}
	if err != nil {
		return CANState{}, setupError(iface, "cannot be set up", err)
	}
	return ReadCANState(iface)
}

// errRestart is the kernel's ERESTARTSYS (linux/errno.h), which no program
// should see: a driver that waits for its adapter, as slcan does, lets it through
// where a signal ends the wait, and Go's runtime sends itself signals.
const errRestart = unix.Errno(512)

// restartMillis is how long the kernel leaves a controller off the bus.
const restartMillis = 200

// CANState is how an interface stands.
type CANState struct {
	Up         bool
	ListenOnly bool
	// Virtual interfaces have no bitrate and no modes.
	Virtual bool
	Bitrate uint32 // bit/s
}

// ReadCANState needs no right.
func ReadCANState(iface string) (CANState, error) {
	d, err := openDevice(iface)
	if err != nil {
		return CANState{}, err
	}
	up, err := d.IsUp()
	if err != nil {
		return CANState{}, fmt.Errorf("%s: %w", iface, err)
	}
	info, err := d.Info()
	if err != nil {
		return CANState{}, fmt.Errorf("%s: %w", iface, err)
	}
	return CANState{Up: up, Virtual: info.Type != candevice.CanLinkType, Bitrate: info.BitTiming.Bitrate,
		ListenOnly: info.CtrlMode.Flags&unix.CAN_CTRLMODE_LISTENONLY != 0}, nil
}

func openDevice(iface string) (*candevice.Device, error) {
	d, err := candevice.New(iface)
	var op *net.OpError
	switch {
	case err == nil:
		return d, nil
	case errors.As(err, &op):
		return nil, fmt.Errorf("%s: %w; plug its adapter in, and see \"ip link\" for its name", iface, ErrMissing)
	}
	return nil, fmt.Errorf("%s cannot be used as a CAN interface: %w", iface, err)
}

func setupError(iface, what string, err error) error {
	if errors.Is(err, unix.EPERM) || errors.Is(err, unix.EACCES) {
		return fmt.Errorf("%s: setting it up is %w; it takes root or CAP_NET_ADMIN", iface, ErrPermission)
	}
	return fmt.Errorf("%s %s: %w", iface, what, err)
}

// The library that sets interfaces up knows neither CAN FD nor the restart
// timer; these are the two messages it lacks (linux/can/netlink.h).
const (
	iflaCANRestartMS     = 6
	iflaCANDataBitTiming = 9
	ctrlModeFD           = 0x20
)

func setRestart(iface string, millis uint32) error {
	return changeLink(iface, func(e *netlink.AttributeEncoder) error {
		e.Uint32(iflaCANRestartMS, millis)
		return nil
	})
}

func setDataBitrate(iface string, bitrate uint32) error {
	return changeLink(iface, func(e *netlink.AttributeEncoder) error {
		timing := make([]byte, 32) // struct can_bittiming; the kernel works out the rest
		binary.NativeEndian.PutUint32(timing[:4], bitrate)
		e.Bytes(iflaCANDataBitTiming, timing)
		mode := make([]byte, 8) // struct can_ctrlmode: mask, flags
		binary.NativeEndian.PutUint32(mode[:4], ctrlModeFD)
		binary.NativeEndian.PutUint32(mode[4:8], ctrlModeFD)
		e.Bytes(unix.IFLA_CAN_CTRLMODE, mode)
		return nil
	})
}

func changeLink(iface string, data func(*netlink.AttributeEncoder) error) error {
	link, err := net.InterfaceByName(iface)
	if err != nil {
		return err
	}
	c, err := netlink.Dial(unix.NETLINK_ROUTE, nil)
	if err != nil {
		return err
	}
	defer c.Close()
	e := netlink.NewAttributeEncoder()
	e.Nested(unix.IFLA_LINKINFO, func(e *netlink.AttributeEncoder) error {
		e.String(unix.IFLA_INFO_KIND, candevice.CanLinkType)
		e.Nested(unix.IFLA_INFO_DATA, data)
		return nil
	})
	attributes, err := e.Encode()
	if err != nil {
		return err
	}
	head := make([]byte, unix.SizeofIfInfomsg)
	binary.NativeEndian.PutUint32(head[4:8], uint32(link.Index))
	_, err = c.Execute(netlink.Message{
		Header: netlink.Header{Type: unix.RTM_NEWLINK, Flags: netlink.Request | netlink.Acknowledge},
		Data:   append(head, attributes...),
	})
	return err
}
