//go:build linux

package bus

import (
	"fmt"
	"testing"

	"golang.org/x/sys/unix"
)

// The kernel's own J1939 broadcasts a DM1 of five codes; we put it together.
func TestVMCodesKernelBroadcast(t *testing.T) {
	needVM(t)
	vcan(t, "dm0")
	s, err := OpenSocketCAN("dm0", SocketOptions{Filters: J1939CodeFilters()})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	const canJ1939 = 7 // CAN_J1939, linux/can.h
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_DGRAM, canJ1939)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	index, err := ifIndex(fd, "dm0")
	if err != nil {
		t.Fatal(err)
	}
	const noName, noPGN = 0, 0x40000 // J1939_NO_NAME, J1939_NO_PGN
	if err := unix.Bind(fd, &unix.SockaddrCANJ1939{Ifindex: index, Name: noName, PGN: noPGN, Addr: 0x03}); err != nil {
		t.Fatal(err)
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_BROADCAST, 1); err != nil {
		t.Fatal(err)
	}
	message := []byte{0x10, 0xFF}
	for i := range byte(5) {
		message = append(message, 0x3D+i, 0x02, 0xE0|i, 1)
	}
	if err := unix.Sendto(fd, message, 0, &unix.SockaddrCANJ1939{Ifindex: index, PGN: pgnDM1, Addr: globalAddr}); err != nil {
		t.Fatal(err)
	}
	var w J1939Codes
	var got Codes
	until(t, s, "the codes", func(frames []Frame) bool {
		var again J1939Codes
		for i := range frames {
			if c, changed := again.Frame(&frames[i]); changed {
				got, w = c, again
				return true
			}
		}
		return false
	})
	want := "[SPN 459325 FMI 0 SPN 459326 FMI 1 SPN 459327 FMI 2 SPN 459328 FMI 3 SPN 459329 FMI 4]"
	if fmt.Sprint(got.Codes) != want || got.Source != "0x03" || !got.Lamp || len(w.Active(0)) != 1 {
		t.Errorf("%+v", got)
	}
}
