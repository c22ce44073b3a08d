package bus

import "fmt"

// Advice says in one line what is wrong with a live source after it was listened
// to for a time, and what to do; it is empty where nothing is. name is the
// device, bitrate the CAN bus's, 0 where it is not known or there is none.
func Advice(name string, s Stats, bitrate uint32, listened Micros) string {
	data := s.Frames - min(s.Errors, s.Frames)
	rate := ""
	if bitrate > 0 {
		rate = fmt.Sprintf(" (%d bit/s is set)", bitrate)
	}
	switch {
	case data == 0 && s.Errors > 0:
		return fmt.Sprintf("%s: error frames only: the bitrate is probably wrong%s; 500000 and 250000 are usual; or the two wires are swapped", name, rate)
	case data == 0 && s.BadLines > 0:
		return fmt.Sprintf("%s: %d lines and none understood: the serial rate is probably wrong, or this is another kind of device", name, s.BadLines)
	case data == 0:
		return fmt.Sprintf("%s: nothing heard in %.0f s: is the ignition on, the adapter plugged in, and the gateway not hiding the bus?", name, listened.Seconds())
	case s.Errors > data/10:
		return fmt.Sprintf("%s: %d error frames beside %d good ones: look for a loose plug, a missing or a third terminating resistor", name, s.Errors, data)
	case s.Dropped > 0:
		return fmt.Sprintf("%s: %d frames lost beside %d good ones: this computer was too busy; end other programs, raise net.core.rmem_max, or try another adapter", name, s.Dropped, data)
	case s.BadLines > data/100:
		return fmt.Sprintf("%s: %d bad lines beside %d good ones: the serial line loses bytes; try another cable or port", name, s.BadLines, data)
	}
	return ""
}
