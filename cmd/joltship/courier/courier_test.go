package courier

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltshop/intake"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/storage/wire"
)

// What is in the store arrives, once, whatever the courier forgets.
func TestDelivers(t *testing.T) {
	store, shopDir := t.TempDir(), t.TempDir()
	record(t, store, 2)
	rows := newSink()
	conn, url := shopFor(t, shopDir, rows)

	c := newTestCourier(t, "van-1", store, url)
	did := mustDeliver(t, c)
	if did.Records != 8+2 || did.Files < 4 || did.LeftRecords+did.LeftFiles != 0 || did.LeftBytes != 0 {
		t.Errorf("%+v; want the records of 8 events and 2 accounts, and all files", did)
	}
	all := func() bool {
		return rows.count(wire.KindEvent) == 8 && rows.count(wire.KindAccount) == 2 && rows.count(wire.KindUnit) >= 1 && sameFiles(t, store, shopDir, "van-1")
	}
	wait.Until(t, "everything", all)
	for _, r := range rows.rows {
		if r.Sent < time.Now().Add(-time.Hour).UnixMicro() {
			t.Errorf("a record that does not say when it was sent: %d", r.Sent)
		}
	}
	if did := mustDeliver(t, c); did.Bytes != 0 {
		t.Errorf("sent again: %+v", did)
	}

	// What was delivered is known to a courier begun anew; one that has lost
	// its memory offers it again, and it is not there twice.
	again, err := New(c.config, c.log)
	if err != nil {
		t.Fatal(err)
	}
	if did := mustDeliver(t, again); did.Bytes != 0 {
		t.Errorf("sent again after a restart: %+v", did)
	}
	if err := os.WriteFile(filepath.Join(c.config.State, "delivered.json"), []byte("{torn"), 0o600); err != nil {
		t.Fatal(err)
	}
	if again, err = New(c.config, c.log); err != nil {
		t.Fatal(err)
	}
	if did := mustDeliver(t, again); did.Records != 10 {
		t.Errorf("after losing its memory: %+v", did)
	}
	wait.Until(t, "nothing more on the stream", func() bool { return drained(t, conn) })
	if !all() {
		t.Error("something is there twice, or was lost")
	}
}

// drained reports whether the intake has confirmed all there was.
func drained(t *testing.T, conn *nats.Conn) bool {
	t.Helper()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	c, err := js.Consumer(context.Background(), wire.Stream, "intake")
	if err != nil {
		return false
	}
	info, err := c.Info(context.Background())
	return err == nil && info.NumPending == 0 && info.NumAckPending == 0
}

// The shop tells a stay of which not all has come, from its head and journals.
func TestShopNamesWhatIsMissing(t *testing.T) {
	store, shopDir := t.TempDir(), t.TempDir()
	record(t, store, 2)
	conn, url := shopFor(t, shopDir, newSink())
	missing := func() string {
		list, err := intake.IncompleteIn(shopDir)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 0 {
			return ""
		}
		return list[0].Vehicle + ": " + list[0].Missing
	}
	c := newTestCourier(t, "van-1", store, url)
	mustDeliver(t, c)
	wait.Until(t, "everything", func() bool { return sameFiles(t, store, shopDir, "van-1") && drained(t, conn) })
	stay, _, err := wire.StayOf(store)
	if err != nil {
		t.Fatal(err)
	}
	at := filepath.Join(shopDir, "vehicles", "van-1", stay.ID)
	if v, err := storage.Verify(at); err != nil || !v.Whole || missing() != "" {
		t.Fatalf("of a whole stay: %v, %+v, said: %q", err, v, missing())
	}
	for _, f := range stay.Files {
		body, err := os.ReadFile(filepath.Join(at, f.Name))
		if err != nil {
			t.Fatal(err)
		}
		// The vehicle is without it, and its courier offers the head anew.
		if err := os.Remove(filepath.Join(at, f.Name)); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(filepath.Join(at, storage.HeadName)); err != nil {
			t.Fatal(err)
		}
		delete(c.memory.Files, storage.HeadName)
		mustDeliver(t, c)
		wait.Until(t, "what is said of "+f.Name, func() bool { return strings.Contains(missing(), f.Name) || strings.Contains(missing(), "its journal") })
		// It comes after all.
		delete(c.memory.Files, f.Name)
		mustDeliver(t, c)
		wait.Until(t, f.Name+" and no word of it", func() bool { return missing() == "" })
		if again, err := os.ReadFile(filepath.Join(at, f.Name)); err != nil || !bytes.Equal(again, body) {
			t.Errorf("%s: %v", f.Name, err)
		}
	}
}

