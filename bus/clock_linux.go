package bus

import (
	"math"

	"golang.org/x/sys/unix"
)

// BootNow is the time since boot, time asleep included: the instants of every
// live source.
func BootNow() Micros { return gettime(unix.CLOCK_BOOTTIME) }

// BootClock relates instants since boot to the host's wall clock, as it is now.
// Known says that the kernel takes its clock for synchronised (adjtimex); a
// board without a battery-backed clock starts unsynchronised.
func BootClock() Clock {
	var tx unix.Timex // no modes: only asks
	state, err := unix.Adjtimex(&tx)
	// TIME_ERROR (5) and STA_UNSYNC (0x40) of linux/timex.h.
	return Clock{Known: err == nil && state != 5 && tx.Status&0x40 == 0, Zero: wallOffset()}
}

func gettime(clock int32) Micros {
	var ts unix.Timespec
	if err := unix.ClockGettime(clock, &ts); err != nil {
		return 0 // only an unknown clock fails
	}
	return Micros(ts.Nano() / 1000)
}

// wallOffset is wall time minus boot time. The boot clock is read on both sides
// so that being interrupted in between does not pass for a step.
func wallOffset() Micros {
	best, width := Micros(0), Micros(math.MaxInt64)
	for range 3 {
		before := gettime(unix.CLOCK_BOOTTIME)
		wall := gettime(unix.CLOCK_REALTIME)
		after := gettime(unix.CLOCK_BOOTTIME)
		if after-before < width {
			best, width = wall-(before+after)/2, after-before
		}
		if width < 20 {
			break
		}
	}
	return best
}

// wallToBoot turns the kernel's receive times, which are wall times, into boot
// times, and notices when the wall clock is set.
type wallToBoot struct {
	offset, checked Micros
	old             Micros // the offset before the last step
	last            Micros // the last instant given out
	set             bool
}

// check is called once a batch; jump is by how much the wall clock was set, 0
// where it was not.
func (w *wallToBoot) check(now, offset Micros) (jump Micros) {
	if !w.set {
		w.offset, w.old, w.checked, w.set = offset, offset, now, true
		return 0
	}
	d := offset - w.offset
	// Slewing moves the clock by 0.05 % at the most; more is a step.
	if limit := 10_000 + (now-w.checked)/1000; d > limit || d < -limit {
		jump, w.old = d, w.offset
	} else {
		w.old = offset
	}
	w.offset, w.checked = offset, now
	return jump
}

// instant converts one receive time. In the batch in which the wall clock was
// set, frames from before and after lie together: the offset that gives an
// instant between the last one and now is the right one.
func (w *wallToBoot) instant(wall, now Micros) Micros {
	at := wall - w.offset
	if at > now || at < w.last {
		if other := wall - w.old; other <= now && other >= w.last {
			at = other
		}
	}
	at = min(max(at, w.last), now)
	w.last = at
	return at
}
