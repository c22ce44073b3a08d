package dataset

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"golang.org/x/sync/errgroup"
)

// Listed are the files of a table in a local folder.
type Listed struct {
	// Loose are the files of days, Months those of months, with rows of the days that
	// are asked about.
	Loose, Months []string
	// Earlier are the files of months that ended before those days.
	Earlier []string
}

// Days are the first and the last of some days, YYYY-MM-DD.
type Days struct{ First, Last string }

// List returns the files of a table of the days from first to last, by name, and
// enters into filed, by vehicle, between which days up to last there are files of one
// day. What was let go is not listed, whether its files are still there or not.
func List(dir, table string, first, last time.Time, filed map[string]Days) (l Listed, err error) {
	ctx, at := context.Background(), folder(dir)
	from, to := first.Format(time.DateOnly), last.Format(time.DateOnly)
	// In this order: a day that is brought together while it is looked for is found
	// here or there.
	loose, err := at.loose(ctx, table)
	if err != nil {
		return l, err
	}
	made, err := at.months(ctx, table)
	if err != nil {
		return l, err
	}
	held, err := HeldFrom(dir)
	if err != nil {
		return l, err
	}
	for _, f := range loose {
		p, ok := partitionOf(f.name)
		if !ok || p.day > to || p.day < held {
			continue
		}
		was, there := filed[p.vehicle]
		if !there {
			was.First = p.day
		}
		filed[p.vehicle] = Days{min(was.First, p.day), max(was.Last, p.day)}
		if p.day >= from {
			l.Loose = append(l.Loose, at.path(f.name))
		}
	}
	for _, f := range made {
		switch m := monthOf(f.name); {
		case m == "" || m > to[:len(m)] || m+"-01" < held:
		case m < from[:len(m)]:
			l.Earlier = append(l.Earlier, at.path(f.name))
		default:
			l.Months = append(l.Months, at.path(f.name))
		}
	}
	return l, nil
}

// entries lists the folders of a folder whose names begin so, without it; a
// folder that is not there has none.
func entries(dir, begin string) ([]string, error) {
	all, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var list []string
	for _, e := range all {
		if name, ok := strings.CutPrefix(e.Name(), begin); ok && e.IsDir() {
			list = append(list, name)
		}
	}
	return list, nil
}

// There is an error where a dataset is to be a local folder and there is none.
func There(where string) error {
	if strings.HasPrefix(where, "s3://") {
		return nil
	}
	if _, err := os.Stat(where); err != nil {
		return fmt.Errorf("dataset: %w", err)
	}
	return nil
}

// Local returns a local folder in which List finds what it lists for those days: the
// dataset's folder itself, or, for s3://…, the folder cache after it has been brought up to
// date. A file never changes, so only new ones are fetched; of what was filed before those
// days no more is than which days are filed of each vehicle, and of what was after, nothing.
func Local(ctx context.Context, where, cache string, days Days) (string, error) {
	rest, remote := strings.CutPrefix(where, "s3://")
	if !remote {
		return where, There(where)
	}
	b, err := openBucket(rest)
	if err != nil {
		return "", err
	}
	_, err = mirror(ctx, b, folder(cache), days.need)
	return cache, err
}

// need is what is needed of a file.
type need int

const (
	whole need = iota
	// filed is which days are filed of each vehicle.
	filed
	// name is that it is there.
	name
	nothing
)

// need is what List needs of a file for those days.
func (d Days) need(f string) need {
	p, loose := partitionOf(f)
	day, from, to := p.day, d.First, d.Last
	if m := monthOf(f); !loose {
		day, from, to = m, from[:len(m)], to[:len(m)]
	}
	switch {
	case day > to:
		return nothing
	case day >= from:
		return whole
	case loose:
		return name
	}
	return filed
}

func everything(string) need { return whole }

// Copy makes a local folder the same as the dataset at where, which may be written to
// meanwhile: every row that was flushed before is in the copy. It returns how many files
// that has; one that is there already is not copied again.
func Copy(ctx context.Context, where, dir string) (files int, err error) {
	at, err := openPlace(where)
	if err != nil {
		return 0, err
	}
	return mirror(ctx, at, folder(dir), everything)
}

// mirror brings a folder up to date, with what is needed of each file, and returns how
// many there are.
func mirror(ctx context.Context, from place, to folder, of func(string) need) (files int, err error) {
	for tries := 3; ; tries-- {
		// The server may put a file in the place of others while they are fetched.
		if files, err = mirrorOnce(ctx, from, to, of); tries == 1 || !errors.Is(err, fs.ErrNotExist) {
			return files, err
		}
	}
}

