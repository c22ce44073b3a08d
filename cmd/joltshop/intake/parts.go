package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

// bucket is a vehicle's object store, and the stream under it.
type bucket struct {
	jetstream.ObjectStore
	stream  jetstream.Stream
	vehicle string
	// used is what the vehicle's folder takes, in bytes.
	used int64
}

func (in *intake) bucket(ctx context.Context, vehicle string) (*bucket, error) {
	if b, ok := in.buckets[vehicle]; ok {
		return b, nil
	}
	b, name := &bucket{vehicle: vehicle}, wire.Bucket(vehicle)
	var err error
	if b.ObjectStore, err = in.js.ObjectStore(ctx, name); err != nil {
		return nil, err
	}
	if b.stream, err = in.js.Stream(ctx, "OBJ_"+name); err != nil {
		return nil, err
	}
	given := time.Now()
	if !in.Alone {
		given = given.Add(-unfinishedFor)
	}
	if err := clearUnfinished(filepath.Join(in.Dir, "vehicles", vehicle), given); err != nil {
		return nil, err
	}
	if b.used, err = sizeOf(filepath.Join(in.Dir, "vehicles", vehicle)); err != nil {
		return nil, err
	}
	in.buckets[vehicle] = b
	return b, nil
}

// unfinishedFor is after how long what was begun to be put together is given up: before,
// another intake may be at it, where there is one.
const unfinishedFor = time.Hour

// clearUnfinished removes what an intake that was stopped had begun to put together
// before a time.
func clearUnfinished(dir string, before time.Time) error {
	left, err := filepath.Glob(filepath.Join(dir, "*", incoming+"*"))
	for _, name := range left {
		if info, statErr := os.Stat(name); statErr == nil && info.ModTime().Before(before) {
			err = errors.Join(err, os.Remove(name))
		}
	}
	return err
}

func sizeOf(dir string) (sum int64, err error) {
	err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || d.IsDir() {
			return err
		}
		if info, err := d.Info(); err == nil {
			sum += info.Size()
		}
		return nil
	})
	return sum, err
}

// errMissing is a part that has not come, or not wholly.
var errMissing = errors.New("not all of its parts are there")

// fetch writes the bytes of a file to w, from its pieces one after the other.
func (b *bucket) fetch(ctx context.Context, r *wire.Record, w io.Writer) error {
	if r.Version < wire.FileVersion {
		return b.fetchParts(ctx, r.File, w)
	}
	parcel, pieces := r.Parcel(), 0
	for at := int64(0); at < r.File.Size; pieces++ {
		m, err := b.stream.GetLastMsgForSubject(ctx, wire.Piece(b.vehicle, parcel, at))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return errMissing
		}
		if err != nil {
			return err
		}
		at += int64(len(m.Data))
		if len(m.Data) == 0 || at > r.File.Size || pieces == wire.MaxPieces {
			return &badFile{fmt.Errorf("file %s: a piece of %d bytes, the %dth, ends at %d; expected at most %d to byte %d", r.File.Name, len(m.Data), pieces+1, at, wire.MaxPieces, r.File.Size)}
		}
		if _, err := w.Write(m.Data); err != nil {
			return err
		}
	}
	return nil
}

// fetchParts does so where it was sent in parts.
func (b *bucket) fetchParts(ctx context.Context, f *wire.File, w io.Writer) error {
	list, err := b.parts(ctx, f)
	if err != nil {
		return err
	}
	for _, p := range list {
		if err := b.read(ctx, p, w); err != nil {
			return err
		}
	}
	return nil
}

// maxChunks bounds the messages of a part; an honest part has two.
const maxChunks = 16

// part is where the bytes of one part of a file lie.
type part struct {
	size    int64
	chunks  uint32
	subject string
}

