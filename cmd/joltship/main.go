// Joltship is the courier of a fleet: it reads what joltwatch has stored in a
// vehicle and delivers it to the shop's server when a network is there. It is a
// separate program for a separate user; it opens no bus and changes no setting of
// the vehicle. From the network it takes nothing but the server's answers to
// what it sent.
//
// Exit codes: 0 done; 1 could not be done (the line on standard error says why);
// 2 wrong usage; 3 done, and something still waits to be delivered.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"time"

	"github.com/rs/zerolog"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltship/courier"
)

const description = `Deliver what was recorded in a vehicle to the shop's server.

  joltship enrol --config FILE --shop URL --code CODE --fingerprint HEX
                                  once, with the code that the shop gave you
  joltship once --config FILE     deliver what there is, now
  joltship run --config FILE      deliver whenever there is something, until stopped
  joltship status --config FILE   what was delivered and what waits

FILE is TOML:
  vehicle = "van-07"                        # the name it is enrolled under
  servers = ["tls://shop.example:4422"]     # one, or several of a cluster
  store = "/var/lib/joltwatch/stay"         # only read
  state = "/var/lib/joltship"
  budget_mb_per_day = 200                   # 0: no bound
  hours = "20:00-06:00"                     # by the board's clock; "": any time

It reads files and has no access to any bus. Nothing from the network changes the
vehicle's settings. The local copy stays, unless remove_delivered = true; then
evidence goes once the server has confirmed that it is on its medium.

Recordings belong to a stay that the customer has agreed to; so does sending them.

Exit codes: 0 done; 1 could not be done; 2 wrong usage; 3 something still waits.`

type commands struct {
	Log    string    `default:"info" enum:"debug,info,warn,error" help:"How much to log: ${enum}."`
	Run    runCmd    `cmd:"" help:"Deliver whenever there is something and a network, until stopped."`
	Once   onceCmd   `cmd:"" help:"Deliver what there is, once."`
	Status statusCmd `cmd:"" help:"Say what was delivered and what waits."`
	Enrol  enrolCmd  `cmd:"" help:"Get this vehicle's certificate with the shop's one-time code."`
	cli.Version
}

// host is what a command needs of the world outside.
type host struct {
	ctx    context.Context
	stdout io.Writer
	log    zerolog.Logger
}

func main() { os.Exit(Main(os.Args[1:], os.Stdout, os.Stderr)) }

// Main runs the program and returns its exit code.
func Main(args []string, stdout, stderr io.Writer) int {
	var c commands
	return cli.Program{Name: "joltship", Description: description, Commands: &c,
		Host: func(ctx context.Context) any { return &host{ctx, stdout, cli.Log(stderr, c.Log)} },
	}.Main(args, stdout, stderr)
}

// configFlag is the flag that all commands share.
type configFlag struct {
	Config string `required:"" placeholder:"FILE" help:"The courier's file (TOML)."`
}

func (f *configFlag) courier(h *host) (*courier.Config, *courier.Courier, error) {
	config, err := courier.Load(f.Config)
	if err != nil {
		return nil, nil, err
	}
	c, err := courier.New(config, h.log)
	return config, c, err
}

type onceCmd struct {
	configFlag
	JSON bool `help:"One JSON object."`
}

// Run makes one visit, whatever the hours.
func (o *onceCmd) Run(h *host) error {
	config, c, err := o.courier(h)
	if err != nil {
		return err
	}
	renewing(h, config)
	did, err := c.Deliver(h.ctx)
	if err != nil {
		return err
	}
	if o.JSON {
		err = json.NewEncoder(h.stdout).Encode(did)
	} else {
		_, err = fmt.Fprintf(h.stdout, "delivered %d records, and %d files of %d bytes; %d bytes over the link\n", did.Records, did.Files, did.FileBytes, did.LinkBytes)
	}
	if err == nil && did.Nothing {
		err = cli.Attention(errors.New(did.Waits + "; expected the store of joltwatch run, as store in the courier's file"))
	}
	if err == nil && did.LeftRecords+did.LeftFiles > 0 {
		err = cli.Attention(fmt.Errorf("%d records and %d files (%d bytes) wait: %s", did.LeftRecords, did.LeftFiles, did.LeftBytes, did.Waits))
	}
	return err
}

