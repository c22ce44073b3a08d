// Powercut proves by cutting that a store survives the loss of power: a real
// kernel and ext4 run in an emulated machine, a drive is replayed into a store
// there, the emulator is killed at a random moment, and after the next start
// everything that had been acknowledged must be on file.
//
//	go run ./cmd/develop/powercut -n 200
//
// The machine is started once and its state kept, so that each cut costs
// seconds: mount, check, replay, kill. The same program runs inside, as
// "powercut list" and "powercut replay". It needs what .ci/vm/build needs, and
// mkfs.ext4.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"

	"joltwatch/cmd/internal/cli"
)

func main() {
	cli.Tool("powercut", func(context.Context) error { return run(os.Args[1:]) })
}

func run(args []string) error {
	if len(args) == 2 && args[0] == "list" {
		return list(args[1])
	}
	if len(args) == 5 && args[0] == "replay" {
		return replay(args[1], args[2], args[3], args[4])
	}
	set := flag.NewFlagSet("powercut", flag.ExitOnError)
	n := set.Int("n", 6, "how often the power is cut")
	seed := set.Uint64("seed", 1, "of the moments")
	drive := set.String("drive", "testdata/van", "the folder of the drive that is replayed")
	work := set.String("work", "build/powercut", "where the machine's state and disk are kept")
	set.Parse(args) //nolint:errcheck // exits
	if set.NArg() > 0 {
		return fmt.Errorf("unexpected argument %q", set.Arg(0))
	}
	return cutOften(*n, *seed, *drive, *work)
}
