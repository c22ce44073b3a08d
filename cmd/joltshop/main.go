// Joltshop is the shop's side of a fleet: the server that couriers deliver to and
// vehicles enrol at, the taking in of what they delivered, and the report of what
// changed. It opens no bus.
//
// Exit codes: 0 done; 1 the work could not be done (the line on standard error
// says why); 2 wrong usage; 3 done, and something needs attention.
package main

import (
	"context"
	"io"
	"os"

	"joltwatch/cmd/internal/cli"
)

const description = `Run the server of a shop with many vehicles, and report on them.

  joltshop serve --dir my-shop            take in what couriers deliver
  joltshop enrol van-07 --dir my-shop     a one-time code for a vehicle
  joltshop report my-shop -o shop.html    what needs doing, and what changed
  joltshop intake --dir my-shop …         take in from a cluster of servers
  joltshop tidy my-shop                   bring ended days together, let old ones go
  joltshop backup --dir my-shop --to DIR  copy the shop while it runs
  joltshop reconcile my-shop              have vehicles send again what it lacks

Exit codes: 0 done; 1 could not be done; 2 wrong usage; 3 needs attention.

Cautions: findings are consistent with causes and never a verdict on a part; the
maker's service information decides. Recording a customer's vehicle, and sending
what was recorded, needs the customer's consent.`

type commands struct {
	Serve     serveCmd     `cmd:"" help:"Run the shop's server: couriers deliver to it, vehicles enrol at it."`
	Enrol     enrolCmd     `cmd:"" help:"Make a one-time code that enrols a vehicle, or strike one off."`
	Report    reportCmd    `cmd:"" help:"What changed, who stands out, what was watched, who is silent or filling up."`
	Intake    intakeCmd    `cmd:"" help:"Take in from a cluster of servers, in place of serve."`
	Backup    backupCmd    `cmd:"" help:"Copy the shop's folder while it runs."`
	Reconcile reconcileCmd `cmd:"" help:"After a backup was put back: have the vehicles send again what is missing."`
	Tidy      tidyCmd      `cmd:"" help:"Bring the days that have ended together, and let go of what is past its time."`
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
	return cli.Program{Name: "joltshop", Description: description, Commands: &commands{},
		Host: func(ctx context.Context) any { return &host{ctx: ctx, stdout: stdout, stderr: stderr} },
	}.Main(args, stdout, stderr)
}
