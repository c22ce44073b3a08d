package main

import (
	"os"
	"runtime/debug"
)

// memoryLimit keeps the program within 32 MiB resident with a look-back of 60 s
// on a full bus (cmd/develop/resident measures it over a day): the look-back's ring is
// most of what lives, and the garbage collector would otherwise let the heap grow to
// twice that. It is passed by up to 2 MiB for a moment where an event is written or
// room is made; the rest of the 32 MiB is the program's own pages.
const memoryLimit = 23 << 20

// limitMemory leaves a limit that the environment sets (GOMEMLIMIT) alone.
func limitMemory() {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(memoryLimit)
	}
}
