// Package courier delivers what a store holds to a shop's server, and remembers
// what the server has confirmed.
package courier

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"joltwatch/storage"
	"joltwatch/storage/wire"
)

// Courier delivers what a store holds and the server has not.
type Courier struct {
	config *Config
	memory *memory
	now    func() time.Time
	log    zerolog.Logger
}

// New is the courier of a configuration that Load has read, or Check passed.
func New(c *Config, log zerolog.Logger) (*Courier, error) {
	if err := os.MkdirAll(c.State, 0o700); err != nil {
		return nil, err
	}
	m, err := readMemory(c.State)
	if err != nil {
		return nil, err
	}
	if m.Failure != "" {
		log.Warn().Msg(m.Failure)
	}
	return &Courier{config: c, memory: m, now: time.Now, log: log}, nil
}

// Round is what one visit to the server did.
type Round struct {
	Records int   `json:"records"`
	Files   int   `json:"files"`
	Bytes   int64 `json:"bytes"`
	// Parts are the parts of files that were confirmed.
	Parts int `json:"parts"`
	// Left is what is finished and still to be delivered.
	LeftFiles   int   `json:"left_files"`
	LeftRecords int   `json:"left_records"`
	LeftBytes   int64 `json:"left_bytes"`
	// Waits says why the rest waits, where it does.
	Waits string `json:"waits,omitempty"`
}

// errBroken is a link that broke.
var errBroken = errors.New("the connection broke")

// errBudget ends a round whose day has had its bytes.
var errBudget = errors.New("the day's budget is used up")

// Due says whether t is in the hours of the configuration.
func (c *Courier) Due(t time.Time) bool { return c.config.hours.allow(t) }

// waits are the times that the server is given to answer.
const (
	connectWait = 10 * time.Second
	answerWait  = 15 * time.Second
)

// Deliver makes one visit. What the server has confirmed is remembered, also
// where the visit ends early.
func (c *Courier) Deliver(ctx context.Context) (did Round, err error) {
	defer func() {
		c.memory.Failure = ""
		if err != nil {
			c.memory.Failure = err.Error()
		}
		err = errors.Join(err, c.memory.write())
	}()
	stay, ok, err := wire.StayOf(c.config.Store)
	if err != nil {
		return did, err
	}
	if !ok {
		did.Waits = "nothing has been recorded yet"
		return did, nil
	}
	c.memory.begin(stay.ID)
	work, err := c.look(stay)
	if err != nil {
		return did, err
	}
	work.count(&did)
	unitDue := c.now().Sub(c.memory.UnitAt) >= time.Hour || c.memory.UnitAt.After(c.now())
	if len(work.records)+len(work.files) == 0 && !unitDue {
		c.memory.LastAt = c.now()
		return did, c.removeDelivered(stay)
	}
	if today := c.now().Format(time.DateOnly); c.memory.Day != today {
		c.memory.Day, c.memory.Sent = today, 0
	}
	// What waits for an answer over a link that broke waits no longer.
	ctx, broken := context.WithCancelCause(ctx)
	defer broken(nil)
	conn, err := c.connect(func(*nats.Conn) { broken(errBroken) })
	if err != nil {
		return did, err
	}
	defer conn.Close()
	js, err := jetstream.New(conn, jetstream.WithDefaultTimeout(answerWait))
	if err != nil {
		return did, err
	}
	if unitDue {
		if work, err = c.reconcile(ctx, conn, stay, work, &did); err != nil {
			return did, err
		}
	}
	err = c.send(ctx, js, work, &did)
	if errors.Is(err, errBudget) {
		did.Waits, err = errBudget.Error(), nil
	}
	if err == nil && unitDue {
		err = c.sendUnit(ctx, js, stay, &did)
	}
	if err != nil || did.Waits != "" {
		return did, err
	}
	c.memory.LastAt = c.now()
	return did, c.removeDelivered(stay)
}

// work is what there is to deliver.
type work struct {
	records []wire.Keyed
	files   []file
}

type file struct {
	path string
	// body is the file where it changes in place: as it was when it was looked at.
	body    []byte
	changed time.Time
	record  wire.Record
}

