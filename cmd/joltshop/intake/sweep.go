package intake

import (
	"context"
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/cmd/internal/durable"
	"joltwatch/storage/wire"
)

// orphanAge is when what is left of a part that broke off is taken for given up.
const orphanAge = 24 * time.Hour

// sweeper goes round the vehicles.
type sweeper struct {
	due  time.Time
	left []string
	// uploads are those of which there are pieces, by vehicle, and buckets the vehicles
	// that have one.
	uploads map[string]map[string]bool
	buckets map[string]bool
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
	st, err := in.js.Stream(ctx, wire.PieceStream)
	if err != nil {
		return err
	}
	if err := (&pieces{st, wire.Pieces}).sweep(ctx, vehicle, s.uploads[vehicle], now.Add(-in.KeepParts)); err != nil {
		return err
	}
	if !s.buckets[vehicle] {
		return nil
	}
	b, err := in.bucket(ctx, vehicle)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil // outgrown since
	}
	if err != nil {
		return err
	}
	return b.sweep(ctx, now.Add(-orphanAge), now.Add(-in.KeepParts))
}

// sweepAll lists the vehicles that have pieces of files on the server, a bucket, or files.
func (in *intake) sweepAll(ctx context.Context) error {
	all := map[string]bool{}
	s := &in.sweeper
	s.buckets = map[string]bool{}
	st, err := in.js.Stream(ctx, wire.PieceStream)
	if err != nil {
		return err
	}
	info, err := st.Info(ctx, jetstream.WithSubjectFilter(wire.PieceSubjects))
	if err != nil {
		return err
	}
	s.uploads = uploadsIn(info.State.Subjects)
	for vehicle := range s.uploads {
		all[vehicle] = true
	}
	names := in.js.StreamNames(ctx)
	for name := range names.Name() {
		if vehicle, ok := strings.CutPrefix(name, "OBJ_"+wire.Bucket("")); ok {
			all[vehicle], s.buckets[vehicle] = true, true
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
			s.left = append(s.left, vehicle)
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
			err = errors.Join(err, os.Rename(at, gone), durable.SyncDir(home))
			in.Logf("vehicle %s: stay %s was let go: nothing has come to it since %s", vehicle, e.Name(), info.ModTime().UTC().Format(time.DateOnly))
			os.Remove(at + incomplete) //nolint:errcheck // mostly there is none
			at = gone
		}
		err = errors.Join(err, os.RemoveAll(at))
		delete(in.homes, vehicle) // it is weighed anew
	}
	return err
}

// sweep removes what has no name and came before orphans: parts whose sending broke
// off, which a vehicle may not remove itself; and what has a name, or is the last piece
// of an upload, and came before named.
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
			if err := purgeOlder(ctx, b.stream, subject, orphans); err != nil {
				return err
			}
		}
	}
	subjects, err := b.subjects(ctx, wire.EarlierPieces(b.vehicle, "*", "*"))
	if err != nil {
		return err
	}
	return (&pieces{b.stream, wire.EarlierPieces}).sweep(ctx, b.vehicle, uploadsIn(subjects)[b.vehicle], named)
}

// uploadsIn are the uploads, by vehicle, that subjects of pieces name.
func uploadsIn(subjects map[string]uint64) map[string]map[string]bool {
	of := map[string]map[string]bool{}
	for subject := range subjects {
		vehicle, upload := wire.PieceOf(subject)
		if of[vehicle] == nil {
			of[vehicle] = map[string]bool{}
		}
		of[vehicle][upload] = true
	}
	return of
}

// sweep removes the pieces of uploads the last of which came before a time.
func (p *pieces) sweep(ctx context.Context, vehicle string, uploads map[string]bool, before time.Time) error {
	for upload := range uploads {
		if err := purgeOlder(ctx, p.stream, p.at(vehicle, upload, "*"), before); err != nil {
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
func purgeOlder(ctx context.Context, st jetstream.Stream, subject string, before time.Time) error {
	m, err := st.GetLastMsgForSubject(ctx, subject)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil
	}
	if err != nil || !m.Time.Before(before) {
		return err
	}
	return st.Purge(ctx, jetstream.WithPurgeSubject(subject))
}
