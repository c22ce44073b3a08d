package dataset

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"joltwatch/storage/wire"
)

// Keys of a file's own metadata.
const (
	keySchema  = "joltwatch.schema"
	keyTable   = "joltwatch.table"
	keyVehicle = "joltwatch.vehicle"
	keyDay     = "joltwatch.day"
	keyMonth   = "joltwatch.month"
)

// common are the columns that every table begins with.
type common struct {
	ID       string `parquet:"id"`
	Received int64  `parquet:"received,timestamp(microsecond)"`
	Time     int64  `parquet:"time,optional,timestamp(microsecond)"` // null unless clocked
	Own      int64  `parquet:"own_time,optional,timestamp(microsecond)"`
	Clocked  bool   `parquet:"clocked"`
	Stay     string `parquet:"stay,dict"`
	Label    string `parquet:"label,dict"`
	Run      int64  `parquet:"run"`
	// Vehicle and Day, since 1970, are those of the partition; files of before the
	// columns were added lack them.
	Vehicle string `parquet:"vehicle,dict"`
	Day     int32  `parquet:"day,date"`
}

func (c common) head() common { return c }

// file enters the partition.
func (c *common) file(p partition) error {
	day, err := time.Parse(time.DateOnly, p.day)
	if err != nil {
		return err
	}
	c.Vehicle, c.Day = p.vehicle, int32(day.Unix()/86400)
	return nil
}

type eventRow struct {
	common
	Event         string    `parquet:"event"`
	Drive         int64     `parquet:"drive"`
	Kind          string    `parquet:"kind,dict"`
	Class         string    `parquet:"class,dict"`
	Severity      float64   `parquet:"severity"`
	Start         int64     `parquet:"start_us"`
	End           int64     `parquet:"end_us"`
	Lag           *float64  `parquet:"lag_s,optional"`
	Measures      []measure `parquet:"measures,list"`
	Instants      []instant `parquet:"instants,list"`
	Percentiles   []placing `parquet:"percentiles,list"`
	MissingInputs []string  `parquet:"missing_inputs,list"`
	Codes         []string  `parquet:"codes,list"`
	Gear          *float64  `parquet:"gear,optional"`
	Speed         *float64  `parquet:"speed_kmh,optional"`
	Fluid         *float64  `parquet:"fluid_temperature_c,optional"`
	Accelerator   *float64  `parquet:"accelerator_percent,optional"`
	SinceStart    float64   `parquet:"since_engine_start_s"`
	Evidence      string    `parquet:"evidence,dict"`
}

type measure struct {
	Name  string  `parquet:"name,dict"`
	Value float64 `parquet:"value"`
}

type instant struct {
	Name  string `parquet:"name,dict"`
	At    int64  `parquet:"at_us"`
	Early int64  `parquet:"early_us"`
	Late  int64  `parquet:"late_us"`
}

type placing struct {
	Measure string  `parquet:"measure,dict"`
	Share   float64 `parquet:"share_below"`
	N       int64   `parquet:"n"`
}

type accountRow struct {
	common
	Drive         int64         `parquet:"drive"`
	Start         int64         `parquet:"start_us"`
	End           int64         `parquet:"end_us"`
	Ended         bool          `parquet:"ended"`
	EngineOn      float64       `parquet:"engine_on_s"`
	Moving        float64       `parquet:"moving_s"`
	Closed        float64       `parquet:"closed_s"`
	Partial       float64       `parquet:"partial_s"`
	Coast         float64       `parquet:"coast_s"`
	Open          float64       `parquet:"open_s"`
	Unknown       float64       `parquet:"unknown_s"`
	Stops         int64         `parquet:"stops"`
	StopsObserved int64         `parquet:"stops_observed"`
	Opportunities []opportunity `parquet:"opportunities,list"`
	Bands         []band        `parquet:"bands,list"`
	Roles         []role        `parquet:"roles,list"`
	Frames        int64         `parquet:"frames"`
	BadLines      int64         `parquet:"bad_lines"`
	Dropped       int64         `parquet:"dropped"`
	Errors        int64         `parquet:"error_frames"`
}

type opportunity struct {
	Kind       string `parquet:"kind,dict"`
	Seen       int64  `parquet:"seen"`
	Observable int64  `parquet:"observable"`
	Hits       int64  `parquet:"hits"`
}