// dropping passes connections on and drops each after so many bytes from the courier,
// give or take a tenth, so that no size of a piece is lucky;
// it counts what the courier sent, by whichever connection.
type dropping struct {
	at    string
	after atomic.Int64
	sent  atomic.Int64
	drops atomic.Int64
	open  atomic.Int64
	back  atomic.Int64

	tick  func()
	mu    sync.Mutex
	kinds map[string]int
}

func newDropping(t *testing.T, to string, after int64, tick func()) *dropping {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	d := &dropping{at: to[:strings.Index(to, "//")+2] + l.Addr().String(), tick: tick, kinds: map[string]int{}}
	d.after.Store(after)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go d.pass(c, to[strings.Index(to, "//")+2:])
		}
	}()
	return d
}

func (d *dropping) pass(c net.Conn, to string) {
	d.open.Add(1)
	defer d.open.Add(-1)
	defer c.Close()
	s, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer s.Close()
	go func() {
		n, _ := io.Copy(c, s) // until it is dropped
		d.back.Add(n)
	}()
	var kept bytes.Buffer
	after := d.after.Load()
	after += rand.Int64N(after/5) - after/10
	n, _ := io.CopyN(io.MultiWriter(paced{s, d.tick}, &kept), c, after)
	d.mu.Lock()
	byKind(kept.Bytes(), d.kinds)
	d.mu.Unlock()
	if d.sent.Add(n); n == after {
		d.drops.Add(1)
	}
}

var inRealTime = flag.Bool("real", false, "the link of 8 kbit/s in real time, 25 minutes for each kind")

// paced is a link that passes 500 bytes a tick.
type paced struct {
	io.Writer
	tick func()
}

func (p paced) Write(b []byte) (n int, err error) {
	for len(b) > 0 && err == nil {
		var k int
		k, err = p.Writer.Write(b[:min(len(b), 500)])
		n, b = n+k, b[k:]
		p.tick()
	}
	return n, err
}

// ticks are half a second, as for 8 kbit/s, or what the server takes to have six
// messages on its medium, one after the other: a slow link is one that is slower than the
// server, however busy the machine is.
func ticks(t *testing.T, conn *nats.Conn) func() {
	if *inRealTime {
		return func() { time.Sleep(500 * time.Millisecond) }
	}
	js, err := jetstream.New(conn, jetstream.WithDefaultTimeout(time.Until(wait.End(t))))
	if err != nil {
		t.Fatal(err)
	}
	var n atomic.Int64
	return func() {
		for range 6 {
			if _, err := js.Publish(context.Background(), wire.Piece("nobody", "tick", n.Add(1)), nil); err != nil && !conn.IsClosed() {
				t.Error(err)
			}
		}
	}
}

// A link that drops after the courier has sent 30 kB, as one of 8 kbit/s does that drops
// every 30 seconds: a file of a megabyte arrives with at most 10 % more bytes sent than it
// has, connecting included, once the courier has seen what the link carries. The counts say
// what they are for, where they can be read.
func TestLinkThatDrops(t *testing.T) {
	for _, secure := range []bool{false, true} {
		t.Run(map[bool]string{false: "plain", true: "TLS"}[secure], func(t *testing.T) { linkThatDrops(t, secure) })
	}
}

