package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/intake"
	"joltwatch/cmd/joltshop/server"
)

type serveCmd struct {
	Dir       string   `required:"" type:"path" placeholder:"DIR" help:"The shop's folder; it is made where there is none."`
	Listen    string   `default:"127.0.0.1:4422" placeholder:"HOST:PORT" help:"Where couriers deliver. Beyond this machine only with --tls."`
	Enrol     string   `name:"enrol-listen" default:"127.0.0.1:4423" placeholder:"HOST:PORT" help:"Where vehicles enrol, over HTTPS."`
	TLS       bool     `name:"tls" help:"Demand the shop's certificates of every vehicle."`
	Name      []string `placeholder:"NAME" help:"A DNS name or address by which vehicles reach this machine; repeatable. The first is told to them."`
	MaxMB     int64    `name:"max-mb" placeholder:"MB" help:"The most that deliveries take on disk, in megabytes; beyond it they are refused and wait in the vehicles. Default: the disk."`
	VehicleMB int64    `name:"vehicle-mb" default:"2000" placeholder:"MB" help:"The most that one vehicle's files take on disk until they are taken in, in megabytes; one that passes it is kept away for an hour."`
	laidDown
	recordKeep
	fileKeep
}

// Help implements kong's long help.
func (serveCmd) Help() string {
	return `Runs until interrupted: takes in what couriers deliver, and enrols vehicles. By itself
it is reached from this machine only. For a shop's network:
  joltshop serve --dir my-shop --tls --name shop.example --listen :4422 --enrol-listen :4423
and then, once for each vehicle, while it runs:
  joltshop enrol van-07 --dir my-shop
The folder holds the key of the shop's certificate authority and the records of all
vehicles: keep it where only the shop reads, and back it up.`
}

// Run serves until the program is told to stop.
func (c *serveCmd) Run(h *host) (err error) {
	logf := func(format string, v ...any) {
		fmt.Fprintf(h.stderr, "%s %s\n", time.Now().UTC().Format(time.RFC3339), fmt.Sprintf(format, v...))
	}
	if c.MaxMB < 0 || c.VehicleMB < 0 {
		return cli.Usage("--max-mb and --vehicle-mb: expected 0 or more")
	}
	if err := cmp.Or(c.recordKeep.check(), c.fileKeep.check()); err != nil {
		return err
	}
	s, err := server.Start(server.Options{Dir: c.Dir, Listen: c.Listen, Enrol: c.Enrol, TLS: c.TLS, Names: c.Name, MaxBytes: c.MaxMB * 1e6, Logf: logf,
		Quota: server.Quota{WaitingBytes: uint64(c.VehicleMB) * 1e6}})
	if err != nil {
		return err
	}
	defer s.Close()
	data, err := dataset.Open(c.in(c.Dir))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, data.Close()) }()
	conn, err := s.Connect()
	if err != nil {
		return err
	}
	defer conn.Close()
	fmt.Fprintf(h.stdout, "couriers deliver to   %s\nvehicles enrol at     %s\nauthority (SHA-256)   %s\n", s.URL(), s.EnrolURL(), s.CAFingerprint())
	fmt.Fprintf(h.stdout, "enrol a vehicle with  joltshop enrol NAME --dir %s\nstop with Ctrl-C; what was confirmed stays\n", c.Dir)
	ctx, cancel := context.WithCancelCause(h.ctx)
	defer cancel(nil)
	go func() {
		select {
		case <-s.Failed():
			cancel(fmt.Errorf("%s: nothing more can be stored, the disk is full or broken; make room and start again; what was confirmed stays", c.Dir))
		case <-ctx.Done():
		}
	}()
	defer c.tidying(ctx, data, logf)()
	if err := intake.Run(ctx, intake.Options{Conn: conn, Dir: c.Dir, Dataset: data, Alone: true, Refuse: refuser(c.Dir, logf),
		KeepParts: days(c.Parts), KeepStays: days(c.Stays), Logf: logf}); err != nil {
		return err
	}
	if h.ctx.Err() == nil {
		return context.Cause(ctx)
	}
	return nil
}

// refuser keeps away, in the shop's folder, a vehicle that has passed its quota.
func refuser(dir string, logf func(string, ...any)) func(vehicle, why string, until time.Time) {
	return func(vehicle, why string, until time.Time) {
		logf("vehicle %s: kept away until %s: %s", vehicle, until.Format(time.RFC3339), why)
		if err := server.Refuse(dir, vehicle, why, time.Now(), until); err != nil {
			logf("vehicle %s: %v", vehicle, err)
		}
	}
}
