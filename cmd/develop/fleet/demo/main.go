// Demo brings up a demonstration shop with invented vans: their stores are
// written, their couriers deliver them to the shop's server on loopback, and the
// folder is ready for joltshop report. No network beyond loopback is used.
//
//	go run ./cmd/develop/fleet/demo build/shop
//	build/joltshop-engine report build/shop -o build/shop.html
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/develop/fleet/rehearsal"
	"joltwatch/cmd/internal/cli"
)

func main() {
	vans := flag.Int("vans", 20, "number of invented vans")
	days := flag.Int("days", 26, "number of days up to today")
	flag.Parse()
	cli.Tool("demo", func(ctx context.Context) error {
		if flag.NArg() != 1 {
			return cli.Usage("expected a folder for the shop, such as build/shop")
		}
		return run(ctx, flag.Arg(0), *vans, *days, time.Now())
	})
}

func run(ctx context.Context, dir string, vans, days int, now time.Time) error {
	if _, err := os.Stat(dir); err == nil {
		return fmt.Errorf("%s is there already; remove it, or name another folder", dir)
	}
	f := &invented.Fleet{Vehicles: vans, Days: days, LastDay: now, Seed: 39, Planted: 0.25,
		Faults: []invented.Fault{invented.Changed, invented.Worse, invented.Slower, invented.Silent}}
	s := &rehearsal.Shop{Fleet: f, Dir: dir, Vans: filepath.Join(dir, "vans"), Together: 2}
	s.Logf = func(format string, args ...any) { fmt.Fprintf(os.Stderr, "demo: "+format+"\n", args...) }
	fmt.Printf("writing the stores of %d invented vans over %d days\n", vans, days)
	if err := s.Record(ctx); err != nil {
		return err
	}
	fmt.Println("their couriers deliver to the shop's server on loopback")
	if err := s.Deliver(ctx); err != nil {
		return err
	}
	fmt.Println("planted, so that the report can be held against it:")
	for i := range vans {
		if x := f.Truth(i); x != invented.Sound {
			fmt.Printf("  %s  %s\n", f.Name(i), x)
		}
	}
	return nil
}