func linkThatDrops(t *testing.T, secure bool) {
	const size, carried = 1 << 20, 30_000
	store, shopDir := t.TempDir(), t.TempDir()
	record(t, store, 1)
	conn, url, config := secured(t, shopDir, secure)
	link := newDropping(t, url, 1<<30, ticks(t, conn))
	c := newTestCourier(t, "van-1", store, link.at)
	c.config.CA, c.config.Certificate, c.config.Key = config.CA, config.Certificate, config.Key
	closed := func() {
		t.Helper()
		wait.Until(t, "the link to be closed", func() bool { return link.open.Load() == 0 })
	}
	mustDeliver(t, c) // what there is beside
	closed()
	body := make([]byte, size)
	for i := range body {
		body[i] = byte(rand.Uint32())
	}
	deliver := func(name string, body []byte) (sent, visits int64) {
		if err := os.WriteFile(filepath.Join(store, name), body, 0o600); err != nil {
			t.Fatal(err)
		}
		before := link.sent.Load()
		for {
			visits++
			did, err := c.Deliver(context.Background())
			if err == nil && did.LeftFiles == 0 {
				closed()
				sent = link.sent.Load() - before
				return sent, visits
			}
			if visits > 200 {
				t.Fatalf("not there after %d visits: %+v, %v", visits, did, err)
			}
			if again, err := New(c.config, c.log); err != nil { // as after a restart
				t.Fatal(err)
			} else {
				again.sessions = c.sessions
				c = again
			}
		}
	}
	link.after.Store(carried)
	sent, visits := deliver("000001-090.evidence", body[:size/8])
	t.Logf("at first: %d bytes for a file of %d, in %d visits, %d drops", sent, size/8, visits, link.drops.Load())
	clear(link.kinds)
	link.back.Store(0)
	sent, visits = deliver("000001-091.evidence", body)
	t.Logf("then: %d bytes for a file of %d, %.1f %% more, in %d visits with pieces of %d; %d bytes back; what they were for:%s", sent, size, 100*float64(sent-size)/size, visits, pieceSize(c.memory.carries(), size), link.back.Load(), kindsText(link.kinds))
	if float64(sent) > 1.1*size {
		t.Errorf("%d bytes for a file of %d", sent, size)
	}
	stay, _, err := wire.StayOf(store)
	if err != nil {
		t.Fatal(err)
	}
	wait.Until(t, "the file", func() bool {
		b, err := os.ReadFile(filepath.Join(shopDir, "vehicles", "van-1", stay.ID, "000001-091.evidence"))
		return err == nil && bytes.Equal(b, body)
	})
}

// A day's budget ends a visit; later days go on where it ended, and no part of a
// file is sent twice.
func TestBudgetResumes(t *testing.T) {
	store, shopDir := t.TempDir(), t.TempDir()
	record(t, store, 1)
	// A large file, as weeks of a full bus make: many parts.
	big := filepath.Join(store, "000001-090.evidence")
	if err := os.WriteFile(big, bytes.Repeat([]byte("0123456789abcdef"), 100_000), 0o600); err != nil {
		t.Fatal(err)
	}
	_, url := shopFor(t, shopDir, newSink())
	c := newTestCourier(t, "van-1", store, url)
	c.config.BudgetMB = 0.6
	at := time.Date(2026, 3, 2, 20, 0, 0, 0, time.UTC)
	c.now = func() time.Time { return at }
	var sum int64
	days := 0
	for ; days < 10; days++ {
		did := mustDeliver(t, c)
		sum += did.Bytes
		if did.LinkBytes > 600_000 {
			t.Errorf("day %d: %d bytes over the link of a budget of 600000", days, did.LinkBytes)
		}
		if did.Waits == "" {
			break
		}
		if did := mustDeliver(t, c); did.LinkBytes > 0 {
			t.Errorf("more than the budget: %+v", did)
		}
		at = at.Add(24 * time.Hour)
	}
	stay, _, err := wire.StayOf(store)
	if err != nil {
		t.Fatal(err)
	}
	var size int64
	for _, f := range stay.Files {
		size += f.Size
	}
	if days < 2 || sum > size+20_000 {
		t.Errorf("%d bytes sent on %d days for %d bytes of files", sum, days+1, size)
	}
	wait.Until(t, "the files", func() bool { return sameFiles(t, store, shopDir, "van-1") })
}

