package intake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

// source is where a file is on the server.
type source interface {
	// fetch writes the file's bytes to w.
	fetch(ctx context.Context, r *wire.Record, w io.Writer) error
	// remove removes them from the server.
	remove(ctx context.Context, r *wire.Record)
}

// source is where the file of a record is.
func (in *intake) source(ctx context.Context, r *wire.Record) (source, error) {
	if r.Version >= wire.FileVersion {
		st, err := in.js.Stream(ctx, wire.PieceStream)
		return &pieces{st, wire.Pieces}, err
	}
	b, err := in.bucket(ctx, r.Vehicle)
	if err != nil || r.Version < wire.EarlierFileVersion {
		return b, err
	}
	return &pieces{b.stream, wire.EarlierPieces}, nil
}

// pieces are those of files in a stream, at the subjects that at names.
type pieces struct {
	stream jetstream.Stream
	at     func(vehicle, upload, offset string) string
}

// errMissing is a part that has not come, or not wholly.
var errMissing = errors.New("not all of its parts are there")

// fetch writes the bytes of a file to w, from its pieces one after the other.
func (p *pieces) fetch(ctx context.Context, r *wire.Record, w io.Writer) error {
	var list []cut
	at, n := int64(0), 0
	for at < r.File.Size {
		m, err := p.stream.GetLastMsgForSubject(ctx, p.at(r.Vehicle, r.Upload(), strconv.FormatInt(at, 36)))
		if errors.Is(err, jetstream.ErrMsgNotFound) && list == nil {
			if list, err = p.all(ctx, r); err != nil {
				return err
			}
		}
		if list != nil {
			m, err = p.over(ctx, list, at)
		}
		if err != nil {
			return err
		}
		at += int64(len(m.Data))
		if n++; len(m.Data) == 0 || at > r.File.Size || n > wire.MaxPieces {
			return &badFile{fmt.Errorf("file %s: a piece of %d bytes, the %dth, ends at %d; expected at most %d to byte %d", r.File.Name, len(m.Data), n, at, wire.MaxPieces, r.File.Size)}
		}
		if _, err := w.Write(m.Data); err != nil {
			return err
		}
	}
	return nil
}

// cut is where a piece begins and ends, and its number in the stream.
type cut struct {
	from, to int64
	seq      uint64
}

// all are the pieces of an upload, by their beginning. They are looked through where one
// does not begin where the last before it ends: a file may be cut otherwise after a break,
// and a piece of before it come after one of those.
func (p *pieces) all(ctx context.Context, r *wire.Record) (list []cut, err error) {
	for seq := uint64(0); len(list) <= 2*wire.MaxPieces; {
		m, err := p.stream.GetMsg(ctx, seq+1, jetstream.WithGetMsgSubject(p.at(r.Vehicle, r.Upload(), "*")))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			slices.SortFunc(list, func(a, b cut) int { return cmp.Compare(a.from, b.from) })
			return append(list, cut{from: -1}), nil // never nil
		}
		if err != nil {
			return nil, err
		}
		seq = m.Sequence
		if from, err := strconv.ParseInt(m.Subject[strings.LastIndexByte(m.Subject, '.')+1:], 36, 64); err == nil {
			list = append(list, cut{from, from + int64(len(m.Data)), seq})
		}
	}
	return nil, &badFile{fmt.Errorf("file %s: more than %d pieces", r.File.Name, 2*wire.MaxPieces)}
}

// over is the rest, from a byte on, of the piece that goes furthest beyond it.
func (p *pieces) over(ctx context.Context, list []cut, at int64) (*jetstream.RawStreamMsg, error) {
	best := cut{to: at}
	for _, c := range list {
		if c.from >= 0 && c.from <= at && c.to > best.to {
			best = c
		}
	}
	if best.seq == 0 {
		return nil, errMissing
	}
	m, err := p.stream.GetMsg(ctx, best.seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) || err == nil && int64(len(m.Data)) != best.to-best.from {
		return nil, errMissing
	}
	if err == nil {
		m.Data = m.Data[at-best.from:]
	}
	return m, err
}

// remove removes a file's pieces.
func (p *pieces) remove(ctx context.Context, r *wire.Record) {
	p.stream.Purge(ctx, jetstream.WithPurgeSubject(p.at(r.Vehicle, r.Upload(), "*"))) //nolint:errcheck // it only takes room
}