type band struct {
	Of      string  `parquet:"of,dict"`
	Label   string  `parquet:"label,dict"`
	From    float64 `parquet:"from"`
	To      float64 `parquet:"to"`
	Closed  float64 `parquet:"closed_s"`
	Partial float64 `parquet:"partial_s"`
	Coast   float64 `parquet:"coast_s"`
	Open    float64 `parquet:"open_s"`
	Unknown float64 `parquet:"unknown_s"`
}

type role struct {
	Role     string  `parquet:"role,dict"`
	Fresh    float64 `parquet:"fresh_s"`
	Samples  int64   `parquet:"samples"`
	NotOK    int64   `parquet:"not_ok"`
	Period   float64 `parquet:"period_s"`
	Switched int64   `parquet:"source_switches"`
}

type unitRow struct {
	common
	Program    string   `parquet:"program,dict"`
	StoreBytes int64    `parquet:"store_bytes"`
	QuotaBytes int64    `parquet:"quota_bytes"`
	FreeBytes  int64    `parquet:"free_bytes"`
	Runs       int64    `parquet:"runs"`
	Cut        int64    `parquet:"cut"`
	Troubles   []string `parquet:"troubles,list"`
	LeftFiles  int64    `parquet:"left_files"`
	LeftBytes  int64    `parquet:"left_bytes"`
}

// text makes a string from a sender fit a column that must be UTF-8.
func text(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

func texts(list []string) []string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = text(s)
	}
	return out
}

// count keeps what a sender counted within the column.
func count(v uint64) int64 { return int64(min(v, 1<<63-1)) }

func newEvent(c common, e *wire.Event) eventRow {
	f := &e.Finding
	r := eventRow{common: c, Event: text(e.ID), Drive: int64(f.Drive), Kind: text(f.Kind), Class: text(f.Class.String()), Severity: f.Severity,
		Start: e.StartUs, End: e.EndUs, MissingInputs: texts(f.MissingInputs), Codes: texts(f.Codes),
		Gear: f.Context.Gear, Speed: f.Context.SpeedKmh, Fluid: f.Context.FluidTemperatureC, Accelerator: f.Context.AcceleratorPct,
		SinceStart: f.Context.SinceStartS, Evidence: text(string(e.Evidence))}
	if v, ok := f.Get("lag_s"); ok {
		r.Lag = &v
	}
	for _, m := range f.Measures {
		r.Measures = append(r.Measures, measure{text(m.Name), m.Value})
	}
	for _, x := range f.Instants {
		r.Instants = append(r.Instants, instant{text(x.Name), int64(x.At), int64(x.Early), int64(x.Late)})
	}
	for _, x := range e.Percentiles {
		r.Percentiles = append(r.Percentiles, placing{text(x.Measure), x.Share, count(x.N)})
	}
	return r
}

func newAccount(c common, a *wire.Account) accountRow {
	r := accountRow{common: c, Drive: int64(a.Drive), Start: int64(a.Start), End: int64(a.End), Ended: a.Ended,
		EngineOn: a.EngineOnS, Moving: a.MovingS, Closed: a.ClosedS, Partial: a.PartialS, Coast: a.CoastS, Open: a.OpenS, Unknown: a.UnknownS,
		Stops: int64(a.Stops), StopsObserved: int64(a.StopsObserved),
		Frames: count(a.Frames), BadLines: count(a.BadLines), Dropped: count(a.Dropped), Errors: count(a.Errors)}
	for _, x := range a.Opportunities {
		r.Opportunities = append(r.Opportunities, opportunity{text(x.Kind), count(x.Seen), count(x.Observable), count(x.Hits)})
	}
	for _, x := range a.Bands {
		r.Bands = append(r.Bands, band{text(x.Of), text(x.Label), x.From, x.To, x.Closed, x.Partial, x.Coast, x.Open, x.Unknown})
	}
	for _, x := range a.Roles {
		r.Roles = append(r.Roles, role{text(x.Role), x.FreshS, count(x.Samples), count(x.NotOK), x.PeriodS, count(x.Switched)})
	}
	return r
}

func newUnit(c common, u *wire.Unit) unitRow {
	return unitRow{common: c, Program: text(u.Program), StoreBytes: u.StoreBytes, QuotaBytes: u.QuotaBytes, FreeBytes: u.FreeBytes,
		Runs: int64(u.Runs), Cut: int64(u.Cut), Troubles: texts(u.Troubles), LeftFiles: int64(u.LeftFiles), LeftBytes: u.LeftBytes}
}

type row interface{ head() common }

