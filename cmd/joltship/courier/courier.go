// Package courier delivers what a store holds to a shop's server, and remembers
// what the server has confirmed.
package courier

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
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
	// meter counts this visit; kept is when the memory was last written in it.
	meter *meter
	kept  time.Time
	// quiet is after how long without an answer the server is pinged; it has lost the
	// question where none comes for twice as long after it is known to be reached.
	quiet time.Duration
	// sessions of TLS to take up again.
	sessions tls.ClientSessionCache
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
	return &Courier{config: c, memory: m, now: time.Now, log: log, meter: new(meter), quiet: 10 * time.Second, sessions: short{tls.NewLRUClientSessionCache(8)}}, nil
}

// Round is what one visit to the server did.
type Round struct {
	Records int `json:"records"`
	Files   int `json:"files"`
	// FileBytes are those files' own, Bytes what was sent of them and of records.
	FileBytes int64 `json:"file_bytes"`
	Bytes     int64 `json:"sent_bytes"`
	// LinkBytes went over the link, both ways and with all that goes with it;
	// Confirmed are those of files that were.
	LinkBytes int64 `json:"link_bytes"`
	Confirmed int64 `json:"confirmed"`
	// Left is what is finished and still to be delivered.
	LeftFiles   int   `json:"left_files"`
	LeftRecords int   `json:"left_records"`
	LeftBytes   int64 `json:"left_bytes"`
	// Nothing is that the store has nothing, or is none.
	Nothing bool `json:"nothing,omitempty"`
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
	connectWait = 30 * time.Second
	answerWait  = 30 * time.Second
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
		did.Nothing = true
		did.Waits = c.config.Store + ": nothing has been recorded there yet"
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
	if err := c.room(connectBytes + c.budget()/budgetPieces); err != nil {
		did.Waits = err.Error()
		return did, nil
	}
	c.meter = new(meter)
	defer func() {
		did.LinkBytes = c.meter.total()
		c.memory.Sent += did.LinkBytes
		c.meter = new(meter)
	}()
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
	err = c.send(ctx, conn, js, work, &did)
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
		sum, size, err := wire.SumOf(path)
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

// announce is what announces a file.
func (c *Courier) announce(stay *wire.Stay, name, sum string, size int64) wire.Record {
	return wire.Record{Version: wire.FileVersion, Kind: wire.KindFile, Vehicle: c.config.Vehicle, Stay: stay.ID,
		File: &wire.File{Name: name, Size: size, SHA256: sum}}
}

// connect makes one connection, which is not made again when it breaks: the next
// visit does that.
func (c *Courier) connect(closed nats.ConnHandler) (*nats.Conn, error) {
	o := []nats.Option{
		nats.Name(wire.ClientName), nats.CustomInboxPrefix(wire.Inbox(c.config.Vehicle)),
		nats.SetCustomDialer(c.meter), nats.MaxReconnects(0), nats.NoReconnect(), nats.ClosedHandler(closed),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}), // what fails says so itself
	}
	if c.config.CA != "" {
		// A frame of TLS is as large as what is written; a key share of the hybrid
		// kind would be a kilobyte for each connection.
		o = append(o, nats.Secure(&tls.Config{MinVersion: tls.VersionTLS13, DynamicRecordSizingDisabled: true, ClientSessionCache: c.sessions, CurvePreferences: []tls.CurveID{tls.X25519}}))
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
func (c *Courier) send(ctx context.Context, conn *nats.Conn, js jetstream.JetStream, w *work, did *Round) error {
	for i := range w.records {
		r := &w.records[i]
		if err := c.publish(ctx, js, &r.Record, did); err != nil {
			if _, ok := errors.AsType[*unsendable](err); !ok {
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
	t := c.newTransfer(conn, did)
	for i := range w.files {
		f := &w.files[i]
		if err := t.file(ctx, f); err != nil {
			return err
		}
		if err := c.publish(ctx, js, &f.record, did); err != nil {
			return err
		}
		x := f.record.File
		c.memory.Begun = begun{}
		c.memory.Files[x.Name] = delivered{Size: x.Size, SHA256: x.SHA256, Changed: f.changed}
		did.Files++
		did.FileBytes += x.Size
		did.LeftFiles--
		did.LeftBytes -= x.Size
		if err := c.memory.write(); err != nil {
			return err
		}
	}
	t.ended()
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
	if r.Kind != wire.KindUnit {
		if err := c.room(int64(len(body))); err != nil {
			return err
		}
	}
	did.Bytes += int64(len(body))
	ctx, cancel := context.WithTimeout(ctx, answerWait+time.Duration(len(body)/slowest)*time.Second)
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

const (
	// connectBytes is what a connection costs, both ways, and unitBytes what the
	// unit's own report does.
	connectBytes = 6_000
	unitBytes    = 2_000
	// budgetPieces is how many pieces a day's budget has room for at least.
	budgetPieces = 20
)

// budget is what may go over the link on a day, in bytes; 0 is no bound.
func (c *Courier) budget() int64 { return int64(c.config.BudgetMB * 1e6) }

// room says whether the day's budget has so many bytes left, and those of the unit's own
// report, which says that more waits.
func (c *Courier) room(n int64) error {
	if most := c.budget(); most > 0 && c.memory.Sent+c.meter.total()+n+unitBytes > most {
		return errBudget
	}
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
	err = c.publish(ctx, js, r, did)
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
		sum, _, err := wire.SumOf(filepath.Join(stay.Dir, f.Name))
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
