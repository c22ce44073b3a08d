// Joltwatch is left in a vehicle and watches its torque converter clutch: it
// reads CAN traffic, decodes the signals that the vehicle file names, runs the
// detectors and stores what they find. It sends nothing and has no network
// code.
//
// Exit codes: 0 done; 1 the work could not be done (the line on standard error
// says why); 2 wrong usage; 3 done, and something needs attention.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
	"github.com/mattn/go-isatty"
	"github.com/rs/zerolog"
)

// version is set by the linker.
var version = "unversioned"

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

type cli struct {
	Run     runCmd           `cmd:"" help:"Watch: decode, detect and store, from the vehicle's buses or from a recording."`
	Check   checkCmd         `cmd:"" help:"Before leaving it: which roles decode, and what each detector can tell with them."`
	Clock   clockCmd         `cmd:"" help:"Tell a stay what time it is, where the board has no clock of its own."`
	Prepare prepareCmd       `cmd:"" help:"Set up the vehicle's CAN interfaces, listening only (needs the right to)."`
	Mark    markCmd          `cmd:"" help:"Press the driver's button of a running stay from another terminal."`
	Log     string           `enum:"debug,info,warn,error" default:"warn" help:"How much the program says of itself on standard error: ${enum}."`
	Version kong.VersionFlag `help:"Print the version and stop."`
}

// host is what a command needs of the world outside, so that tests can give
// it another.
type host struct {
	ctx    context.Context
	stdin  io.Reader
	stdout io.Writer
	log    zerolog.Logger
}

// attention is an error after which the work is done all the same.
type attention struct{ error }

func main() {
	limitMemory()
	os.Exit(Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// Main runs the program and returns its exit code.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var c cli
	exited := -1
	parser, err := kong.New(&c, kong.Name("joltwatch"), kong.Description(description),
		kong.Vars{"version": version}, kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { exited = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 80}))
	if err != nil {
		fmt.Fprintf(stderr, "joltwatch: %v\n", err)
		return 1
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	k, err := parser.Parse(args)
	if exited >= 0 {
		return exited
	}
	if err != nil {
		fmt.Fprintf(stderr, "joltwatch: %v; see joltwatch --help\n", err)
		return 2
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err = k.Run(&host{ctx: ctx, stdin: stdin, stdout: stdout, log: newLog(stderr, c.Log)})
	var att attention
	switch {
	case err == nil:
		return 0
	case errors.As(err, &att):
		fmt.Fprintf(stderr, "joltwatch: %v\n", err)
		return 3
	default:
		fmt.Fprintf(stderr, "joltwatch: %v\n", err)
		return 1
	}
}

// newLog writes the console form on a terminal, one JSON object a line
// elsewhere.
func newLog(w io.Writer, level string) zerolog.Logger {
	l, err := zerolog.ParseLevel(level)
	if err != nil {
		l = zerolog.WarnLevel
	}
	if f, ok := w.(*os.File); ok && isatty.IsTerminal(f.Fd()) {
		w = zerolog.ConsoleWriter{Out: f}
	}
	return zerolog.New(w).Level(l).With().Timestamp().Logger()
}
