package dataset

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/parquet-go/parquet-go"
)

// identity is the columns that say which record a row was.
type identity struct {
	ID      string `parquet:"id"`
	Stay    string `parquet:"stay"`
	Vehicle string `parquet:"vehicle"`
}

// Identities calls add with the vehicle, stay and identity of every row. A file that
// cannot be read is set aside, and its rows are not there.
func (d *Dataset) Identities(ctx context.Context, add func(vehicle, stay, id string) error) error {
	for _, table := range Tables {
		for _, list := range []func(context.Context, string) ([]file, error){d.at.loose, d.at.months} {
			files, err := list(ctx, table)
			if err != nil {
				return err
			}
			for _, f := range files {
				err := d.identities(ctx, table, f, add)
				if bad, ok := errors.AsType[*badFile](err); ok {
					err = d.setAside(ctx, bad.name)
				}
				if err != nil {
					return fmt.Errorf("dataset, %s: %w", f.name, err)
				}
			}
		}
	}
	return nil
}

// identities reads a file twice, so that one that is damaged, in any of its columns,
// gives none.
func (d *Dataset) identities(ctx context.Context, table string, f file, add func(vehicle, stay, id string) error) error {
	in, err := d.at.open(ctx, f.name)
	if err != nil {
		return err
	}
	defer in.Close()
	p, _ := partitionOf(f.name)
	switch table {
	case events:
		err = readAll[eventRow](f.name, in)
	case accounts:
		err = readAll[accountRow](f.name, in)
	default:
		err = readAll[unitRow](f.name, in)
	}
	if err != nil && !errors.Is(err, errNewer) { // of which only the identities are known
		return err
	}
	return eachIdentity(f.name, in, func(r identity) error {
		if p.vehicle != "" {
			r.Vehicle = p.vehicle
		}
		return add(r.Vehicle, r.Stay, r.ID)
	})
}

// readAll reads every row of a file.
func readAll[T row](name string, in *os.File) error {
	c := &cursor[T]{name: name, file: in}
	err := c.start()
	for err == nil && len(c.list) > 0 {
		err = guard(name, c.ahead)
	}
	if c.in != nil {
		c.in.Close()
	}
	return err
}

func eachIdentity(name string, in io.ReaderAt, add func(identity) error) error {
	var r *parquet.GenericReader[identity]
	if err := guard(name, func() error { r = parquet.NewGenericReader[identity](in); return nil }); err != nil {
		return err
	}
	defer r.Close()
	list := make([]identity, aheadRows)
	for ended := false; !ended; {
		n := 0
		err := guard(name, func() (err error) {
			n, err = r.Read(list)
			if ended = err == io.EOF; ended {
				return nil
			}
			return err
		})
		if err != nil {
			return err
		}
		for _, x := range list[:n] {
			if err := add(x); err != nil {
				return err
			}
		}
	}
	return nil
}
