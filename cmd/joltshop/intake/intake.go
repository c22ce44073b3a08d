// Package intake takes what vehicles have sent off the shop's stream: records go
// into the dataset, files of a store into a folder for each vehicle and stay, and
// what cannot be taken is set aside with the reason. A message is confirmed only
// once what it brought is durable; so a crash anywhere makes it come again, and
// what has come before is known by its identity.
package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/cmd/internal/durable"
	"joltwatch/storage"
	"joltwatch/storage/wire"
)

// Dataset is where records go.
type Dataset interface {
	// Add takes a record in, to be durable after the next Flush; a record
	// whose identity is there already is not written again.
	Add(r *wire.Record, id string, received time.Time) error
	Flush(ctx context.Context) error
}

// Options say what to take in.
type Options struct {
	// Conn is a connection that may read everything.
	Conn *nats.Conn
	// Dir is the shop's folder: files go to vehicles/VEHICLE/STAY in it, what
	// cannot be taken to parked.
	Dir     string
	Dataset Dataset
	// AckWait is after how long a message comes again that was under way when a
	// server failed; 0 means a minute. It must leave time for a Flush.
	AckWait time.Duration
	// Quota bounds what is taken in of one vehicle in a day; zero is the default.
	Quota Quota
	// Refuse, where set, is told of a vehicle that has passed its quota, why, and
	// until when. What it has sent already is taken in all the same.
	Refuse func(vehicle, why string, until time.Time)
	// SweepEvery is how often what was given up on the server is cleared away, one
	// vehicle at a time; 0 means an hour for all of them.
	SweepEvery time.Duration
	// KeepParts is how long the parts of a file are kept that was never announced: its
	// vehicle went away in between; 0 means partsKept. KeepStays is how long a stay
	// is kept in Dir to which nothing more has come; 0 means for ever.
	KeepParts, KeepStays time.Duration
	// Alone says that no other intake takes in from the same server: what was under
	// way when an earlier one was stopped comes again at once.
	Alone bool
	// Idle, where set, is called whenever the stream had nothing more.
	Idle func()
	// Logf, where set, is told what was set aside and what failed.
	Logf func(format string, args ...any)
}

// partsKept is for how long parts of a file that was never announced are kept where
// nothing else is said.
const partsKept = 30 * 24 * time.Hour

const (
	// consumerName is what the intakes of a shop share the stream by.
	consumerName = "intake"
	batch        = 500
	// A file whose parts are not all there is tried so often, retryWait
	// apart, before it is set aside.
	tries     = 5
	retryWait = 2 * time.Second
	// After so many rounds without a message, a second each, the server is asked
	// whether it is well.
	quietRounds = 3
	// A dataset or disk that refuses is tried again after this.
	refusedWait = 5 * time.Second
	// maxVehicle bounds the files kept of one vehicle, in bytes, so that a
	// hostile one does not fill the disk: some ten full stores.
	maxVehicle = 20 << 30
)

type intake struct {
	Options
	js      jetstream.JetStream
	parking *parking
	homes   map[string]*home
	ledger  ledger
	sweeper sweeper
}

// Run takes records in until the context ends. The stream must be there.
func Run(ctx context.Context, opt Options) error {
	if opt.Logf == nil {
		opt.Logf = func(string, ...any) {}
	}
	if opt.AckWait == 0 {
		opt.AckWait = time.Minute
	}
	if opt.SweepEvery == 0 {
		opt.SweepEvery = time.Hour
	}
	if opt.KeepParts == 0 {
		opt.KeepParts = partsKept
	}
	js, err := jetstream.New(opt.Conn)
	if err != nil {
		return err
	}
	in := &intake{Options: opt, js: js, parking: &parking{dir: filepath.Join(opt.Dir, "parked")}, homes: map[string]*home{}}
	if opt.Alone {
		if err := js.DeleteConsumer(ctx, wire.Stream, consumerName); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
			opt.Logf("intake: %v", err) // what was under way comes again later
		}
	}
	var consumer jetstream.Consumer
	for {
		consumer, err = js.CreateOrUpdateConsumer(ctx, wire.Stream, jetstream.ConsumerConfig{
			Durable: consumerName, AckPolicy: jetstream.AckExplicitPolicy, AckWait: opt.AckWait, MaxAckPending: 4 * batch,
		})
		if err == nil {
			break
		}
		if !in.pause(ctx, err) {
			return nil
		}
	}
	quiet, failures := 0, 0
	for ctx.Err() == nil {
		n, err := in.round(ctx, consumer)
		if quiet++; n > 0 {
			quiet = 0
		}
		if err == nil && quiet == quietRounds {
			// A server that is cut off from its cluster is as quiet as one
			// that has nothing.
			quiet = 0
			ask, cancel := context.WithTimeout(ctx, retryWait)
			_, err = consumer.Info(ask)
			cancel()
		}
		if err == nil {
			failures = 0
		} else if failures++; failures%2 == 0 && ctx.Err() == nil && !errors.As(err, new(*later)) {
			in.Conn.ForceReconnect() //nolint:errcheck // to another server, where there is one
		}
		if err != nil && !in.pause(ctx, err) {
			return nil
		}
		if err != nil {
			continue
		}
		if err := in.sweepNext(ctx, time.Now()); err != nil && ctx.Err() == nil {
			in.Logf("sweeping: %v; it is tried again", err)
		}
		if n == 0 && opt.Idle != nil {
			opt.Idle()
		}
	}
	return nil
}

