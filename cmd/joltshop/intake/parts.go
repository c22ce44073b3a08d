package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

// bucket is the object store of a vehicle whose courier is of before, and the stream
// under it.
type bucket struct {
	jetstream.ObjectStore
	stream  jetstream.Stream
	vehicle string
}

func (in *intake) bucket(ctx context.Context, vehicle string) (*bucket, error) {
	b, name := &bucket{vehicle: vehicle}, wire.Bucket(vehicle)
	var err error
	if b.ObjectStore, err = in.js.ObjectStore(ctx, name); err == nil {
		b.stream, err = in.js.Stream(ctx, "OBJ_"+name)
	}
	return b, err
}

// outgrown removes the bucket of a vehicle that sends without one, once nothing is in it
// but what the shop itself said there: a start looks through each.
func (in *intake) outgrown(ctx context.Context, vehicle string) {
	h := in.homes[vehicle]
	if h == nil || h.outgrown {
		return
	}
	b, err := in.bucket(ctx, vehicle)
	if h.outgrown = errors.Is(err, jetstream.ErrBucketNotFound); err != nil {
		return
	}
	all, err := b.subjects(ctx, ">")
	if err != nil {
		return
	}
	for subject := range all {
		if subject != wire.ObjectSubject(vehicle, wire.HeldName) && !strings.HasPrefix(subject, wire.ChunksSubject(vehicle, "")) {
			return
		}
	}
	if err := in.js.DeleteStream(ctx, "OBJ_"+wire.Bucket(vehicle)); err == nil {
		in.Logf("vehicle %s: sends without a bucket of its own now; the empty one was removed", vehicle)
	}
}

// fetch writes the bytes of a file to w where it was sent in parts.
func (b *bucket) fetch(ctx context.Context, r *wire.Record, w io.Writer) error {
	list, err := b.parts(ctx, r.File)
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

// remove removes a file's parts.
func (b *bucket) remove(ctx context.Context, r *wire.Record) {
	f := r.File
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