// fetchesAtOnce is how many files are fetched at the same time: those of a day that goes on
// are small and many, and a store that is far away takes its time for each.
const fetchesAtOnce = 16

// mirrorOnce fetches in the order in which List reads.
func mirrorOnce(ctx context.Context, from place, to folder, of func(string) need) (int, error) {
	kept := map[string]bool{}
	for _, table := range Tables {
		for _, list := range []func(context.Context, string) ([]file, error){from.loose, from.months} {
			files, err := list(ctx, table)
			if err != nil {
				return 0, err
			}
			g, ctx := errgroup.WithContext(ctx)
			g.SetLimit(fetchesAtOnce)
			for _, f := range files {
				// The store is not trusted to name files: only our own form is taken.
				if !filepath.IsLocal(filepath.FromSlash(f.name)) || strings.Count(f.name, "/") != 3 || path.Ext(f.name) != suffix {
					continue
				}
				kept[f.name] = true
				g.Go(func() error {
					if err := fetch(ctx, from, f, to, of(f.name)); err != nil {
						return fmt.Errorf("%s: %w", f.name, err)
					}
					return nil
				})
			}
			if err := g.Wait(); err != nil {
				return 0, err
			}
		}
	}
	switch held, err := from.read(ctx, heldFrom); {
	case err == nil:
		if err := to.write(ctx, heldFrom, held); err != nil {
			return 0, err
		}
	case !errors.Is(err, fs.ErrNotExist):
		return 0, err
	}
	return len(kept), filepath.WalkDir(string(to), func(at string, e os.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) && at == string(to) {
			return nil // of an empty dataset
		}
		if err != nil || e.IsDir() {
			return err
		}
		name, err := filepath.Rel(string(to), at)
		if err == nil && !kept[filepath.ToSlash(name)] && path.Ext(name) == suffix {
			return os.Remove(at)
		}
		return err
	})
}

// fetch brings what is needed of a file into a folder, unless it is there. What is less
// than the file has another size.
func fetch(ctx context.Context, from place, f file, to folder, of need) error {
	info, err := os.Stat(to.path(f.name))
	switch {
	case of == nothing, err == nil && (of != whole || info.Size() == f.size):
		return nil
	case of == name:
		return to.write(ctx, f.name, nil)
	case of == filed:
		return fetchFiled(ctx, from, f, to)
	}
	in, err := from.open(ctx, f.name)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := to.begin(f.name)
	if err != nil {
		return err
	}
	defer discard(out)
	if _, err := in.Seek(0, io.SeekStart); err != nil {
		return err
	}
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	return to.keep(ctx, out, f.name)
}

// filedRow is a day that is filed of a vehicle.
type filedRow struct {
	Vehicle string `parquet:"vehicle"`
	Day     int32  `parquet:"day,date"`
}

// columnsAtOnce is how much of a column is asked for at once, in bytes.
const columnsAtOnce = 4 << 20

// fetchFiled lays down, in the place of a month's file, the first and last day of each
// vehicle in it, for which two of its columns are read.
func fetchFiled(ctx context.Context, from place, f file, to folder) error {
	in, err := from.at(ctx, f.name)
	if err != nil {
		return err
	}
	defer in.Close()
	var days []filedRow
	err = guard(f.name, func() error {
		p, err := parquet.OpenFile(in, f.size, parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true), parquet.ReadBufferSize(columnsAtOnce))
		if err != nil {
			return err
		}
		days, err = firstAndLast(parquet.NewGenericReader[filedRow](p))
		return err
	})
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if err := parquet.Write(&out, days); err != nil {
		return err
	}
	return to.write(ctx, f.name, out.Bytes())
}

func firstAndLast(r *parquet.GenericReader[filedRow]) (days []filedRow, err error) {
	defer r.Close()
	span := map[string][2]int32{}
	list := make([]filedRow, aheadRows)
	for err == nil {
		var n int
		n, err = r.Read(list)
		for _, x := range list[:n] {
			was, ok := span[x.Vehicle]
			if !ok {
				was = [2]int32{x.Day, x.Day}
			}
			span[x.Vehicle] = [2]int32{min(was[0], x.Day), max(was[1], x.Day)}
		}
	}
	if !errors.Is(err, io.EOF) {
		return nil, err
	}
	for _, v := range slices.Sorted(maps.Keys(span)) {
		days = append(days, filedRow{v, span[v][0]}, filedRow{v, span[v][1]})
	}
	return days, nil
}
