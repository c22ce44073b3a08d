package dataset

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"joltwatch/storage/wire"
)

// A month's days are brought together, once they are sealed, into one file of the
// table, sorted by vehicle and time. It becomes visible as a whole and is durable
// before a file that it took in goes. So a stop anywhere loses no row; it may leave
// rows in two files, as a Flush may, until the next time. Several processes may
// compact: each removes only what it has itself laid down anew.

// months is the folder of a table in which the months are, each in a folder.
const months = "months"

// groupRows is how many rows a row group has at most.
const groupRows = 1 << 17

// Compacted is a month of a table whose files became one.
type Compacted struct {
	Table, Month string
	// Files of Bytes became one file of Now bytes.
	Files      int
	Bytes, Now int64
}

// Compact brings together the days before the UTC day of sealed. A month that has
// its file already is written anew only where the loose files are an eighth of it or
// more, so that what comes late costs little.
func (d *Dataset) Compact(ctx context.Context, sealed time.Time) (done []Compacted, err error) {
	before := sealed.UTC().Format(time.DateOnly)
	for _, table := range Tables {
		// The loose files first: what is brought together meanwhile is not missed.
		loose, err := d.at.loose(ctx, table)
		if err != nil {
			return done, err
		}
		made, err := d.at.months(ctx, table)
		if err != nil {
			return done, err
		}
		todo := map[string]*month{}
		of := func(name string) *month {
			if todo[name] == nil {
				todo[name] = &month{table: table, name: name}
			}
			return todo[name]
		}
		for _, f := range made {
			if m := of(monthOf(f.name)); m.name != "" {
				m.made = append(m.made, f)
			}
		}
		for _, f := range loose {
			if p, ok := partitionOf(f.name); ok && p.day < before {
				m := of(p.day[:len("2006-01")])
				m.loose = append(m.loose, looseFile{f, p})
			}
		}
		for _, name := range slices.Sorted(maps.Keys(todo)) {
			m := todo[name]
			if !m.due() {
				continue
			}
			now, err := d.compact(ctx, m)
			if err != nil {
				return done, fmt.Errorf("dataset, %s of %s: %w", table, name, err)
			}
			done = append(done, Compacted{table, name, len(m.made) + len(m.loose), m.bytes(), now})
		}
	}
	return done, nil
}

// partitionOf is the partition of a loose file.
func partitionOf(name string) (p partition, ok bool) {
	part := strings.Split(name, "/")
	if len(part) != 4 {
		return p, false
	}
	vehicle, ok1 := strings.CutPrefix(part[1], "vehicle=")
	day, ok2 := strings.CutPrefix(part[2], "day=")
	_, err := time.Parse(time.DateOnly, day)
	return partition{part[0], vehicle, day}, ok1 && ok2 && err == nil && wire.VehicleName(vehicle)
}

// monthOf is the month of a month's file, "" where it is none.
func monthOf(name string) string {
	m := path.Base(path.Dir(name))
	if _, err := time.Parse("2006-01", m); err != nil {
		return ""
	}
	return m
}

// month is the files of a table in a month.
type month struct {
	table, name string
	made        []file
	loose       []looseFile
}

type looseFile struct {
	file
	partition
}

func (m *month) bytes() (sum int64) {
	for _, f := range m.made {
		sum += f.size
	}
	return sum + m.looseBytes()
}

func (m *month) looseBytes() (sum int64) {
	for _, f := range m.loose {
		sum += f.size
	}
	return sum
}

func (m *month) due() bool {
	if m.name == "" || len(m.made) == 1 && len(m.loose) == 0 {
		return false
	}
	return len(m.made) != 1 || 8*m.looseBytes() >= m.made[0].size
}

// badFile is a file that cannot be read.
type badFile struct {
	name string
	error
}

// compact makes one file of a month and returns its size. A file that cannot be read
// is set aside, and the rest tried again.
func (d *Dataset) compact(ctx context.Context, m *month) (int64, error) {
	for {
		var now int64
		var err error
		switch m.table {
		case events:
			now, err = join[eventRow](ctx, d.at, &d.codec, m)
		case accounts:
			now, err = join[accountRow](ctx, d.at, &d.codec, m)
		default:
			now, err = join[unitRow](ctx, d.at, &d.codec, m)
		}
		var bad *badFile
		if !errors.As(err, &bad) {
			return now, err
		}
		if err := d.setAside(ctx, bad.name); err != nil {
			return 0, err
		}
		m.made = slices.DeleteFunc(m.made, func(f file) bool { return f.name == bad.name })
		m.loose = slices.DeleteFunc(m.loose, func(f looseFile) bool { return f.name == bad.name })
	}
}

