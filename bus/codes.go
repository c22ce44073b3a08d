package bus

import "fmt"

// Codes are the trouble codes of one controller, as read or heard at an
// instant.
type Codes struct {
	At  Micros
	Bus uint8
	// Source names the controller: a CAN identifier, or a J1939 source address.
	Source string
	// Pending is true for codes of the present or last drive that are not
	// confirmed (SAE J1979 service 07).
	Pending bool
	// Lamp is true where a J1939 controller has a warning lamp on.
	Lamp  bool
	Codes []string
}

// obdCodes reads the codes of services 03 and 07 on CAN: a count and two bytes
// each (SAE J1979, SAE J2012).
func obdCodes(b []byte) []string {
	if len(b) == 0 {
		return nil
	}
	var codes []string
	for b = b[1:]; len(b) >= 2; b = b[2:] {
		if b[0] == 0 && b[1] == 0 {
			continue // padding
		}
		codes = append(codes, fmt.Sprintf("%c%d%X%02X", "PCBU"[b[0]>>6], b[0]>>4&3, b[0]&0xF, b[1]))
	}
	return codes
}
