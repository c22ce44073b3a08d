// Command joltsim is the development tool: it simulates drives of invented
// vehicles, writes their traffic and their truth, and scores the detectors
// against it. It is not part of what goes into a vehicle.
package main

import (
	"os"

	"joltwatch/cmd/internal/cli"
)

const description = `Simulate drives of invented vehicles, and score the detectors against the truth.

Exit codes: 0 done; 1 could not be done; 2 wrong usage; 3 done, and aims were missed.`

type commands struct {
	Make   makeCmd   `cmd:"" help:"Simulate a scenario file and write its log, definition, vehicle file and truth."`
	Score  scoreCmd  `cmd:"" help:"Measure the detectors against the truth of simulated drives."`
	Causes causesCmd `cmd:"" help:"Measure what the review says of findings whose cause is known."`
	Week   weekCmd   `cmd:"" help:"Simulate a stay of a week, for soaks: the log goes out as it is driven."`
	cli.Version
}

func main() { os.Exit(run(os.Args[1:])) }

// run runs one command and returns the exit code: 0 done, 1 could not be done,
// 2 wrong usage, 3 done and aims were missed.
func run(args []string) int {
	return cli.Program{Name: "joltsim", Description: description, Commands: &commands{}}.Main(args, os.Stdout, os.Stderr)
}
