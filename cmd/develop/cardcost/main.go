// Cardcost measures what a drive costs the card: it is replayed at the pace at which it
// was driven into a store on a real ext4, in the emulated machine, and the kernel says
// what it has written to the disk for that (/proc/diskstats). The file system's journal,
// its tables and its own timed writing are in it.
//
//	go run ./cmd/develop/cardcost
//
// It takes as long as the drive, seven minutes, and needs what .ci/vm/build needs, and
// mkfs.ext4. With -program another build of joltwatch is measured.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"

	"joltwatch/cmd/internal/cli"
)

func main() {
	cli.Tool("cardcost", func(context.Context) error { return run(os.Args[1:]) })
}

func run(args []string) error {
	if len(args) == 2 && args[0] == "inside" {
		return inside(args[1])
	}
	set := flag.NewFlagSet("cardcost", flag.ExitOnError)
	program := set.String("program", "", "a static build of joltwatch; this source's by default")
	drive := set.String("drive", "testdata/van", "the folder of the drive")
	set.Parse(args) //nolint:errcheck // exits
	if set.NArg() > 0 {
		return fmt.Errorf("%q is one argument too many: the drive is given with -drive FOLDER", set.Arg(0))
	}
	work, err := os.MkdirTemp("", "cardcost")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	return outside(work, *program, *drive)
}

// outside makes the disk and the programs, and starts the machine.
func outside(work, program, drive string) error {
	disk, self, recorder := filepath.Join(work, "disk"), filepath.Join(work, "cardcost"), filepath.Join(work, "joltwatch")
	steps := [][]string{
		{"go", "build", "-o", self, "./cmd/develop/cardcost"},
		{"go", "build", "-o", recorder, "./cmd/joltwatch"},
		// Of 512 MiB on, mkfs makes blocks of 4 KiB, as on any card; of 1 KiB on a smaller one.
		{"truncate", "-s", "1G", disk},
		// What is made ready later would count.
		{"mkfs.ext4", "-q", "-E", "lazy_itable_init=0,lazy_journal_init=0", disk},
		{".ci/vm/boot", "-t", "1800", "-d", disk, "-f", recorder, "-f", drive, self, "inside", filepath.Base(drive)},
	}
	if program != "" {
		steps[1] = []string{"cp", program, recorder}
	}
	for _, s := range steps {
		cmd := exec.Command(s[0], s[1:]...)
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
		cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
		if err := cmd.Run(); err != nil {
			return fmt.Errorf("%s: %w", s[0], err)
		}
	}
	return nil
}
