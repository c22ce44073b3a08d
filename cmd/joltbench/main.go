// Joltbench is for the bench: it reads what joltwatch stored in a vehicle and
// shows what was caught, with its traces, and how sure "nothing" is. It
// changes no store and uses no network.
//
// Exit codes: 0 done; 1 the work could not be done (the line on standard error
// says why); 2 wrong usage; 3 done, and something needs attention (the store is
// damaged in places). verify returns 3 for repaired and 4 for damaged.
package main

import (
	"context"
	"io"
	"os"
	_ "time/tzdata" // --zone works where the computer has no zone database

	"joltwatch/cmd/internal/cli"
)

const description = `Review a stay: what the monitor caught in a vehicle, what the evidence looks
like, and how sure "nothing caught" is.

Start with these on a store directory:
  joltbench summary my-stay              was it awake, and what did it see
  joltbench events my-stay               what it found
  joltbench report my-stay -o week.html  traces and distributions, in one page
  joltbench letter my-stay -o letter.html   one page for the customer
  joltbench figure my-stay -o event.png     one event as a picture

Exit codes: 0 done; 1 could not be done; 2 wrong usage; 3 done, but the store
needs attention.

Cautions: findings are consistent with causes and never a verdict on a part; the
maker's service information decides. Pressure and stall tests, and any repair,
follow the maker's instructions, local rules and licensed practice.`

type commands struct {
	Summary summaryCmd `cmd:"" help:"Was it awake, what did it see, how sure is nothing."`
	Events  eventsCmd  `cmd:"" help:"List what was found."`
	Report  reportCmd  `cmd:"" help:"Write the whole review as one page, with traces."`
	Figure  figureCmd  `cmd:"" help:"Draw one event as a picture: SVG or PNG."`
	Defs    defsCmd    `cmd:"" help:"List definition files, and check them against a recording."`
	Letter  letterCmd  `cmd:"" help:"Write one page in plain words for the customer."`
	Recipe  recipeCmd  `cmd:"" help:"On what late releases depend, and how to make one happen again."`
	Verify  verifyCmd  `cmd:"" help:"Check every byte of a store: intact, repaired or damaged."`
	Compare compareCmd `cmd:"" help:"Set two stays side by side: before and after, or two vehicles."`
	Export  exportCmd  `cmd:"" help:"Write events, values or raw frames for other tools: CSV, Parquet, text log."`
	Watch   watchCmd   `cmd:"" help:"Follow a running stay on the terminal."`
	Find    findCmd    `cmd:"" help:"Find the signals of a vehicle nobody has documented, in a recording."`
	cli.Version
}

// host is what a command needs of the world outside.
type host struct {
	ctx    context.Context
	stdout io.Writer
	stderr io.Writer
}

func main() { os.Exit(Main(os.Args[1:], os.Stdout, os.Stderr)) }

// Main runs the program and returns its exit code.
func Main(args []string, stdout, stderr io.Writer) int {
	return cli.Program{Name: "joltbench", Description: description, Commands: &commands{},
		Host: func(ctx context.Context) any { return &host{ctx: ctx, stdout: stdout, stderr: stderr} },
	}.Main(args, stdout, stderr)
}