// A server that is away for days costs nothing but time; one whose disk is full,
// or whose dataset refuses, takes nothing for delivered that is not durable.
func TestServerTroubles(t *testing.T) {
	store, shopDir, data := t.TempDir(), t.TempDir(), t.TempDir()
	record(t, store, 1)
	s := node(t, func(o *server.Options) { o.StoreDir, o.JetStreamMaxStore = data, 64<<20 })
	url, port := s.ClientURL(), s.Addr().String()
	conn := dial(t, url)
	js := prepare(t, conn, 1, "van-1")
	rows := newSink()
	rows.refuse(errors.New("no space left on device"))
	c := newTestCourier(t, "van-1", store, url)

	// The stream is full: it refuses, and nothing is marked as delivered.
	info, err := js.Stream(context.Background(), wire.Stream)
	if err != nil {
		t.Fatal(err)
	}
	full := info.CachedInfo().Config
	room := full.MaxBytes
	full.MaxBytes = 1500
	if _, err := js.UpdateStream(context.Background(), full); err != nil {
		t.Fatal(err)
	}
	if did, err := c.Deliver(context.Background()); err == nil || did.LeftRecords == 0 || !strings.Contains(err.Error(), "not confirmed") {
		t.Errorf("a full server: %+v, %v", did, err)
	}
	full.MaxBytes = room
	if _, err := js.UpdateStream(context.Background(), full); err != nil {
		t.Fatal(err)
	}

	// Away for days.
	s.Shutdown()
	s.WaitForShutdown()
	at := time.Now()
	c.now = func() time.Time { return at }
	for range 6 {
		if _, err := c.Deliver(context.Background()); err == nil {
			t.Error("delivered to a server that is away")
		}
		at = at.Add(24 * time.Hour)
	}
	if st, err := c.Status(); err != nil || st.Failure == "" || st.LeftRecords == 0 {
		t.Errorf("status %+v, %v", st, err)
	}
	_, portNumber, _ := strings.Cut(port, "127.0.0.1:")
	node(t, func(o *server.Options) {
		o.StoreDir, o.JetStreamMaxStore = data, 64<<20
		fmt.Sscan(portNumber, &o.Port)
	})
	mustDeliver(t, c)
	wait.Until(t, "the connection", conn.IsConnected)

	// The dataset refuses for a while: the stream keeps it all.
	takeIn(t, conn, shopDir, rows)
	wait.Until(t, "a refusal", func() bool { return rows.refused() > 0 })
	if rows.count(wire.KindEvent) != 0 || drained(t, conn) {
		t.Error("confirmed without being durable")
	}
	rows.refuse(nil)
	wait.Until(t, "everything", func() bool {
		return rows.count(wire.KindEvent) == 4 && rows.count(wire.KindAccount) == 1 && sameFiles(t, store, shopDir, "van-1")
	})
}

