// Command joltsim is the development tool: it simulates drives of invented
// vehicles, writes their traffic and their truth, and scores the detectors
// against it. It is not part of what goes into a vehicle.
package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/alecthomas/kong"
)

type commands struct {
	Make  makeCmd  `cmd:"" help:"Simulate a scenario file and write its log, definition, vehicle file and truth."`
	Score scoreCmd `cmd:"" help:"Measure the detectors against the truth of simulated drives."`
	Week  weekCmd  `cmd:"" help:"Simulate a stay of a week, for soaks: the log goes out as it is driven."`
}

func main() {
	var c commands
	k, err := kong.New(&c, kong.Name("joltsim"),
		kong.Description("Simulates drives of invented vehicles and scores the detectors against the truth."),
		kong.UsageOnError(), kong.Exit(os.Exit))
	if err != nil {
		fmt.Fprintln(os.Stderr, "joltsim:", err)
		os.Exit(1)
	}
	ctx, err := k.Parse(os.Args[1:])
	if err != nil {
		fmt.Fprintf(os.Stderr, "joltsim: %v (joltsim --help lists what there is)\n", err)
		os.Exit(2)
	}
	if err := ctx.Run(); err != nil {
		fmt.Fprintln(os.Stderr, "joltsim:", err)
		var missed missedError
		if errors.As(err, &missed) {
			os.Exit(3)
		}
		os.Exit(1)
	}
}
