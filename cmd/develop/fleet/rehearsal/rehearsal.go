// Package rehearsal carries an invented fleet through the real way to a shop: each
// vehicle's store is written, its courier delivers it to the shop's own server on
// this machine's loopback, and the intake lays it down. The demonstration and the
// scale run are made of it.
package rehearsal

import (
	"context"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/joltship/courier"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/intake"
	"joltwatch/cmd/joltshop/server"
)

// Shop is a shop's folder and the vehicles that deliver to it.
type Shop struct {
	Fleet *invented.Fleet
	// Dir is the shop's folder; Vans holds a folder for each vehicle.
	Dir, Vans string
	// Ship makes one visit of the courier with that file; nil does it in this
	// process.
	Ship func(ctx context.Context, config string) error
	// Logf is told what went wrong; nil for nobody.
	Logf func(string, ...any)
	// Together is how many couriers come at once, 1 where it is 0.
	Together int
}

func (s *Shop) van(i int) string { return filepath.Join(s.Vans, s.Fleet.Name(i)) }

// Record writes the stores of all vehicles.
func (s *Shop) Record(ctx context.Context) error {
	var g errgroup.Group
	g.SetLimit(8) // waiting for the medium is most of it
	for i := range s.Fleet.Vehicles {
		g.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := os.MkdirAll(s.van(i), 0o700); err != nil {
				return err
			}
			return s.Fleet.Store(i, filepath.Join(s.van(i), "stay"))
		})
	}
	return g.Wait()
}

// Deliver starts the shop's server, enrols the vehicles, has each courier make a
// visit, and stops the server once all that was sent has been laid down. The
// courier of a vehicle that is to be silent never comes.
func (s *Shop) Deliver(ctx context.Context) (err error) {
	if s.Ship == nil {
		s.Ship = inProcess
	}
	if err := s.groups(); err != nil {
		return err
	}
	srv, err := server.Start(server.Options{Dir: s.Dir, Listen: "127.0.0.1:0", Enrol: "127.0.0.1:0", Logf: s.Logf})
	if err != nil {
		return err
	}
	defer srv.Close()
	data, err := dataset.Open(filepath.Join(s.Dir, "dataset"))
	if err != nil {
		return err
	}
	conn, err := srv.Connect()
	if err != nil {
		return err
	}
	defer conn.Close()

	taking, stop := context.WithCancel(ctx)
	idle := make(chan struct{}, 1)
	var took sync.WaitGroup
	var failed error
	took.Go(func() {
		failed = intake.Run(taking, intake.Options{Conn: conn, Dir: s.Dir, Dataset: data, Logf: s.Logf, Idle: func() {
			select {
			case idle <- struct{}{}:
			default:
			}
		}})
	})
	defer func() {
		stop()
		took.Wait()
		if err == nil {
			err = failed
		}
	}()

	var g errgroup.Group
	g.SetLimit(max(1, s.Together))
	for i := range s.Fleet.Vehicles {
		g.Go(func() error {
			config, err := s.enrol(i, srv.URL())
			if err != nil {
				return err
			}
			if s.Fleet.Truth(i) == invented.Silent {
				return nil
			}
			if err := s.Ship(ctx, config); err != nil {
				return fmt.Errorf("%s: %w", s.Fleet.Name(i), err)
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	// Idle twice from now on: the first may have been before the last record.
	for range 2 {
		select {
		case <-idle:
		case <-time.After(30 * time.Second):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// enrol makes a vehicle of this machine known to the server and writes its
// courier's file.
func (s *Shop) enrol(i int, url string) (config string, err error) {
	name, dir := s.Fleet.Name(i), s.van(i)
	token, err := server.Local(s.Dir, name)
	if err != nil {
		return "", err
	}
	if err := os.WriteFile(filepath.Join(dir, "token"), []byte(token+"\n"), 0o600); err != nil {
		return "", err
	}
	config = filepath.Join(dir, "courier.toml")
	text := fmt.Sprintf("vehicle = %q\nservers = [%q]\nstore = %q\nstate = %q\ntoken = %q\n", name, url,
		filepath.Join(dir, "stay"), filepath.Join(dir, "state"), filepath.Join(dir, "token"))
	return config, os.WriteFile(config, []byte(text), 0o600)
}

func inProcess(ctx context.Context, config string) error {
	c, err := courier.Load(config)
	if err != nil {
		return err
	}
	x, err := courier.New(c, zerolog.Nop())
	if err != nil {
		return err
	}
	_, err = x.Deliver(ctx)
	return err
}

// groups writes which vehicle is of which kind, for the report.
func (s *Shop) groups() error {
	if err := os.MkdirAll(s.Dir, 0o700); err != nil {
		return err
	}
	f, err := os.Create(filepath.Join(s.Dir, "groups.csv"))
	if err != nil {
		return err
	}
	defer f.Close()
	w := csv.NewWriter(f)
	w.Write([]string{"vehicle", "kind"})
	for i := range s.Fleet.Vehicles {
		w.Write([]string{s.Fleet.Name(i), s.Fleet.Group(i)})
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return err
	}
	return f.Close()
}