func (w *work) count(did *Round) {
	did.LeftFiles, did.LeftRecords, did.LeftBytes = len(w.files), len(w.records), 0
	for i := range w.files {
		did.LeftBytes += w.files[i].record.File.Size
	}
}

// look finds what the server has not confirmed.
func (c *Courier) look(stay *wire.Stay) (*work, error) {
	w := new(work)
	all := stay.Records(c.config.Vehicle)
	for _, r := range all {
		if _, sent := c.memory.Records[r.Key]; !sent {
			w.records = append(w.records, r)
		}
	}
	for _, f := range stay.Files {
		if !f.Finished || f.Size == 0 || f.Size > wire.MaxFile {
			continue
		}
		path := filepath.Join(stay.Dir, f.Name)
		info, err := os.Stat(path)
		if os.IsNotExist(err) {
			continue // made room for others since it was listed
		}
		if err != nil {
			return nil, err
		}
		d, known := c.memory.Files[f.Name]
		if known && d.Size == info.Size() && d.Changed.Equal(info.ModTime()) {
			continue
		}
		sum, size, err := hash(path)
		if os.IsNotExist(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if known && d.SHA256 == sum {
			d.Changed = info.ModTime()
			c.memory.Files[f.Name] = d
			continue
		}
		w.files = append(w.files, file{path: path, changed: info.ModTime(), record: c.announce(stay, f.Name, sum, size)})
	}
	w.order(all)
	// The head last: it says how much there was.
	if sum := wire.Identity(stay.Head); stay.Head != nil && c.memory.Files[storage.HeadName].SHA256 != sum {
		w.files = append(w.files, file{body: stay.Head, record: c.announce(stay, storage.HeadName, sum, int64(len(stay.Head)))})
	}
	return w, nil
}

// order puts the newest findings first, then accounts, then journals, then evidence by
// the severest finding of its run.
func (w *work) order(all []wire.Keyed) {
	severest := map[string]float64{}
	for i := range all {
		if e := all[i].Event; e != nil {
			run := fmt.Sprintf("%06d", all[i].Run)
			severest[run] = max(severest[run], e.Finding.Severity)
		}
	}
	slices.SortStableFunc(w.records, func(a, b wire.Keyed) int {
		if (a.Event == nil) != (b.Event == nil) {
			return strings.Compare(string(b.Kind), string(a.Kind)) // event, then account
		}
		return cmp.Compare(b.At, a.At)
	})
	rank := func(f *file) float64 {
		if name := f.record.File.Name; strings.HasSuffix(name, ".evidence") {
			run, _, _ := strings.Cut(name, "-")
			return severest[run]
		}
		return math.Inf(1)
	}
	slices.SortStableFunc(w.files, func(a, b file) int { return cmp.Compare(rank(&b), rank(&a)) })
}

// announce is what announces a file; cut adds the parts.
func (c *Courier) announce(stay *wire.Stay, name, sum string, size int64) wire.Record {
	return wire.Record{Version: wire.Version, Kind: wire.KindFile, Vehicle: c.config.Vehicle, Stay: stay.ID,
		File: &wire.File{Name: name, Size: size, SHA256: sum}}
}

func hash(path string) (sum string, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), size, err
}

// connect makes one connection, which is not made again when it breaks: the next
// visit does that.
func (c *Courier) connect(closed nats.ConnHandler) (*nats.Conn, error) {
	o := []nats.Option{
		nats.Name("joltship " + c.config.Vehicle), nats.CustomInboxPrefix(wire.Inbox(c.config.Vehicle)),
		nats.Timeout(connectWait), nats.MaxReconnects(0), nats.NoReconnect(), nats.ClosedHandler(closed),
	}
	if c.config.CA != "" {
		o = append(o, nats.RootCAs(c.config.CA), nats.ClientCert(c.config.Certificate, c.config.Key))
	}
	if c.config.Token != "" {
		b, err := os.ReadFile(c.config.Token)
		if err != nil {
			return nil, err
		}
		o = append(o, nats.UserInfo(c.config.Vehicle, strings.TrimSpace(string(b))))
	}
	conn, err := nats.Connect(strings.Join(c.config.Servers, ","), o...)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", strings.Join(c.config.Servers, ", "), err)
	}
	return conn, nil
}

