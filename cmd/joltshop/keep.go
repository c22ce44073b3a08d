package main

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"time"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/dataset"
)

// laidDown is where records are.
type laidDown struct {
	Dataset string `placeholder:"WHERE" help:"Where records are laid down: a folder or s3://bucket/prefix. Default: dataset in the shop's folder."`
}

// in is where those of the shop in dir are.
func (l laidDown) in(dir string) string { return cmp.Or(l.Dataset, filepath.Join(dir, "dataset")) }

// recordKeep is how long records are kept.
type recordKeep struct {
	Days int `name:"keep-days" default:"1096" placeholder:"DAYS" help:"How long records are kept in the dataset, by whole months; 0 for ever. At least 400, as a vehicle may be without a network for a year. Default: 1096."`
}

// mostDays bounds what is kept for some days: a hundred years. Of three hundred a
// time.Duration has no room, and what is kept would be past its time.
const mostDays = 36_500

func (k recordKeep) check() error {
	if least := int(dataset.LeastKeep.Hours() / 24); k.Days != 0 && (k.Days < least || k.Days > mostDays) {
		return cli.Usage(fmt.Sprintf("--keep-days %d: expected 0 or %d to %d", k.Days, least, mostDays))
	}
	return nil
}

// fileKeep is how long files are kept.
type fileKeep struct {
	Stays int `name:"keep-stay-days" default:"730" placeholder:"DAYS" help:"How long the files of a stay are kept in the shop's folder after the last has come; 0 for ever. Default: 730."`
	Parts int `name:"keep-part-days" default:"30" placeholder:"DAYS" help:"How long the server keeps parts of a file of which the rest has not come. What has come whole is kept until it is taken in, however long. Default: 30."`
}

func (k fileKeep) check() error {
	switch {
	case k.Stays < 0 || k.Stays > mostDays:
		return cli.Usage(fmt.Sprintf("--keep-stay-days %d: expected 0 to %d", k.Stays, mostDays))
	case k.Parts < 1 || k.Parts > mostDays:
		return cli.Usage(fmt.Sprintf("--keep-part-days %d: expected 1 to %d", k.Parts, mostDays))
	}
	return nil
}

func days(n int) time.Duration { return time.Duration(n) * 24 * time.Hour }

// tidyEvery is how often the dataset is looked at.
const tidyEvery = time.Hour

// tidying tidies a dataset every so often, as every does.
func (k recordKeep) tidying(ctx context.Context, data *dataset.Dataset, logf func(string, ...any)) (stop func()) {
	return every(ctx, tidyEvery, func(ctx context.Context) {
		if err := k.tidy(ctx, data, time.Now(), logf); err != nil && ctx.Err() == nil {
			logf("%v; it is tried again in an hour", err)
		}
	})
}

// every calls f now and again after each wait, beside the caller, until the context ends
// or stop is called, which waits for it.
func every(ctx context.Context, wait time.Duration, f func(context.Context)) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			f(ctx)
			select {
			case <-ctx.Done():
			case <-time.After(wait):
			}
		}
	}()
	return func() {
		cancel()
		<-done
	}
}

// tidy brings the days together that have ended and lets go of what is past its time.
func (k recordKeep) tidy(ctx context.Context, data *dataset.Dataset, now time.Time, logf func(string, ...any)) error {
	done, err := data.Compact(ctx, now)
	for _, x := range done {
		logf("dataset: %s of %s brought together: %d files of %.1f MB are one of %.1f MB", x.Table, x.Month, x.Files, float64(x.Bytes)/1e6, float64(x.Now)/1e6)
	}
	if err != nil || k.Days == 0 {
		return err
	}
	gone, err := data.LetGo(ctx, now.Add(-days(k.Days)))
	if gone > 0 {
		logf("dataset: %d files of months past their time were let go", gone)
	}
	return err
}

type tidyCmd struct {
	Shop string `arg:"" placeholder:"SHOP" help:"The shop's folder, or its dataset: a folder or s3://bucket/prefix."`
	recordKeep
}

// Help implements kong's long help.
func (tidyCmd) Help() string {
	return `Brings the days of the dataset that have ended (UTC) together into one file for each
table and month, and lets go of months that are past --keep-days. serve and intake do so
by themselves every hour; this does it now, also beside them. It may be stopped at any
time.`
}

// Run tidies once.
func (c *tidyCmd) Run(h *host) error {
	if err := c.check(); err != nil {
		return err
	}
	where, err := shopDataset(c.Shop)
	if err != nil {
		return err
	}
	data, err := dataset.Open(where)
	if err != nil {
		return err
	}
	err = c.tidy(h.ctx, data, time.Now(), func(format string, v ...any) { fmt.Fprintf(h.stdout, format+"\n", v...) })
	for _, name := range data.Damaged() {
		fmt.Fprintf(h.stderr, "joltshop: %s could not be read and was set aside\n", name)
	}
	return err
}

// heldRemark says from when on the dataset has rows.
func heldRemark(folder, first string) (string, error) {
	held, err := dataset.HeldFrom(folder)
	switch {
	case err != nil:
		return "", fmt.Errorf("%s: %w", filepath.Clean(folder), err)
	case first == "":
		return "", nil
	case held == "":
		return "the dataset has records from " + first + " on; nothing was let go", nil
	}
	return "the dataset has records from " + first + " on; what was filed before " + held + " was let go, past its time", nil
}