func (d *Dataset) setAside(ctx context.Context, name string) error {
	if err := d.at.setAside(ctx, name); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.damaged = append(d.damaged, name)
	return nil
}

// joining is a month that is being brought together.
type joining[T row] struct {
	at    place
	from  []*cursor[T]
	loose map[string][]looseFile
	names []string // of loose, in order, those that are left
	// taken are the files whose rows were all taken.
	taken []string
}

// join writes the month's rows, a vehicle at a time, and then removes what it read.
func join[T row](ctx context.Context, at place, codec *zstd.Codec, m *month) (size int64, err error) {
	j := &joining[T]{at: at, loose: map[string][]looseFile{}}
	defer j.close()
	if err := j.open(ctx, m); err != nil {
		return 0, err
	}
	folder := path.Join(m.table, months, m.name)
	out, err := at.begin(path.Join(folder, m.name+suffix))
	if err != nil {
		return 0, err
	}
	defer discard(out)
	w := newMonthWriter[T](out, m, codec)
	for {
		vehicle, ok := j.next()
		if !ok {
			break
		}
		list, err := j.rows(ctx, vehicle)
		if err != nil {
			return 0, err
		}
		if err := w.write(list); err != nil {
			return 0, err
		}
	}
	if len(j.taken) == 0 {
		return 0, nil
	}
	if size, err = w.close(out); err != nil {
		return 0, err
	}
	name := path.Join(folder, nameOf(w.ids)+suffix)
	return size, replace(ctx, at, j.taken, name, func() error { return at.keep(ctx, out, name) })
}

func (j *joining[T]) open(ctx context.Context, m *month) error {
	for _, f := range m.made {
		c, err := openCursor[T](ctx, j.at, f.name)
		if errors.Is(err, errNewer) {
			continue // left alone: this program would lose what it does not know
		}
		if err != nil {
			return err
		}
		j.from, j.taken = append(j.from, c), append(j.taken, f.name)
	}
	for _, f := range m.loose {
		j.loose[f.vehicle] = append(j.loose[f.vehicle], f)
	}
	j.names = slices.Sorted(maps.Keys(j.loose))
	return nil
}

func (j *joining[T]) close() {
	for _, c := range j.from {
		c.close()
	}
}

// next is the first vehicle that is left, in order.
func (j *joining[T]) next() (vehicle string, ok bool) {
	if len(j.names) > 0 {
		vehicle, ok = j.names[0], true
	}
	for _, c := range j.from {
		if len(c.list) > 0 && (!ok || c.list[0].head().Vehicle < vehicle) {
			vehicle, ok = c.list[0].head().Vehicle, true
		}
	}
	return vehicle, ok
}

// rows are those of a vehicle, each once.
func (j *joining[T]) rows(ctx context.Context, vehicle string) ([]T, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	var all rows[T]
	for _, c := range j.from {
		if err := c.take(vehicle, &all); err != nil {
			return nil, err
		}
	}
	for _, f := range j.loose[vehicle] {
		switch err := readLoose(ctx, j.at, f, &all); {
		case errors.Is(err, errNewer):
			continue
		case err != nil:
			return nil, err
		}
		j.taken = append(j.taken, f.name)
	}
	if len(j.names) > 0 && j.names[0] == vehicle {
		j.names = j.names[1:]
	}
	return all.list, nil
}

func readLoose[T row](ctx context.Context, at place, f looseFile, all *rows[T]) error {
	body, err := at.read(ctx, f.name)
	if err != nil {
		return err
	}
	got, err := all.read(f.name, body)
	if err != nil {
		return err
	}
	if err := got.(*rows[T]).into(f.partition); err != nil {
		return err
	}
	all.join(got)
	return nil
}

// monthWriter writes the file of a month.
type monthWriter[T row] struct {
	*parquet.GenericWriter[T]
	ids  hash.Hash
	rows int64
}

