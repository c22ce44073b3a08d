// Package dataset lays records of a fleet down as Apache Parquet files that any
// SQL engine reads: on a local disk, or in any store that speaks the S3
// protocol. SCHEMA.md, which is embedded here, states the tables.
//
// A partition is one table, vehicle and UTC day, and its rows are kept in one
// small file; a file that has grown past a megabyte is left as it is and
// another begun. Once its days are sealed, Compact brings a month of a table into
// one large file, and LetGo lets go of months that are past their time. A file never
// changes: rows are written anew under a name that follows from the identities, and
// only when that is durable are the files removed that were taken in. So a crash
// anywhere loses no row that was flushed. It may leave a row in two files until
// the next rows come or the month is compacted again, as may a record that comes once
// more after its day was; which is why every query takes distinct identities (the
// views do).
package dataset

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/parquet-go/parquet-go/compress/zstd"
	"golang.org/x/sync/errgroup"

	"joltwatch/storage/wire"
)

// Schema states the tables, for people.
//
//go:embed SCHEMA.md
var Schema string

// SchemaVersion is written into each file's metadata under "joltwatch.schema".
// It rises when a column changes its meaning or goes; a new column leaves it.
const SchemaVersion = 2

// Tables are the names of the tables, each a folder.
var Tables = []string{events, accounts, units}

const (
	events   = "events"
	accounts = "accounts"
	units    = "units"
)

// Dataset takes records in. It is safe for several goroutines. Several processes
// may write to the same place: a Flush fails where others take in again and again what
// it was about to read, and is to be repeated, as after any failure.
type Dataset struct {
	at    place
	codec zstd.Codec // kept, as its buffers are large

	mu      sync.Mutex // held through a flush
	pending map[partition]batch
	damaged []string
}

// partition is one folder of files.
type partition struct{ table, vehicle, day string }

func (p partition) String() string {
	return path.Join(p.table, "vehicle="+p.vehicle, "day="+p.day)
}

// Open opens a dataset and makes it where there is none. where is a folder, or
// s3://bucket/prefix: then endpoint, region and keys come from the usual
// variables AWS_ENDPOINT_URL, AWS_REGION, AWS_ACCESS_KEY_ID and
// AWS_SECRET_ACCESS_KEY, and the bucket must be there.
func Open(where string) (*Dataset, error) {
	at, err := openPlace(where)
	if err != nil {
		return nil, err
	}
	return &Dataset{at: at, pending: map[partition]batch{}}, nil
}

func openPlace(where string) (place, error) {
	if rest, ok := strings.CutPrefix(where, "s3://"); ok {
		return openBucket(rest)
	}
	if where == "" {
		return nil, errors.New("a dataset without a place: expected a folder or s3://bucket/prefix")
	}
	if err := os.MkdirAll(where, 0o750); err != nil {
		return nil, fmt.Errorf("dataset: %w", err)
	}
	return folder(where), nil
}

// Day returns the UTC day under which a record is filed and whether that is
// the day of its own time. It is the day of reception where the unit did not
// know the time; where its clock was off by more than 15 hours when it sent
// the record; and where the record's own time cannot be, before 2020, more than
// two days after reception or more than a year before it.
func Day(r *wire.Record, received time.Time) (day string, clocked bool) {
	at, sent := time.UnixMicro(r.At).UTC(), time.UnixMicro(r.Sent)
	wrong := r.Sent != 0 && sent.Sub(received).Abs() > wire.MostClockOff
	if r.At > 0 && !wrong && at.Year() >= 2020 && at.Before(received.Add(48*time.Hour)) && at.After(received.Add(-longestAway)) {
		return at.Format(time.DateOnly), true
	}
	return received.UTC().Format(time.DateOnly), false
}

// longestAway is for how long a vehicle may be without a network.
const longestAway = 366 * 24 * time.Hour

// latestTime bounds a unit's own time, in microseconds: the year 2200, as a table
// keeps no time without end.
const latestTime = 7_258_118_400_000_000