// pause waits after a failure; it is false where the context has ended.
func (in *intake) pause(ctx context.Context, err error) bool {
	if ctx.Err() != nil {
		return false
	}
	in.Logf("intake: %v; it is tried again", err)
	select {
	case <-ctx.Done():
		return false
	case <-time.After(refusedWait / 5):
		return true
	}
}

// round takes in one batch.
func (in *intake) round(ctx context.Context, consumer jetstream.Consumer) (n int, err error) {
	messages, err := consumer.Fetch(batch, jetstream.FetchMaxWait(time.Second))
	if err != nil {
		return 0, err
	}
	var good []jetstream.Msg
	for m := range messages.Messages() {
		n++
		taken, err := in.take(ctx, m)
		var later *later
		switch {
		case errors.As(err, &later):
			in.Logf("intake: %s: %v", m.Subject(), err)
			m.NakWithDelay(later.wait) //nolint:errcheck // it comes again by itself
		case err != nil:
			in.Logf("set aside a message on %s: %v", m.Subject(), err)
			if err := in.parking.park(m.Subject(), m.Data(), err); err != nil {
				in.Logf("parked: %v", err)
				m.NakWithDelay(refusedWait) //nolint:errcheck // it comes again by itself
				continue
			}
			m.TermWithReason("set aside") //nolint:errcheck // it would be set aside again
		case taken:
			good = append(good, m)
		}
	}
	if err := messages.Error(); err != nil && !errors.Is(err, nats.ErrTimeout) {
		return n, err
	}
	if len(good) == 0 {
		return n, nil
	}
	if err := in.Dataset.Flush(ctx); err != nil {
		for _, m := range good {
			m.NakWithDelay(refusedWait) //nolint:errcheck // it comes again by itself
		}
		return n, &later{fmt.Errorf("the dataset has not taken %d records: %w", len(good), err), refusedWait}
	}
	for _, m := range good {
		if err := m.Ack(); err != nil {
			return n, err
		}
	}
	return n, nil
}

// later is a failure that may pass.
type later struct {
	error
	wait time.Duration
}

func (l *later) Unwrap() error { return l.error }

// take looks at one message. Any error but a later one is the message's own.
func (in *intake) take(ctx context.Context, m jetstream.Msg) (taken bool, err error) {
	subject := strings.Split(m.Subject(), ".")
	if len(subject) != 3 {
		return false, fmt.Errorf("a subject that is none of a vehicle: %.80q", m.Subject())
	}
	r, err := wire.Decode(m.Data())
	if err != nil {
		return false, err
	}
	if r.Vehicle != subject[1] || string(r.Kind) != subject[2] {
		return false, fmt.Errorf("a record of %s of vehicle %s, sent as %s of vehicle %s", r.Kind, r.Vehicle, subject[2], subject[1])
	}
	meta, err := m.Metadata()
	if err != nil {
		return false, err
	}
	if over := in.ledger.add(in.Quota, r.Vehicle, len(m.Data()), meta.Timestamp); over != "" && in.Refuse != nil {
		in.Refuse(r.Vehicle, over, meta.Timestamp.UTC().Truncate(24*time.Hour).Add(24*time.Hour))
	}
	if r.Kind == wire.KindFile {
		if err := in.file(ctx, r, meta.NumDelivered); err != nil {
			return false, err
		}
		return true, nil
	}
	if sent, err := strconv.ParseInt(m.Headers().Get(wire.SentHeader), 10, 64); err == nil {
		r.Sent = sent
	}
	if err := in.Dataset.Add(r, wire.Identity(m.Data()), meta.Timestamp); err != nil {
		return false, err
	}
	return true, nil
}