// What a hostile or newer vehicle sends is set aside with the reason; the rest
// arrives unharmed.
func TestHostileAndNewerRecords(t *testing.T) {
	store, shopDir := t.TempDir(), t.TempDir()
	record(t, store, 1)
	s := node(t, nil)
	conn := dial(t, s.ClientURL())
	js := prepare(t, conn, 1, "van-1", "bad")
	rows := newSink()
	takeIn(t, conn, shopDir, rows)

	honest := wire.Record{Version: wire.Version, Kind: wire.KindEvent, Vehicle: "bad", Stay: "stay", Run: 1,
		Event: &wire.Event{ID: "1-1", Finding: detect.Finding{Kind: detect.KindMark}}}
	with := func(change func(*wire.Record)) []byte {
		r := honest
		e := *honest.Event
		r.Event = &e
		change(&r)
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	asFile := func(f wire.File) []byte {
		return with(func(r *wire.Record) { r.Kind, r.Event, r.File = wire.KindFile, nil, &f })
	}
	honest.Version = 2
	sum := strings.Repeat("ab", 32)
	bad := []struct {
		kind wire.Kind
		body []byte
		want string
	}{
		{wire.KindEvent, []byte("{"), "no record"},
		{wire.KindEvent, []byte(`{"version":1,"kind":"event"}`), "a name is"},
		{wire.KindEvent, with(func(r *wire.Record) { r.Vehicle = "van-1" }), "sent as"},
		{wire.KindAccount, with(func(*wire.Record) {}), "sent as"},
		{wire.KindEvent, with(func(r *wire.Record) { r.Version = wire.Version + 1 }), fmt.Sprint("version ", wire.Version+1)},
		{wire.KindEvent, with(func(r *wire.Record) { r.Stay = "../../etc" }), "of stay"},
		{wire.KindEvent, with(func(r *wire.Record) { r.Event.EndUs = -5 }), "before it starts"},
		{wire.KindEvent, bytes.Repeat([]byte("x"), wire.MaxRecord+1), "at most"},
		{wire.KindFile, asFile(wire.File{Name: "../x", SHA256: sum}), "no name of"},
		{wire.KindFile, asFile(wire.File{Name: "000001-001.journal", Size: 1 << 40, Parts: 4, SHA256: sum}), "expected up to"},
		{wire.KindFile, asFile(wire.File{Name: "000001-001.journal", Size: 10, Parts: 1, SHA256: "../../up"}), "SHA-256"},
	}
	for _, x := range bad {
		if _, err := js.Publish(context.Background(), wire.Subject("bad", x.kind), x.body); err != nil {
			t.Fatal(err)
		}
	}
	// A file whose bytes are others than announced.
	bucket, err := js.ObjectStore(context.Background(), wire.Bucket("bad"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := bucket.PutBytes(context.Background(), wire.PartName(sum, 0, 1), []byte("0123456789")); err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(context.Background(), wire.Subject("bad", wire.KindFile), asFile(wire.File{Name: "000001-001.journal", Size: 10, Parts: 1, SHA256: sum})); err != nil {
		t.Fatal(err)
	}
	// An older courier, without fields of today and with one that is gone.
	if _, err := js.Publish(context.Background(), wire.Subject("bad", wire.KindEvent),
		[]byte(`{"version":1,"kind":"event","vehicle":"bad","stay":"old","run":1,"gone":{"x":1},"event":{"id":"1-1","start_us":1,"end_us":2,"finding":{"kind":"mark"}}}`)); err != nil {
		t.Fatal(err)
	}
	mustDeliver(t, newTestCourier(t, "van-1", store, s.ClientURL()))
	wait.Until(t, "the honest records", func() bool { return rows.count(wire.KindEvent) == 4+1 && drained(t, conn) })

	var reasons []string
	list, err := os.ReadDir(filepath.Join(shopDir, "parked", "bad"))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		b, err := os.ReadFile(filepath.Join(shopDir, "parked", "bad", e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		var p intake.Parked
		if err := json.Unmarshal(b, &p); err != nil || p.Subject == "" || len(p.Body) == 0 {
			t.Fatalf("%s: %v", e.Name(), err)
		}
		reasons = append(reasons, p.Reason)
	}
	said := strings.Join(reasons, "\n")
	for _, x := range append(bad, struct {
		kind wire.Kind
		body []byte
		want string
	}{want: "its bytes have"}) {
		if !strings.Contains(said, x.want) {
			t.Errorf("no reason %q in:\n%s", x.want, said)
		}
	}
	if len(reasons) != len(bad)+1 {
		t.Errorf("%d set aside, want %d", len(reasons), len(bad)+1)
	}
	if n := files(t, filepath.Join(shopDir, "vehicles", "bad")); n > 1 {
		t.Errorf("%d folders of the hostile vehicle", n)
	}
}

// A damaged file travels as it is, and the damage is named where it arrives.
func TestDamagedFileTravels(t *testing.T) {
	store, shopDir := t.TempDir(), t.TempDir()
	record(t, store, 1)
	name := filepath.Join(store, "000001-001.evidence")
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 0x10
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	_, url := shopFor(t, shopDir, newSink())
	mustDeliver(t, newTestCourier(t, "van-1", store, url))
	wait.Until(t, "the files", func() bool { return sameFiles(t, store, shopDir, "van-1") })
	stay, _, err := wire.StayOf(store)
	if err != nil {
		t.Fatal(err)
	}
	v, err := storage.Verify(filepath.Join(shopDir, "vehicles", "van-1", stay.ID))
	if err != nil || v.State != storage.Damaged {
		t.Errorf("%+v, %v", v, err)
	}
}

// Only where it is asked for does delivered evidence go, and the store says where
// it is.
func TestRemovesDelivered(t *testing.T) {
	store, shopDir := t.TempDir(), t.TempDir()
	record(t, store, 2)
	_, url := shopFor(t, shopDir, newSink())
	c := newTestCourier(t, "van-1", store, url)
	mustDeliver(t, c)
	evidence := func() (n int) {
		list, err := storage.Files(store)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range list {
			if f.Evidence {
				n++
			}
		}
		return n
	}
	if evidence() == 0 {
		t.Fatal("gone without being asked to")
	}
	c.config.RemoveDelivered = true
	mustDeliver(t, c)
	if n := evidence(); n != 0 {
		t.Errorf("%d files of evidence are still there", n)
	}
	r, err := storage.Read(store)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range r.Events() {
		if e.Evidence != storage.EvidenceDelivered {
			t.Errorf("event %s: evidence %s", e.ID, e.Evidence)
		}
	}
	if v, err := storage.Verify(store); err != nil || v.State != storage.Intact {
		t.Errorf("%+v, %v", v, err)
	}
	record(t, store, 1) // and it goes on
	if did := mustDeliver(t, c); did.Files == 0 {
		t.Errorf("%+v", did)
	}
}

// The courier asks the server for nothing but answers to what it sent: no
// subscription of its can carry a command.
func TestListensToAnswersOnly(t *testing.T) {
	store := t.TempDir()
	record(t, store, 1)
	s := node(t, nil)
	conn := dial(t, s.ClientURL())
	prepare(t, conn, 1, "van-1")
	c := newTestCourier(t, "van-1", store, s.ClientURL())
	watched, err := c.connect(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer watched.Close()
	js, err := jetstream.New(watched)
	if err != nil {
		t.Fatal(err)
	}
	stay, _, err := wire.StayOf(store)
	if err != nil {
		t.Fatal(err)
	}
	w, err := c.look(stay)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.send(context.Background(), watched, js, w, new(Round)); err != nil {
		t.Fatal(err)
	}
	z, err := s.Connz(&server.ConnzOptions{Subscriptions: true})
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, x := range z.Conns {
		if x.Name != wire.ClientName {
			continue
		}
		for _, subject := range x.Subs {
			seen++
			if !strings.HasPrefix(subject, wire.Inbox("van-1")+".") && !strings.HasPrefix(subject, wire.Answers("van-1")+".") {
				t.Errorf("it listens to %s", subject)
			}
		}
	}
	if seen == 0 {
		t.Error("no subscription was seen: not even that of its answers")
	}
}

// The newest findings first, then accounts, then journals, then evidence by the
// severest finding of its run.
func TestOrder(t *testing.T) {
	event := func(run uint32, at int64, severity float64) wire.Keyed {
		return wire.Keyed{Key: fmt.Sprint("event ", at), Record: wire.Record{Kind: wire.KindEvent, Run: run, At: at, Event: &wire.Event{Finding: detect.Finding{Severity: severity}}}}
	}
	account := wire.Keyed{Key: "account", Record: wire.Record{Kind: wire.KindAccount, At: 99, Account: &wire.Account{}}}
	w := &work{records: []wire.Keyed{account, event(1, 5, 0.1), event(2, 9, 0.3), event(3, 7, 0.9)}}
	all := slices.Clone(w.records)
	for _, name := range []string{"000001-001.evidence", "000001-001.journal", "000002-001.evidence", "000003-001.evidence", "000003-001.journal"} {
		w.files = append(w.files, file{record: wire.Record{File: &wire.File{Name: name}}})
	}
	w.order(all)
	var got []string
	for _, r := range w.records {
		got = append(got, r.Key)
	}
	for _, f := range w.files {
		got = append(got, f.record.File.Name)
	}
	want := "event 9,event 7,event 5,account,000001-001.journal,000003-001.journal,000003-001.evidence,000002-001.evidence,000001-001.evidence"
	if s := strings.Join(got, ","); s != want {
		t.Errorf("%s\nwant %s", s, want)
	}
}

// A budget below the smallest piece and what it takes to send it is refused with the
// least that works; that one works.
func TestSmallBudget(t *testing.T) {
	bad := &Config{Vehicle: "van-1", Store: "s", State: "t", Servers: []string{"nats://127.0.0.1:1"}, EveryMin: 15, BudgetMB: 0.01}
	if err := bad.Check(); err == nil || !strings.Contains(err.Error(), "the smallest that works is 0.05") {
		t.Error(err)
	}
	store, shopDir := t.TempDir(), t.TempDir()
	record(t, store, 1)
	if err := os.WriteFile(filepath.Join(store, "000001-090.evidence"), bytes.Repeat([]byte("0123456789abcdef"), 10_000), 0o600); err != nil {
		t.Fatal(err)
	}
	_, url := shopFor(t, shopDir, newSink())
	c := newTestCourier(t, "van-1", store, url)
	c.config.BudgetMB = leastBudgetMB
	at := time.Date(2026, 3, 2, 20, 0, 0, 0, time.UTC)
	c.now = func() time.Time { return at }
	for day := 0; ; day++ {
		did := mustDeliver(t, c)
		if did.LinkBytes > 50_000 || day > 200 {
			t.Fatalf("day %d: %+v", day, did)
		}
		if did.Waits == "" {
			t.Logf("on %d days", day+1)
			break
		}
		at = at.Add(24 * time.Hour)
	}
	wait.Until(t, "the files", func() bool { return sameFiles(t, store, shopDir, "van-1") })
}

// The size of a piece is where its own cost and what a break costs are least together:
// no other is better by more than the rounding.
func TestPieceSize(t *testing.T) {
	for _, carries := range []int64{30_000, 300_000, 5 << 20} {
		cost := func(p int64) float64 {
			return float64(carries)/float64(p)*pieceCost + float64(p)/2
		}
		best := pieceSize(carries, 1<<20)
		for p := int64(wire.LeastPiece); p <= wire.MostPiece; p += 64 {
			if cost(p) < cost(best)-1 {
				t.Fatalf("carrying %d: pieces of %d cost %.0f, of %d %.0f", carries, best, cost(best), p, cost(p))
			}
		}
	}
	if p := pieceSize(leastCarries, wire.MaxFile); wire.MaxFile/p > wire.MaxPieces/2 {
		t.Errorf("%d pieces", wire.MaxFile/p)
	}
}

// Where a connection is known to break pieces are wide until the break is near.
func TestCut(t *testing.T) {
	for name, x := range map[string]struct {
		carries, carried int64
		guessed          bool
		budgetMB         float64
		wide             bool
	}{
		"none known to break": {},
		"breaks":              {carries: 30_000, wide: true},
		"a guess":             {carries: 30_000, guessed: true},
		"near the break":      {carries: 30_000, carried: 25_000},
		"a day's budget":      {carries: 30_000, budgetMB: 0.05},
	} {
		c := &Courier{memory: &memory{Carries: x.carries, Guessed: x.guessed, Begun: begun{Sure: 100}}, config: &Config{BudgetMB: x.budgetMB}, now: time.Now}
		tr := &transfer{c: c, carried: x.carried}
		tr.cut(1 << 20)
		b := &c.memory.Begun
		if far := b.Wide - b.Sure; (far > 0) != x.wide || far > 22_500 || x.wide && far < 22_500-wide*b.Piece {
			t.Errorf("%s: %+v", name, *b)
		}
		at := b.Sure
		for range 20 {
			if most := int64(wire.LeastPiece); x.budgetMB > 0 && b.next(at) > max(most, c.budget()/budgetPieces) {
				t.Fatalf("%s: a piece of %d bytes", name, b.next(at))
			}
			if before := at < b.Wide; before && at+b.next(at) > b.Wide {
				t.Fatalf("%s: a piece from %d is wide beyond %d", name, at, b.Wide)
			}
			at += b.next(at)
		}
	}
}

// A server that is reached and does not answer has lost the question: the visit ends
// soon, and nothing is concluded about what the link carries.
func TestQuestionIsLost(t *testing.T) {
	conn := dial(t, node(t, func(o *server.Options) { o.JetStream = false }).ClientURL())
	asked, err := conn.SubscribeSync(wire.PieceSubjects)
	if err != nil {
		t.Fatal(err)
	}
	c := &Courier{memory: &memory{}, config: &Config{Vehicle: "van-1"}, now: time.Now, meter: new(meter), quiet: 20 * time.Millisecond}
	f := file{body: make([]byte, 1<<20)}
	f.record.File = &wire.File{Name: "x", Size: 1 << 20}
	before := begun{Upload: f.record.Upload(), Sure: 1000, Seq: 3, At: c.now()}
	c.memory.Begun = before
	tr := c.newTransfer(dial(t, conn.ConnectedUrl()), new(Round))
	if err := tr.file(context.Background(), &f); !errors.Is(err, errSilent) {
		t.Errorf("%v, want %v", err, errSilent)
	}
	if n, _, _ := asked.Pending(); n != 1 {
		t.Errorf("asked %d times", n)
	}
	before.Piece, before.Wide = c.memory.Begun.Piece, c.memory.Begun.Wide
	if c.memory.Begun != before || c.memory.Carries != 0 {
		t.Errorf("%+v, was %+v", *c.memory, before)
	}
}

// An answer confirms the piece that is next and nothing else; a server that counts from
// further back has lost what it had.
func TestConfirm(t *testing.T) {
	for name, x := range map[string]struct {
		answer, reply string
		sure          int64
		seq           uint64
		fails         bool
	}{
		"the next":                 {answer: `{"seq":10}`, reply: "i.1", sure: 110, seq: 10},
		"others came between":      {answer: `{"seq":99}`, reply: "i.1", sure: 110, seq: 99},
		"one was lost":             {answer: `{"seq":10}`, reply: "i.2", sure: 100, seq: 7, fails: true},
		"put back from a backup":   {answer: `{"seq":3}`, reply: "i.1", sure: 0, fails: true},
		"of what was gone back on": {answer: `{"seq":10}`, reply: "i.9", sure: 100, seq: 7},
		"refused":                  {answer: `{"error":{"code":503,"description":"full"}}`, reply: "i.1", sure: 100, seq: 7, fails: true},
	} {
		c := &Courier{memory: &memory{Begun: begun{Sure: 100, Seq: 7}, path: filepath.Join(t.TempDir(), "m")}, now: time.Now}
		tr := &transfer{c: c, did: new(Round), unanswered: []piece{{110, "i.1"}, {120, "i.2"}, {130, "i.3"}}}
		err := tr.confirm(&nats.Msg{Subject: x.reply, Data: []byte(x.answer)})
		if b := c.memory.Begun; b.Sure != x.sure || b.Seq != x.seq || (err != nil) != x.fails {
			t.Errorf("%s: %+v, %v", name, b, err)
		}
	}
}