// batch is rows of one table, whichever it is.
type batch interface {
	count() int
	empty() batch
	// read decodes a file of the same table; what is wrong with it is a *badFile.
	read(name string, body []byte) (batch, error)
	// join adds the rows of another batch of the same table that are not
	// there; without drops those that are in it, and drop those that are in a
	// file of a later schema.
	join(batch)
	without(batch)
	drop(name string, body []byte) error
	// name follows from the identities alone.
	name() string
	encode(partition, *zstd.Codec) ([]byte, error)
}

type rows[T row] struct {
	list []T
	ids  map[string]bool
}

func (b *rows[T]) add(r T) bool {
	id := r.head().ID
	if b.ids[id] {
		return false
	}
	if b.ids == nil {
		b.ids = map[string]bool{}
	}
	b.ids[id] = true
	b.list = append(b.list, r)
	return true
}

func (b *rows[T]) count() int   { return len(b.list) }
func (b *rows[T]) empty() batch { return &rows[T]{} }

func (b *rows[T]) join(other batch) {
	for _, r := range other.(*rows[T]).list {
		b.add(r)
	}
}

func (b *rows[T]) without(other batch) { b.reduce(other.(*rows[T]).ids) }

// reduce makes a new list, as the batch may be flushed again after an error.
func (b *rows[T]) reduce(ids map[string]bool) {
	b.list = slices.DeleteFunc(b.list, func(r T) bool { return ids[r.head().ID] })
	for id := range ids {
		delete(b.ids, id)
	}
}

func (b *rows[T]) sort() {
	slices.SortFunc(b.list, func(x, y T) int { return cmp.Compare(x.head().ID, y.head().ID) })
}

func (b *rows[T]) name() string {
	b.sort()
	h := sha256.New()
	for _, r := range b.list {
		h.Write([]byte(r.head().ID))
	}
	return nameOf(h)
}

// nameOf is the name of a file by the identities that were hashed.
func nameOf(ids hash.Hash) string { return hex.EncodeToString(ids.Sum(nil)[:12]) }

// into files every row under a partition.
func (b *rows[T]) into(p partition) error {
	for i := range b.list {
		if err := any(&b.list[i]).(interface{ file(partition) error }).file(p); err != nil {
			return err
		}
	}
	return nil
}

// newWriter writes a file of a table.
func newWriter[T row](out io.Writer, table string, codec *zstd.Codec, more ...parquet.WriterOption) *parquet.GenericWriter[T] {
	return parquet.NewGenericWriter[T](out, append(more, parquet.CreatedBy("joltbench", strconv.Itoa(SchemaVersion), ""), parquet.Compression(codec),
		parquet.KeyValueMetadata(keySchema, strconv.Itoa(SchemaVersion)), parquet.KeyValueMetadata(keyTable, table))...)
}

func (b *rows[T]) encode(p partition, codec *zstd.Codec) ([]byte, error) {
	b.sort()
	if err := b.into(p); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	w := newWriter[T](&out, p.table, codec, parquet.KeyValueMetadata(keyVehicle, p.vehicle), parquet.KeyValueMetadata(keyDay, p.day))
	if _, err := w.Write(b.list); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

var errNewer = errors.New("a file of a later schema")

// schemaOf is the version of a file that can be read.
func schemaOf(f *parquet.File) (int, error) {
	v, _ := f.Lookup(keySchema)
	n, err := strconv.Atoi(v)
	if err != nil {
		return 0, fmt.Errorf("its metadata has no schema version: %q", v)
	}
	if n > SchemaVersion {
		return 0, errNewer
	}
	return n, nil
}

func (b *rows[T]) read(name string, body []byte) (got batch, err error) {
	err = guard(name, func() error {
		f, err := parquet.OpenFile(bytes.NewReader(body), int64(len(body)))
		if err != nil {
			return err
		}
		n, err := schemaOf(f)
		if err != nil {
			return err
		}
		list, err := parquet.Read[T](bytes.NewReader(body), int64(len(body)))
		if err == nil && n == 1 {
			err = fill1(list, body)
		}
		if err != nil {
			return err
		}
		out := &rows[T]{}
		for _, r := range list {
			out.add(r)
		}
		got = out
		return nil
	})
	return got, err
}

func (b *rows[T]) drop(name string, body []byte) error {
	return guard(name, func() error {
		list, err := parquet.Read[struct {
			ID string `parquet:"id"`
		}](bytes.NewReader(body), int64(len(body)))
		if err != nil {
			return err
		}
		ids := map[string]bool{}
		for _, r := range list {
			ids[r.ID] = true
		}
		b.reduce(ids)
		return nil
	})
}
