// Joltwatch is left in a vehicle and watches its torque converter clutch: it
// reads CAN traffic, decodes the signals that the vehicle file names, runs the
// detectors and stores what they find. It sends nothing unless the vehicle file
// turns requests on, and has no network code.
//
// Exit codes: 0 done; 1 the work could not be done (the line on standard error
// says why); 2 wrong usage; 3 done, and something needs attention.
package main

import (
	"context"
	"io"
	"os"

	"github.com/rs/zerolog"

	"joltwatch/cmd/internal/cli"
)

const cautions = `Cautions: fit and read the unit with the vehicle stationary. Secure it and its
cable clear of pedals and airbags. It only listens, unless the vehicle file
turns requests on. A driver marks only when it is safe. Pressure and stall
tests, and any repair, follow the maker's instructions, local rules and licensed
practice. Recording in a customer's vehicle needs the customer's consent.`

const description = `Watch a vehicle's torque converter clutch for the fault that does not happen
while anyone is looking.

Try it on a recording:
  joltwatch run --vehicle van.toml --from drive.log.gz --store my-stay
  joltbench summary my-stay

Exit codes: 0 done; 1 could not be done; 2 wrong usage; 3 needs attention.

` + cautions

type commands struct {
	Run     runCmd     `cmd:"" help:"Watch: decode, detect and store, from the vehicle's buses or from a recording."`
	Check   checkCmd   `cmd:"" help:"Before leaving it: which roles decode, and what each detector can tell with them."`
	Clock   clockCmd   `cmd:"" help:"Tell a stay what time it is, where the board has no clock of its own."`
	Prepare prepareCmd `cmd:"" help:"Set up the vehicle's CAN interfaces, listening only (needs the right to)."`
	Mark    markCmd    `cmd:"" help:"Press the driver's button of a running stay from another terminal."`
	Log     string     `enum:"debug,info,warn,error" default:"warn" help:"How much the program says of itself on standard error: ${enum}."`
	cli.Version
}

// host is what a command needs of the world outside, so that tests can give
// it another.
type host struct {
	ctx    context.Context
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer // for progress; nil for none
	log    zerolog.Logger
}

func main() {
	limitMemory()
	os.Exit(Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// Main runs the program and returns its exit code.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var c commands
	return cli.Program{Name: "joltwatch", Description: description, Commands: &c,
		Host: func(ctx context.Context) any {
			return &host{ctx: ctx, stdin: stdin, stdout: stdout, stderr: stderr, log: cli.Log(stderr, c.Log)}
		},
	}.Main(args, stdout, stderr)
}