func newMonthWriter[T row](out io.Writer, m *month, codec *zstd.Codec) *monthWriter[T] {
	w := newWriter[T](out, m.table, codec, parquet.MaxRowsPerRowGroup(groupRows),
		parquet.SortingWriterConfig(parquet.SortingColumns(parquet.Ascending("vehicle"), parquet.NullsFirst(parquet.Ascending("time")), parquet.Ascending("id"))),
		parquet.BloomFilters(parquet.SplitBlockFilter(10, "id"), parquet.SplitBlockFilter(10, "stay")),
		parquet.KeyValueMetadata(keyMonth, m.name))
	return &monthWriter[T]{GenericWriter: w, ids: sha256.New()}
}

// write writes the rows of one vehicle.
func (w *monthWriter[T]) write(list []T) error {
	slices.SortFunc(list, func(x, y T) int {
		a, b := x.head(), y.head()
		return cmp.Or(cmp.Compare(a.Time, b.Time), cmp.Compare(a.ID, b.ID))
	})
	for _, r := range list {
		io.WriteString(w.ids, r.head().ID) //nolint:errcheck // a hash takes all
	}
	w.rows += int64(len(list))
	_, err := w.Write(list)
	return err
}

// close ends the file and looks whether it has come out whole.
func (w *monthWriter[T]) close(out *os.File) (size int64, err error) {
	if err := w.Close(); err != nil {
		return 0, err
	}
	if size, err = out.Seek(0, io.SeekEnd); err != nil {
		return 0, err
	}
	f, err := parquet.OpenFile(out, size)
	if err != nil {
		return 0, err
	}
	if f.NumRows() != w.rows {
		return 0, fmt.Errorf("%d rows were written and %d are there", w.rows, f.NumRows())
	}
	return size, nil
}

// cursor reads the file of a month from vehicle to vehicle.
type cursor[T row] struct {
	name string
	file *os.File
	in   *parquet.GenericReader[T]
	list []T // what was read ahead; empty at the end
}

func openCursor[T row](ctx context.Context, at place, name string) (c *cursor[T], err error) {
	file, err := at.open(ctx, name)
	if err != nil {
		return nil, err
	}
	c = &cursor[T]{name: name, file: file}
	defer func() {
		if err != nil {
			c.close()
		}
	}()
	return c, c.start()
}

// start reads the first rows.
func (c *cursor[T]) start() error {
	return guard(c.name, func() error {
		info, err := c.file.Stat()
		if err != nil {
			return err
		}
		f, err := parquet.OpenFile(c.file, info.Size())
		if err != nil {
			return err
		}
		if _, err := schemaOf(f); err != nil {
			return err
		}
		c.in = parquet.NewGenericReader[T](f)
		return c.ahead()
	})
}

// guard makes a failure of f, in which the library may panic on damage, one of the
// file, unless it is the medium's.
func guard(name string, f func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = &badFile{name, fmt.Errorf("no Parquet file of this table: %v", r)}
		} else if err != nil && !errors.Is(err, errNewer) && !errors.As(err, new(*fs.PathError)) {
			err = &badFile{name, err}
		}
	}()
	return f()
}

// aheadRows is how many rows are read at a time.
const aheadRows = 512

func (c *cursor[T]) ahead() error {
	list := make([]T, aheadRows)
	n, err := c.in.Read(list)
	if err == io.EOF || err == nil && n > 0 {
		c.list = list[:n]
		return nil
	}
	return cmp.Or(err, io.ErrNoProgress)
}

// take adds the rows of a vehicle that come next.
func (c *cursor[T]) take(vehicle string, to *rows[T]) error {
	return guard(c.name, func() error {
		for len(c.list) > 0 {
			switch h := c.list[0].head(); cmp.Compare(h.Vehicle, vehicle) {
			case 1:
				return nil
			case -1:
				return fmt.Errorf("vehicle %.60q comes after %.60q", h.Vehicle, vehicle)
			}
			to.add(c.list[0])
			if c.list = c.list[1:]; len(c.list) == 0 {
				if err := c.ahead(); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func (c *cursor[T]) close() {
	if c.in != nil {
		c.in.Close()
	}
	c.file.Close()
}