// parts looks at all parts of a file before any is read. Their names are of the
// vehicle's own making, and may promise what is not there.
func (b *bucket) parts(ctx context.Context, f *wire.File) ([]part, error) {
	list := make([]part, f.Parts)
	for i := range list {
		info, err := b.GetInfo(ctx, wire.PartName(f.SHA256, i, f.Parts))
		switch {
		case errors.Is(err, jetstream.ErrObjectNotFound):
			return nil, errMissing
		case errors.Is(err, jetstream.ErrBadObjectMeta):
			return nil, &badFile{fmt.Errorf("file %s: part %d: %w", f.Name, i, err)}
		case err != nil:
			return nil, err
		}
		_, want := f.PartAt(i)
		switch {
		case info.Opts != nil && info.Opts.Link != nil:
			return nil, &badFile{fmt.Errorf("file %s: part %d is a link", f.Name, i)}
		case info.Size != uint64(want):
			return nil, &badFile{fmt.Errorf("file %s: part %d has %d bytes; expected %d", f.Name, i, info.Size, want)}
		case info.Chunks == 0 || info.Chunks > maxChunks:
			return nil, &badFile{fmt.Errorf("file %s: part %d is in %d pieces; expected 1 to %d", f.Name, i, info.Chunks, maxChunks)}
		case !letters(info.NUID):
			return nil, &badFile{fmt.Errorf("file %s: part %d lies at %.60q", f.Name, i, info.NUID)}
		}
		list[i] = part{want, info.Chunks, wire.ChunksSubject(b.vehicle, info.NUID)}
	}
	return list, nil
}

// read writes the bytes of a part to w. It asks for each message, and so waits for
// none that may never come.
func (b *bucket) read(ctx context.Context, p part, w io.Writer) error {
	var seq uint64
	left := p.size
	for range p.chunks {
		m, err := b.stream.GetMsg(ctx, seq+1, jetstream.WithGetMsgSubject(p.subject))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return errMissing
		}
		if err != nil {
			return err
		}
		seq = m.Sequence
		if left -= int64(len(m.Data)); left < 0 {
			break
		}
		if _, err := w.Write(m.Data); err != nil {
			return err
		}
	}
	if left != 0 {
		return &badFile{fmt.Errorf("a part has other than %d bytes", p.size)}
	}
	return nil
}

// letters reports whether s can be an identifier of the client library.
func letters(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < '0' || c > '9') && (c < 'A' || c > 'Z') && (c < 'a' || c > 'z') {
			return false
		}
	}
	return s != "" && len(s) < 100
}

// remove removes what a file came in from the server.
func (b *bucket) remove(ctx context.Context, r *wire.Record) {
	f := r.File
	if r.Version >= wire.FileVersion {
		b.stream.Purge(ctx, jetstream.WithPurgeSubject(wire.Pieces(b.vehicle, r.Parcel(), "*"))) //nolint:errcheck // it only takes room
	}
	for i := range f.Parts {
		name := wire.PartName(f.SHA256, i, f.Parts)
		info, err := b.GetInfo(ctx, name)
		if err != nil {
			continue
		}
		if letters(info.NUID) {
			b.stream.Purge(ctx, jetstream.WithPurgeSubject(wire.ChunksSubject(b.vehicle, info.NUID))) //nolint:errcheck // it only takes room
		}
		b.stream.Purge(ctx, jetstream.WithPurgeSubject(wire.ObjectSubject(b.vehicle, name))) //nolint:errcheck // it only takes room
	}
}

// orphanAge is when what is left of a part that broke off is taken for given up.
const orphanAge = 24 * time.Hour

// sweeper goes round the vehicles.
type sweeper struct {
	due  time.Time
	left []string
}

// sweepNext sweeps what the shop has of one vehicle, where that is due.
func (in *intake) sweepNext(ctx context.Context, now time.Time) error {
	s := &in.sweeper
	if len(s.left) == 0 {
		if now.Before(s.due) {
			return nil
		}
		s.due = now.Add(in.SweepEvery)
		if err := in.sweepAll(ctx); err != nil || len(s.left) == 0 {
			return err
		}
	}
	vehicle := s.left[0]
	s.left = s.left[1:]
	switch waits, err := in.waits(ctx, vehicle); {
	case err != nil:
		return err
	case waits:
		return nil // nothing goes of what has not been taken in
	}
	if err := in.letGo(vehicle, now); err != nil {
		return err
	}
	b, err := in.bucket(ctx, vehicle)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil // of which there are only files
	}
	if err != nil {
		return err
	}
	return b.sweep(ctx, now.Add(-orphanAge), now.Add(-in.KeepParts))
}

