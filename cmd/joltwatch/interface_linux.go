package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"go.einride.tech/can/pkg/candevice"
	"golang.org/x/sys/unix"
)

// kernelInterface is a CAN interface of this machine.
type kernelInterface struct{ *candevice.Device }

// openInterface returns fs.ErrNotExist where there is no such interface.
func openInterface(name string) (canInterface, error) {
	if _, err := os.Stat("/sys/class/net/" + name); err != nil {
		return nil, fs.ErrNotExist
	}
	dev, err := candevice.New(name)
	return kernelInterface{dev}, err
}

func (k kernelInterface) State() (interfaceState, error) {
	up, err := k.IsUp()
	if err != nil {
		return interfaceState{}, err
	}
	info, err := k.Info()
	if err != nil {
		return interfaceState{}, err
	}
	return interfaceState{
		up: up, virtual: info.Type != candevice.CanLinkType, bitrate: info.BitTiming.Bitrate,
		listenOnly: info.CtrlMode.Flags&unix.CAN_CTRLMODE_LISTENONLY != 0,
	}, nil
}

func (k kernelInterface) SetUp() error              { return allowed(k.Device.SetUp()) }
func (k kernelInterface) SetDown() error            { return allowed(k.Device.SetDown()) }
func (k kernelInterface) SetBitrate(b uint32) error { return allowed(k.Device.SetBitrate(b)) }
func (k kernelInterface) SetListenOnlyMode(on bool) error {
	return allowed(k.Device.SetListenOnlyMode(on))
}

// allowed says what to do where the kernel refuses.
func allowed(err error) error {
	if errors.Is(err, unix.EPERM) {
		return fmt.Errorf("%w: setting up interfaces needs root or CAP_NET_ADMIN (the service does it: systemctl start joltwatch-prepare)", err)
	}
	return err
}