// send delivers the records, which are small and say most, and then the files.
func (c *Courier) send(ctx context.Context, js jetstream.JetStream, w *work, did *Round) error {
	for i := range w.records {
		r := &w.records[i]
		if err := c.publish(ctx, js, &r.Record, did); err != nil {
			var bad *unsendable
			if !errors.As(err, &bad) {
				return err
			}
			c.log.Warn().Str("record", r.Key).Err(err).Msg("not sent")
		} else {
			did.Records++
		}
		_, id, _ := r.Encode() // "" for what no server takes
		c.memory.Records[r.Key] = recordID(id)
		did.LeftRecords--
		if i%500 == 499 {
			if err := c.memory.write(); err != nil {
				return err
			}
		}
	}
	if len(w.files) == 0 {
		return nil
	}
	bucket, err := js.ObjectStore(ctx, wire.Bucket(c.config.Vehicle))
	if err != nil {
		return fmt.Errorf("the server's store of files: %w", err)
	}
	for i := range w.files {
		f := &w.files[i]
		c.cut(f.record.File)
		if err := c.sendFile(ctx, bucket, f, did); err != nil {
			return err
		}
		if err := c.publish(ctx, js, &f.record, did); err != nil {
			return err
		}
		x := f.record.File
		c.memory.Begun = begun{}
		c.memory.Files[x.Name] = delivered{Size: x.Size, SHA256: x.SHA256, Changed: f.changed}
		did.Files++
		did.LeftFiles--
		did.LeftBytes -= x.Size
		if err := c.memory.write(); err != nil {
			return err
		}
	}
	return nil
}

// unsendable is a record that no server takes.
type unsendable struct{ error }

// publish delivers one record and returns once the server has it on its medium.
func (c *Courier) publish(ctx context.Context, js jetstream.JetStream, r *wire.Record, did *Round) error {
	body, id, err := r.Encode()
	if err != nil {
		return &unsendable{err}
	}
	if err := c.spend(len(body), did); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	o := []jetstream.PublishOpt{jetstream.WithExpectStream(wire.Stream)}
	if r.Kind != wire.KindFile {
		o = append(o, jetstream.WithMsgID(id))
	} // A file that is announced again must reach the intake, which removes its parts.
	_, err = js.PublishMsg(ctx, &nats.Msg{Subject: wire.Subject(r.Vehicle, r.Kind), Data: body,
		Header: nats.Header{wire.SentHeader: {strconv.FormatInt(c.now().UnixMicro(), 10)}}}, o...)
	if err != nil {
		return fmt.Errorf("the server has not confirmed a record: %w", err)
	}
	return nil
}

// sendFile delivers the parts of a file that the server has not.
func (c *Courier) sendFile(ctx context.Context, bucket jetstream.ObjectStore, f *file, did *Round) error {
	var in io.ReaderAt = bytes.NewReader(f.body)
	if f.body == nil {
		there, err := os.Open(f.path)
		if err != nil {
			return err
		}
		defer there.Close()
		in = there
	}
	x := f.record.File
	b := make([]byte, wire.PartSize)
	there := true // is to be asked: the answer to what was under way may have been lost
	for i := c.memory.Begun.Done; i < x.Parts; i++ {
		from, n := x.PartAt(i)
		if got, err := in.ReadAt(b[:n], from); int64(got) < n {
			if err != nil && err != io.EOF {
				return err
			}
			return fmt.Errorf("%s became shorter while it was sent; it is sent again later", x.Name)
		}
		if there {
			var err error
			if there, err = has(ctx, bucket, x, i); err != nil {
				return err
			}
		}
		if !there {
			if err := c.sendPart(ctx, bucket, x, i, b[:n], did); err != nil {
				return err
			}
		}
		c.memory.Begun.Done++
	}
	return nil
}

