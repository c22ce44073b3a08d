package export

import (
	"bufio"
	"fmt"
	"io"

	"joltwatch/bus"
)

// TextLog writes frames as a SocketCAN text log, one line a frame:
// "(seconds.fraction) interface ID#DATA", ID##fDATA for CAN FD and ID#Rn for
// remote frames, error frames with bit 29 of the identifier set. Times are Unix
// time where it is known. It returns how many frames have no place in such a
// log (notices, readings, answers) and were left out. A name that could not stand in a log becomes
// "bus" and its index.
func TextLog(w io.Writer, frames []bus.Frame, clock bus.Clock, buses []string) (left int, err error) {
	out := bufio.NewWriter(w)
	for i := range frames {
		f := &frames[i]
		id, width := f.ID, 3
		switch {
		case f.Kind == bus.Error:
			id, width = f.ID|errorFlag, 8
		case f.Kind != bus.Data && f.Kind != bus.Remote:
			left++
			continue
		case f.Flags&bus.Extended != 0:
			width = 8
		}
		at := f.At
		if clock.Known {
			at += clock.Zero
		}
		if at < 0 {
			left++
			continue
		}
		fmt.Fprintf(out, "(%d.%06d) %s %0*X", at/bus.Second, at%bus.Second, busName(buses, f.Bus), width, id)
		switch {
		case f.Kind == bus.Remote:
			fmt.Fprintf(out, "#R%d\n", f.Len)
		case f.Flags&bus.FD != 0:
			flags := 0
			if f.Flags&bus.BRS != 0 {
				flags |= 1
			}
			if f.Flags&bus.ESI != 0 {
				flags |= 2
			}
			fmt.Fprintf(out, "##%X%X\n", flags, f.Data[:f.Len])
		default:
			fmt.Fprintf(out, "#%X\n", f.Data[:f.Len])
		}
	}
	return left, out.Flush()
}

// errorFlag marks error frames (linux/can.h CAN_ERR_FLAG).
const errorFlag = 0x20000000

func busName(buses []string, i uint8) string {
	if int(i) < len(buses) {
		name := buses[i]
		ok := name != ""
		for _, c := range []byte(name) {
			ok = ok && c > ' ' && c < 0x7f
		}
		if ok {
			return name
		}
	}
	return fmt.Sprintf("bus%d", i)
}