// Add takes a record in, to be written by the next Flush. id is its identity;
// a record that is already there is not written again. received is when the
// shop first had it, and should be the same whenever it is given again: the
// stream's own time of it. What announces a file is no row of any table and is
// passed over.
func (d *Dataset) Add(r *wire.Record, id string, received time.Time) error {
	if len(id) != 64 || strings.Trim(id, "0123456789abcdef") != "" {
		return fmt.Errorf("an identity of %.80q; expected 64 hexadecimal digits", id)
	}
	if err := r.Check(); err != nil {
		return err
	}
	day, clocked := Day(r, received)
	c := common{ID: id, Received: received.UnixMicro(), Clocked: clocked, Stay: text(r.Stay), Label: text(r.Label), Run: int64(r.Run)}
	if clocked {
		c.Time = r.At
	}
	if r.At > 0 && r.At < latestTime {
		c.Own = r.At
	}
	if r.Kind == wire.KindUnit {
		// It tells of the present, whatever its clock says: filed by arrival, with
		// its own time beside it.
		day = received.UTC().Format(time.DateOnly)
		c.Time, c.Clocked = c.Own, c.Own != 0
	}
	p := partition{vehicle: r.Vehicle, day: day}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch r.Kind {
	case wire.KindEvent:
		p.table = events
		add(d, p, newEvent(c, r.Event))
	case wire.KindAccount:
		p.table = accounts
		add(d, p, newAccount(c, r.Account))
	case wire.KindUnit:
		p.table = units
		add(d, p, newUnit(c, r.Unit))
	}
	return nil
}

func add[T row](d *Dataset, p partition, r T) {
	b, ok := d.pending[p].(*rows[T])
	if !ok {
		b = &rows[T]{}
		d.pending[p] = b
	}
	b.add(r)
}

// Held is the number of records that wait for a Flush.
func (d *Dataset) Held() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := 0
	for _, b := range d.pending {
		n += b.count()
	}
	return n
}

// Damaged lists the files that could not be read and were set aside, under
// their own name with ".damaged" added.
func (d *Dataset) Damaged() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.damaged)
}

// writers is how many partitions are written at once: waiting for the medium
// is most of the work.
const writers = 8

// Flush writes what was added. When it returns nil, all of it is durable. On an
// error what was not written is held for the next Flush.
func (d *Dataset) Flush(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	list := make([]partition, 0, len(d.pending))
	for p := range d.pending {
		list = append(list, p)
	}
	slices.SortFunc(list, func(a, b partition) int { return strings.Compare(a.String(), b.String()) })
	aside, errs := make([][]string, len(list)), make([]error, len(list))
	var g errgroup.Group
	g.SetLimit(writers)
	for i, p := range list {
		b := d.pending[p]
		g.Go(func() error {
			// Every partition is tried, so that one that fails holds up no other.
			for tries := 3; tries > 0; tries-- {
				bad, err := merge(ctx, d.at, &d.codec, p, b)
				aside[i], errs[i] = append(aside[i], bad...), err
				if !errors.Is(err, fs.ErrNotExist) { // another has just taken in a file
					break
				}
			}
			return nil
		})
	}
	g.Wait()
	var failed error
	for i, p := range list {
		d.damaged = append(d.damaged, aside[i]...)
		switch {
		case errs[i] == nil:
			delete(d.pending, p)
		case failed == nil:
			failed = fmt.Errorf("dataset, %s: %w", p, errs[i])
		}
	}
	return failed
}

// Close flushes what is left.
func (d *Dataset) Close() error { return d.Flush(context.Background()) }

// merge writes the partition's small files and the new rows as one file. It
// returns the files that could not be read and were set aside.
func merge(ctx context.Context, at place, codec *zstd.Codec, p partition, b batch) (aside []string, err error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	files, err := at.list(ctx, p.String())
	if err != nil {
		return nil, err
	}
	all := b.empty()
	var taken []string
	for _, f := range files {
		body, err := at.read(ctx, f.name)
		if err != nil {
			return aside, err
		}
		switch got, err := b.read(f.name, body); {
		case errors.Is(err, errNewer):
			// Left alone: this program would lose what it does not know.
			if err := b.drop(f.name, body); err != nil {
				return aside, fmt.Errorf("%s: %w", f.name, err)
			}
		case err != nil:
			if err := at.setAside(ctx, f.name); err != nil {
				return aside, err
			}
			aside = append(aside, f.name)
		case f.size >= sealed:
			b.without(got)
		default:
			all.join(got)
			taken = append(taken, f.name)
		}
	}
	old := all.count()
	all.join(b)
	if all.count() == old && len(taken) <= 1 {
		return aside, nil
	}
	body, err := all.encode(p, codec)
	if err != nil {
		return aside, err
	}
	name := path.Join(p.String(), all.name()+suffix)
	return aside, replace(ctx, at, taken, name, func() error { return at.write(ctx, name, body) })
}

// replace puts a new file into place, unless it is there, and only then removes the
// files that it took in.
func replace(ctx context.Context, at place, taken []string, name string, put func() error) error {
	if !slices.Contains(taken, name) {
		if err := put(); err != nil {
			return err
		}
	}
	for _, f := range taken {
		if f == name {
			continue
		}
		if err := at.remove(ctx, f); err != nil {
			return err
		}
	}
	return nil
}

// sealed is the size in bytes from which a file is not written again.
const sealed = 1 << 20
