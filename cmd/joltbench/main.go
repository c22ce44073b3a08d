// Joltbench is for the bench: it reads what joltwatch stored in a vehicle and
// shows what was caught, with its traces, and how sure "nothing" is. It
// changes no store. Only the commands under shop use a network.
//
// Exit codes: 0 done; 1 the work could not be done (the line on standard error
// says why); 2 wrong usage; 3 done, and something needs attention (the store is
// damaged in places). verify returns 3 for repaired and 4 for damaged.
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
)

// version is set by the linker.
var version = "unversioned"

const description = `Review a stay: what the monitor caught in a vehicle, what the evidence looks
like, and how sure "nothing caught" is.

Start with these on a store directory:
  joltbench summary my-stay              was it awake, and what did it see
  joltbench events my-stay               what it found
  joltbench report my-stay -o week.html  traces and distributions, in one page
  joltbench letter my-stay -o letter.html   one page for the customer

Exit codes: 0 done; 1 could not be done; 2 wrong usage; 3 done, but the store
needs attention.

Cautions: findings are consistent with causes and never a verdict on a part; the
maker's service information decides. Pressure and stall tests, and any repair,
follow the maker's instructions, local rules and licensed practice.`

type cli struct {
	Summary summaryCmd       `cmd:"" help:"Was it awake, what did it see, how sure is nothing."`
	Events  eventsCmd        `cmd:"" help:"List what was found."`
	Report  reportCmd        `cmd:"" help:"Write the whole review as one page, with traces."`
	Defs    defsCmd          `cmd:"" help:"List definition files, and check them against a recording."`
	Letter  letterCmd        `cmd:"" help:"Write one page in plain words for the customer."`
	Verify  verifyCmd        `cmd:"" help:"Check every byte of a store: intact, repaired or damaged."`
	Compare compareCmd       `cmd:"" help:"Set two stays side by side: before and after, or two vehicles."`
	Export  exportCmd        `cmd:"" help:"Write events, values or raw frames for other tools: CSV, Parquet, text log."`
	Watch   watchCmd         `cmd:"" help:"Follow a running stay on the terminal."`
	Find    findCmd          `cmd:"" help:"Find the signals of a vehicle nobody has documented, in a recording."`
	Shop    shopCmd          `cmd:"" help:"Many vehicles: what a shop asks of its fleet."`
	Version kong.VersionFlag `help:"Print the version and stop."`
}

// host is what a command needs of the world outside.
type host struct {
	ctx    context.Context
	stdout io.Writer
	stderr io.Writer
}

// attention is an error after which the work is done all the same.
type attention struct{ error }

// usage is an error in how the program was called.
type usage string

func (u usage) Error() string { return string(u) }

func main() { os.Exit(Main(os.Args[1:], os.Stdout, os.Stderr)) }

// Main runs the program and returns its exit code.
func Main(args []string, stdout, stderr io.Writer) int {
	var c cli
	exited := -1
	parser, err := kong.New(&c, kong.Name("joltbench"), kong.Description(description),
		kong.Vars{"version": version}, kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { exited = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 80}))
	if err != nil {
		fmt.Fprintf(stderr, "joltbench: %v\n", err)
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
		fmt.Fprintf(stderr, "joltbench: %v; see joltbench --help\n", err)
		return 2
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err = k.Run(&host{ctx: ctx, stdout: stdout, stderr: stderr})
	var att attention
	var wrong usage
	var bad damaged
	switch {
	case err == nil:
		return 0
	case errors.As(err, &bad):
		fmt.Fprintf(stderr, "joltbench: %v\n", err)
		return 4
	case errors.As(err, &att):
		fmt.Fprintf(stderr, "joltbench: %v\n", err)
		return 3
	case errors.As(err, &wrong):
		fmt.Fprintf(stderr, "joltbench: %v; see joltbench --help\n", err)
		return 2
	default:
		fmt.Fprintf(stderr, "joltbench: %v\n", err)
		return 1
	}
}