// cut cuts a file into parts that the link has been seen to carry and the day's budget
// has room for. One that is under way goes on in the parts it was begun in.
func (c *Courier) cut(x *wire.File) {
	m := &c.memory.Begun
	if m.SHA256 != x.SHA256 || m.Done == 0 {
		size := int64(wire.PartSize)
		if c.memory.PartBytes != 0 {
			size = c.memory.PartBytes
		}
		if c.config.BudgetMB > 0 {
			size = min(size, int64(c.config.BudgetMB*1e6/4))
		}
		*m = begun{SHA256: x.SHA256, PartBytes: max(size, wire.LeastPart)}
	}
	if x.PartBytes = m.PartBytes; x.PartBytes == wire.PartSize {
		x.PartBytes = 0
	}
	x.Parts = wire.PartCount(x.Size, m.PartBytes)
}

// A link that breaks before it has carried fewParts makes those of the next file a
// quarter as large; one that has carried manyParts, twice as large.
const (
	fewParts  = 4
	manyParts = 16
)

// has reports whether the server has part i of a file.
func has(ctx context.Context, bucket jetstream.ObjectStore, x *wire.File, i int) (bool, error) {
	ctx, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	_, err := bucket.GetInfo(ctx, wire.PartName(x.SHA256, i, x.Parts))
	if errors.Is(err, jetstream.ErrObjectNotFound) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("file %s: %w", x.Name, err)
	}
	return true, nil
}

// sendPart delivers part i of a file.
func (c *Courier) sendPart(ctx context.Context, bucket jetstream.ObjectStore, x *wire.File, i int, b []byte, did *Round) error {
	if err := c.spend(len(b), did); err != nil {
		return err
	}
	put, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	size := c.memory.Begun.PartBytes
	if _, err := bucket.Put(put, jetstream.ObjectMeta{Name: wire.PartName(x.SHA256, i, x.Parts)}, bytes.NewReader(b)); err != nil {
		if did.Parts < fewParts && (ctx.Err() == nil || errors.Is(context.Cause(ctx), errBroken)) {
			c.memory.PartBytes = max(size/4, wire.LeastPart)
		}
		return fmt.Errorf("the server has not confirmed part %d of %d of %s: %w", i+1, x.Parts, x.Name, err)
	}
	did.Parts++
	if did.Parts >= manyParts && c.memory.PartBytes != 0 {
		c.memory.PartBytes = min(2*size, wire.PartSize)
	}
	return nil
}

// spend takes bytes from the day's budget.
func (c *Courier) spend(n int, did *Round) error {
	if most := int64(c.config.BudgetMB * 1e6); most > 0 && c.memory.Sent+int64(n) > most {
		return errBudget
	}
	c.memory.Sent += int64(n)
	did.Bytes += int64(n)
	return nil
}

func (c *Courier) sendUnit(ctx context.Context, js jetstream.JetStream, stay *wire.Stay, did *Round) error {
	now := c.now()
	r, err := stay.UnitRecord(c.config.Vehicle, now.UnixMicro(), did.LeftFiles, did.LeftBytes)
	if err != nil {
		return err
	}
	if c.memory.Lost != "" && now.Sub(c.memory.LostAt) < tellLost {
		r.Unit.Troubles = append(r.Unit.Troubles, c.memory.Lost)
	}
	// It says that more waits, so it may go over the budget.
	sent := c.memory.Sent
	c.memory.Sent = 0
	err = c.publish(ctx, js, r, did)
	c.memory.Sent += sent
	if err == nil {
		c.memory.UnitAt = now
	}
	return err
}

// removeDelivered lets local evidence go that the server has on its medium.
func (c *Courier) removeDelivered(stay *wire.Stay) error {
	if !c.config.RemoveDelivered {
		return nil
	}
	for _, f := range stay.Files {
		d, ok := c.memory.Files[f.Name]
		if !ok || d.Removed || !f.Evidence || !f.Finished {
			continue
		}
		// Once more: what goes is what was confirmed.
		sum, _, err := hash(filepath.Join(stay.Dir, f.Name))
		if os.IsNotExist(err) {
			continue
		}
		if err != nil {
			return err
		}
		if sum != d.SHA256 {
			continue
		}
		if err := storage.RemoveDelivered(stay.Dir, f.Name); err != nil {
			return err
		}
		d.Removed = true
		c.memory.Files[f.Name] = d
		c.log.Info().Str("file", f.Name).Msg("removed; the shop has it")
	}
	return nil
}