// file puts a delivered file into its place and then removes its parts from the
// server.
func (in *intake) file(ctx context.Context, r *wire.Record, delivered uint64) error {
	f := r.File
	dir := filepath.Join(in.Dir, "vehicles", r.Vehicle, r.Stay)
	path := filepath.Join(dir, f.Name)
	home, err := in.home(r.Vehicle)
	if err != nil {
		return &later{err, refusedWait}
	}
	from, err := in.source(ctx, r)
	if err != nil {
		return &later{err, retryWait}
	}
	if sum, _, err := wire.SumOf(path); err == nil && sum == f.SHA256 {
		from.remove(ctx, r) // it has come before
		return nil
	}
	if home.used+f.Size > maxVehicle {
		return fmt.Errorf("file %s of stay %s: the folder of vehicle %s has %d bytes and may have %d; move stays that are done elsewhere", f.Name, r.Stay, r.Vehicle, home.used, int64(maxVehicle))
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return &later{err, refusedWait}
	}
	out, err := os.CreateTemp(dir, incoming)
	if err != nil {
		return &later{err, refusedWait}
	}
	defer os.Remove(out.Name())
	err = assemble(ctx, from, r, out)
	err = errors.Join(err, out.Close())
	var bad *badFile
	switch {
	case errors.As(err, &bad):
		return err
	case errors.Is(err, errMissing) && f.Name == storage.HeadName && headNumber(path) > 0:
		return nil // a newer one has come, or the next visit brings it
	case errors.Is(err, errMissing) && delivered >= tries:
		return fmt.Errorf("file %s of stay %s: %w", f.Name, r.Stay, err)
	case err != nil:
		return &later{fmt.Errorf("file %s: %w", f.Name, err), retryWait}
	}
	if f.Name == storage.HeadName && headNumber(out.Name()) < headNumber(path) {
		from.remove(ctx, r) // it was under way when a newer one came
		return nil
	}
	if err := errors.Join(os.Rename(out.Name(), path), durable.SyncDir(dir)); err != nil {
		return &later{err, refusedWait}
	}
	home.used += f.Size
	from.remove(ctx, r)
	if r.Version >= wire.FileVersion {
		in.outgrown(ctx, r.Vehicle)
	}
	if said, err := os.ReadFile(dir + incomplete); f.Name == storage.HeadName || err == nil && strings.Contains(string(said), f.Name) {
		in.holdAgainst(r, dir)
	}
	return nil
}

// headNumber is the number of the head in a file; 0 where there is none.
func headNumber(path string) uint32 {
	f, err := os.Open(path)
	if err != nil {
		return 0
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, 1<<16))
	if err != nil {
		return 0
	}
	return storage.HeadNumber(b)
}

// maxMissing bounds what is said of one stay, in lines.
const maxMissing = 20

// holdAgainst holds what has come of a stay against what its head and journals say
// was there, and notes beside the stay what has not come.
func (in *intake) holdAgainst(r *wire.Record, dir string) {
	missing, err := storage.Missing(dir)
	if err != nil {
		missing = []string{err.Error()}
	}
	if len(missing) == 0 {
		os.Remove(dir + incomplete) //nolint:errcheck // mostly there is none
		return
	}
	if more := len(missing) - maxMissing; more > 0 {
		missing = append(missing[:maxMissing], fmt.Sprintf("and %d more", more))
	}
	in.Logf("vehicle %s, stay %s: not all that it recorded has come: %s", r.Vehicle, r.Stay, strings.Join(missing, "; "))
	if err := os.WriteFile(dir+incomplete, []byte(strings.Join(missing, "\n")+"\n"), 0o600); err != nil {
		in.Logf("%v", err)
	}
}

// incomplete ends the name, beside a stay, of what says that not all of it has come.
const incomplete = ".incomplete"

// Incomplete is a stay of which not all has come.
type Incomplete struct {
	Vehicle, Stay string
	// At is when that was seen, Missing what has not come, the first of it.
	At      time.Time
	Missing string
}

// IncompleteIn are the stays in a shop's folder of which not all has come, by vehicle.
func IncompleteIn(dir string) (list []Incomplete, err error) {
	names, err := filepath.Glob(filepath.Join(dir, "vehicles", "*", "*"+incomplete))
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			continue
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		first, _, _ := strings.Cut(string(text), "\n")
		list = append(list, Incomplete{filepath.Base(filepath.Dir(name)), strings.TrimSuffix(filepath.Base(name), incomplete), info.ModTime(), first})
	}
	return list, err
}

// incoming begins the name of a file that is being put together.
const incoming = ".incoming-"

// badFile is a file whose bytes are not those that were announced.
type badFile struct{ error }

func assemble(ctx context.Context, from source, r *wire.Record, out *os.File) error {
	h, f := sha256.New(), r.File
	if err := from.fetch(ctx, r, io.MultiWriter(out, h)); err != nil {
		return err
	}
	if sum := hex.EncodeToString(h.Sum(nil)); sum != f.SHA256 {
		return &badFile{fmt.Errorf("file %s: its bytes have the SHA-256 %s, announced was %s", f.Name, sum, f.SHA256)}
	}
	return out.Sync()
}