// sweepAll lists the vehicles that have a bucket or files.
func (in *intake) sweepAll(ctx context.Context) error {
	all := map[string]bool{}
	names := in.js.StreamNames(ctx)
	for name := range names.Name() {
		if vehicle, ok := strings.CutPrefix(name, "OBJ_"+wire.Bucket("")); ok {
			all[vehicle] = true
		}
	}
	if err := names.Err(); err != nil {
		return err
	}
	folders, err := os.ReadDir(filepath.Join(in.Dir, "vehicles"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, f := range folders {
		all[f.Name()] = true
	}
	for _, vehicle := range slices.Sorted(maps.Keys(all)) {
		if wire.VehicleName(vehicle) {
			in.sweeper.left = append(in.sweeper.left, vehicle)
		}
	}
	return nil
}

// waits says whether a file of a vehicle was announced that has not been taken in.
func (in *intake) waits(ctx context.Context, vehicle string) (bool, error) {
	s, err := in.js.Stream(ctx, wire.Stream)
	if err != nil {
		return false, err
	}
	info, err := s.Info(ctx, jetstream.WithSubjectFilter(wire.Subject(vehicle, wire.KindFile)))
	if err != nil {
		return false, err
	}
	return len(info.State.Subjects) > 0, nil
}

// letGone begins the name of a stay that was let go and is being removed.
const letGone = ".gone-"

// letGo lets the stays of a vehicle go to which nothing has come for KeepStays. Each
// goes as a whole: it has another name before its first file is removed.
func (in *intake) letGo(vehicle string, now time.Time) error {
	home := filepath.Join(in.Dir, "vehicles", vehicle)
	entries, err := os.ReadDir(home)
	if errors.Is(err, fs.ErrNotExist) || in.KeepStays == 0 {
		return nil
	}
	for _, e := range entries {
		info, statErr := e.Info()
		if !e.IsDir() || statErr != nil {
			continue
		}
		at := filepath.Join(home, e.Name())
		if !strings.HasPrefix(e.Name(), letGone) {
			// A file that comes is renamed into the folder, which changes it.
			if info.ModTime().After(now.Add(-in.KeepStays)) {
				continue
			}
			gone := filepath.Join(home, letGone+e.Name())
			err = errors.Join(err, os.Rename(at, gone), syncDir(home))
			in.Logf("vehicle %s: stay %s was let go: nothing has come to it since %s", vehicle, e.Name(), info.ModTime().UTC().Format(time.DateOnly))
			os.Remove(at + incomplete) //nolint:errcheck // mostly there is none
			at = gone
		}
		err = errors.Join(err, os.RemoveAll(at))
		delete(in.buckets, vehicle) // it is weighed anew
	}
	return err
}

// sweep removes what has no name and came before orphans: parts whose sending broke
// off, which a vehicle may not remove itself; and what has a name, or is the last piece
// of a parcel, and came before named.
func (b *bucket) sweep(ctx context.Context, orphans, named time.Time) error {
	live := map[string]bool{}
	list, err := b.List(ctx)
	if err != nil && !errors.Is(err, jetstream.ErrNoObjectsFound) {
		return err
	}
	for _, o := range list {
		if o.ModTime.Before(named) && o.Name != wire.HeldName {
			if err := b.stream.Purge(ctx, jetstream.WithPurgeSubject(wire.ObjectSubject(b.vehicle, o.Name))); err != nil {
				return err
			}
			continue
		}
		live[wire.ChunksSubject(b.vehicle, o.NUID)] = true
	}
	chunks, err := b.subjects(ctx, wire.ChunksSubject(b.vehicle, "*"))
	if err != nil {
		return err
	}
	for subject := range chunks {
		if !live[subject] {
			if err := b.purgeOlder(ctx, subject, orphans); err != nil {
				return err
			}
		}
	}
	pieces, err := b.subjects(ctx, wire.Pieces(b.vehicle, "*", "*"))
	if err != nil {
		return err
	}
	parcels := map[string]bool{}
	for subject := range pieces {
		parcels[strings.Split(subject, ".")[2]] = true
	}
	for parcel := range parcels {
		if err := b.purgeOlder(ctx, wire.Pieces(b.vehicle, parcel, "*"), named); err != nil {
			return err
		}
	}
	return nil
}

func (b *bucket) subjects(ctx context.Context, filter string) (map[string]uint64, error) {
	st, err := b.stream.Info(ctx, jetstream.WithSubjectFilter(filter))
	if err != nil {
		return nil, err
	}
	return st.State.Subjects, nil
}

// purgeOlder removes the messages of a subject where the last of them came before a time.
func (b *bucket) purgeOlder(ctx context.Context, subject string, before time.Time) error {
	m, err := b.stream.GetLastMsgForSubject(ctx, subject)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil
	}
	if err != nil || !m.Time.Before(before) {
		return err
	}
	return b.stream.Purge(ctx, jetstream.WithPurgeSubject(subject))
}
