package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/intake"
	"joltwatch/cmd/joltshop/server"
)

type intakeCmd struct {
	Dir      string   `required:"" type:"existingdir" placeholder:"DIR" help:"The shop's folder, in which the vehicles are enrolled."`
	Server   []string `placeholder:"URL" help:"A server of the cluster, tls://HOST:PORT; repeatable. nats:// only on this machine."`
	CA       string   `name:"ca" type:"existingfile" placeholder:"FILE" help:"Who certifies the cluster's servers, in PEM. Default: the shop's own authority."`
	Replicas int      `default:"3" help:"On how many servers each thing is kept, 1 to 5."`
	laidDown
	recordKeep
	fileKeep
	Rights bool `help:"Print the vehicles' rights for the configuration of the cluster's servers, and stop."`
}

// Help implements kong's long help.
func (intakeCmd) Help() string {
	return `Where a cluster of NATS servers with JetStream takes in what couriers deliver, in
place of joltshop serve. The cluster's servers need, in their configuration,
  tls { cert_file: …, key_file: …, ca_file: the shop's ca.pem, verify_and_map: true }
and what --rights prints; print it again whenever a vehicle was enrolled, renewed or
struck off, and have the servers read it (nats-server --signal reload), best by a timer,
as vehicles renew their certificates by themselves. Vehicles enrol with joltshop serve
--tls as before, and name the cluster's servers in the courier's file (with ca, where
the shop has not certified them). Example:
  joltshop intake --dir my-shop --rights > rights.conf
  joltshop intake --dir my-shop --server tls://a.example:4222 --server tls://b.example:4222`
}

// Run takes in until the program is told to stop.
func (c *intakeCmd) Run(h *host) (err error) {
	if c.Replicas < 1 || c.Replicas > 5 {
		return cli.Usage(fmt.Sprintf("--replicas %d: expected 1 to 5", c.Replicas))
	}
	if err := cmp.Or(c.recordKeep.check(), c.fileKeep.check(), server.IsShop(c.Dir)); err != nil {
		return err
	}
	if c.Rights {
		text, err := server.Rights(c.Dir)
		if err != nil {
			return err
		}
		_, err = fmt.Fprint(h.stdout, text)
		return err
	}
	logf := func(format string, v ...any) {
		fmt.Fprintf(h.stderr, "%s %s\n", time.Now().UTC().Format(time.RFC3339), fmt.Sprintf(format, v...))
	}
	conn, err := c.connect()
	if err != nil {
		return err
	}
	defer conn.Close()
	js, err := jetstream.New(conn, jetstream.WithDefaultTimeout(10*time.Second))
	if err != nil {
		return err
	}
	// A cluster that has just been started answers nothing until it has a leader.
	for err := server.EnsureStreams(h.ctx, js, c.Replicas); err != nil; err = server.EnsureStreams(h.ctx, js, c.Replicas) {
		logf("%v; it is tried again", err)
		select {
		case <-h.ctx.Done():
			return nil
		case <-time.After(leaderWait):
		}
	}
	data, err := dataset.Open(c.in(c.Dir))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, data.Close()) }()
	enrolled, err := server.Enrolled(c.Dir)
	if err != nil {
		return err
	}
	fmt.Fprintf(h.stdout, "taking in from %s, %d vehicles\nstop with Ctrl-C; what was confirmed stays\n", strings.Join(c.Server, ", "), len(enrolled))
	defer every(h.ctx, lookEvery, func(ctx context.Context) {
		if err := c.look(ctx, js, logf); err != nil && ctx.Err() == nil {
			logf("%v; it is tried again", err)
		}
	})()
	defer c.tidying(h.ctx, data, logf)()
	return intake.Run(h.ctx, intake.Options{Conn: conn, Dir: c.Dir, Dataset: data, Refuse: refuser(c.Dir, logf),
		KeepParts: days(c.Parts), KeepStays: days(c.Stays), Logf: logf})
}

// leaderWait is after how long what the cluster did not answer is tried again, and
// lookEvery how often it is looked what is to be told to vehicles and which take too much.
const (
	leaderWait = 2 * time.Second
	lookEvery  = 10 * time.Second
)

// look tells the vehicles what they have of a shop that was put back, and keeps away those
// whose files that wait take too much: their rights end when the servers next read them.
func (c *intakeCmd) look(ctx context.Context, js jetstream.JetStream, logf func(string, ...any)) error {
	names, err := server.ToldIn(c.Dir)
	if err != nil {
		return err
	}
	for _, n := range names {
		if err := server.PutHeld(ctx, js, c.Dir, n); err != nil {
			return err
		}
	}
	heavy, err := server.Heavy(ctx, js, server.Quota{})
	for vehicle, why := range heavy {
		refuser(c.Dir, logf)(vehicle, why, time.Now().Add(server.TooMuch))
	}
	return err
}

func (c *intakeCmd) connect() (*nats.Conn, error) {
	if len(c.Server) == 0 {
		return nil, cli.Usage("expected --server URL, once for each server of the cluster that is known")
	}
	o := []nats.Option{nats.Name("shop intake"), nats.MaxReconnects(-1), nats.Timeout(10 * time.Second)}
	secure := false
	for _, s := range c.Server {
		u, err := url.Parse(s)
		if err != nil || u.Host == "" || u.Scheme != "tls" && u.Scheme != "nats" || u.User != nil {
			return nil, cli.Usage(fmt.Sprintf("--server %.80q: expected tls://HOST:PORT", s))
		}
		if ip := net.ParseIP(u.Hostname()); u.Scheme == "nats" && u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return nil, cli.Usage(fmt.Sprintf("--server %s is not on this machine: expected tls://", s))
		}
		secure = secure || u.Scheme == "tls"
	}
	if secure {
		t, err := server.IntakeTLS(c.Dir, c.CA)
		if err != nil {
			return nil, err
		}
		o = append(o, nats.Secure(t))
	}
	conn, err := nats.Connect(strings.Join(c.Server, ","), o...)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", strings.Join(c.Server, ", "), err)
	}
	return conn, nil
}