type runCmd struct{ configFlag }

// Run visits the server again and again, less often while it fails.
func (r *runCmd) Run(h *host) error {
	config, c, err := r.courier(h)
	if err != nil {
		return err
	}
	failures := 0
	for {
		wait := time.Duration(config.EveryMin * float64(time.Minute))
		if c.Due(time.Now()) {
			renewing(h, config)
			did, err := c.Deliver(h.ctx)
			switch {
			case h.ctx.Err() != nil:
				return nil
			case err != nil && (did.Records+did.Files > 0 || did.Confirmed > 0):
				// The link carries something: it is gone on with at once.
				failures, wait = 0, backOff(0, wait)/10
				h.log.Info().Err(err).Int("records", did.Records).Int("files", did.Files).Int64("confirmed", did.Confirmed).Msg("delivered in part")
			case err != nil:
				wait = backOff(failures, wait)
				failures++
				h.log.Warn().Err(err).Int("left_records", did.LeftRecords).Int("left_files", did.LeftFiles).Str("again_in", wait.Round(time.Second).String()).Msg("not delivered")
			default:
				failures = 0
				if did.Records+did.Files > 0 || did.Waits != "" {
					h.log.Info().Int("records", did.Records).Int("files", did.Files).Int64("bytes", did.Bytes).Str("waits", did.Waits).Msg("delivered")
				}
			}
		}
		select {
		case <-h.ctx.Done():
			return nil
		case <-time.After(wait):
		}
	}
}

// renewing renews the vehicle's certificate where that is due. What goes wrong is
// logged and tried again at the next visit: the certificate is still valid.
func renewing(h *host, config *courier.Config) {
	until, err := renew(h.ctx, config, time.Now())
	switch {
	case err != nil && h.ctx.Err() == nil:
		h.log.Warn().Err(err).Msg("the certificate was not renewed")
	case !until.IsZero():
		h.log.Info().Str("until", until.Format(time.DateOnly)).Msg("the certificate was renewed")
	}
}

// backOff is how long to wait after a failure: from half a minute, doubling up to
// an hour or, where that is longer, the ordinary wait; and half as much to half
// as much again, so that a hundred vans do not come at once.
func backOff(failures int, ordinary time.Duration) time.Duration {
	d := min(30*time.Second<<min(failures, 10), max(time.Hour, ordinary))
	return d/2 + rand.N(d)
}

type statusCmd struct {
	configFlag
	JSON bool `help:"One JSON object."`
}

// Run says how things stand; it opens no connection.
func (s *statusCmd) Run(h *host) error {
	_, c, err := s.courier(h)
	if err != nil {
		return err
	}
	st, err := c.Status()
	if err != nil {
		return err
	}
	if s.JSON {
		return json.NewEncoder(h.stdout).Encode(st)
	}
	fmt.Fprintf(h.stdout, "vehicle %s\n", st.Vehicle)
	fmt.Fprintf(h.stdout, "delivered: %d records, and %d files of %d bytes\n", st.Records, st.Files, st.FileBytes)
	fmt.Fprintf(h.stdout, "waits: %d records, and %d files of %d bytes\n", st.LeftRecords, st.LeftFiles, st.LeftBytes)
	if st.LastAt.IsZero() {
		fmt.Fprintln(h.stdout, "never delivered everything yet")
	} else {
		fmt.Fprintf(h.stdout, "last delivered everything at %s\n", st.LastAt.Format(time.RFC3339))
	}
	if st.Failure != "" {
		fmt.Fprintf(h.stdout, "the last visit failed: %s\n", st.Failure)
	}
	return nil
}
