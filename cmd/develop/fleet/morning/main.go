// Morning plays the busiest minutes of a large fleet's day: thousands of vehicles that
// each connect, deliver what a working day left, and go, into one genuine NATS JetStream
// server on this machine, from which two joltshop intakes, processes of their own, take in
// to a store that speaks S3 (a fake one in memory, which counts). It prints messages and
// bytes a second, how far the intakes are behind, processor time, and what the store costs.
//
//	go run ./cmd/develop/fleet/morning -vans 10000 -minutes 15 -seconds 60
//
// Assumed, not measured on any fleet: that all come within so many minutes, evenly; a day of
// two drives as package invented makes it; and the size of a day's files. Connecting is
// without TLS, on loopback.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"text/tabwriter"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"

	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/intake"
	"joltwatch/cmd/joltshop/server"
	"joltwatch/storage/wire"
)

func main() {
	var m morning
	flag.IntVar(&m.vans, "vans", 10000, "how many vehicles there are")
	flag.IntVar(&m.minutes, "minutes", 15, "within how many minutes all come, evenly")
	flag.IntVar(&m.seconds, "seconds", 60, "how much of that is played")
	flag.IntVar(&m.intakes, "intakes", 2, "how many intakes share the work")
	flag.IntVar(&m.fileKB, "file-kb", 300, "a vehicle's files of the day, in kilobytes")
	flag.Float64Var(&m.gigabyte, "price-gb", 0.02, "assumed price of a gigabyte for a month")
	flag.Float64Var(&m.million, "price-million", 5, "assumed price of a million requests")
	flag.Parse()
	cli.Tool("morning", func(ctx context.Context) error {
		if n := m.vans * m.seconds; min(m.vans, m.minutes, m.seconds, m.intakes) < 1 || n < 60*m.minutes || m.fileKB < 0 || flag.NArg() > 0 {
			return cli.Usage("expected vans, minutes, seconds and intakes from 1 on, so many that one van comes in those seconds, and no further words")
		}
		return m.run(ctx, os.Stdout)
	})
}

// morning is what is played, and what is counted of it.
type morning struct {
	vans, minutes, seconds, intakes, fileKB int
	gigabyte, million                       float64

	dir, url, store string
	asked           requests
	messages, bytes atomic.Int64
	records, files  atomic.Int64
	visits          durations
	lags            durations
}

// durations are collected by several.
type durations struct {
	mu   sync.Mutex
	list []time.Duration
}

func (d *durations) add(x time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.list = append(d.list, x)
}

// at is the share-th of them, by size.
func (d *durations) at(share float64) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.list) == 0 {
		return 0
	}
	slices.Sort(d.list)
	return d.list[int(share*float64(len(d.list)-1))].Round(time.Millisecond)
}

// requests counts what a store is asked.
type requests struct {
	http.Handler
	puts, others, put atomic.Int64
}

func (r *requests) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	if q.Method == http.MethodPut {
		r.puts.Add(1)
		r.put.Add(max(q.ContentLength, 0))
	} else {
		r.others.Add(1)
	}
	r.Handler.ServeHTTP(w, q)
}

func (m *morning) run(ctx context.Context, out io.Writer) (err error) {
	if m.dir, err = os.MkdirTemp("", "morning-"); err != nil {
		return err
	}
	defer os.RemoveAll(m.dir)
	held := s3mem.New()
	if err := held.CreateBucket("shop"); err != nil {
		return err
	}
	m.asked.Handler = gofakes3.New(held).Server()
	store := httptest.NewServer(&m.asked)
	defer store.Close()
	for name, value := range map[string]string{"AWS_ENDPOINT_URL": store.URL, "AWS_REGION": "us-east-1", "AWS_ACCESS_KEY_ID": "invented", "AWS_SECRET_ACCESS_KEY": "invented"} {
		os.Setenv(name, value)
	}
	m.store = "s3://shop/fleet"
	ns, err := natsserver.NewServer(&natsserver.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: filepath.Join(m.dir, "js"), SyncAlways: true, NoSigs: true, NoLog: true})
	if err != nil {
		return err
	}
	ns.Start()
	defer func() { ns.Shutdown(); ns.WaitForShutdown() }()
	if !ns.ReadyForConnections(time.Minute) {
		return errors.New("the server does not start")
	}
	m.url = ns.ClientURL()
	stop, err := m.takeIn(ctx)
	if err != nil {
		return err
	}
	defer stop()
	began := time.Now()
	if err := m.come(ctx); err != nil {
		return err
	}
	came := time.Since(began)
	if err := m.watch(ctx, true); err != nil { // until all is taken in
		return err
	}
	all := time.Since(began)
	used := stop()
	return errors.Join(m.check(ctx), m.say(out, came, all, used))
}

func (m *morning) shop() string { return filepath.Join(m.dir, "shop") }

// takeIn starts the intakes; stop ends them and returns what processor time each took.
func (m *morning) takeIn(ctx context.Context) (stop func() []time.Duration, err error) {
	if _, err := server.Local(m.shop(), "van-00001"); err != nil {
		return nil, err
	}
	program := filepath.Join(m.dir, "joltshop")
	build := exec.CommandContext(ctx, "go", "build", "-o", program, "joltwatch/cmd/joltshop")
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		return nil, fmt.Errorf("building joltshop: %w", err)
	}
	var running []*exec.Cmd
	for range m.intakes {
		c := exec.Command(program, "intake", "--dir", m.shop(), "--server", m.url, "--replicas", "1", "--dataset", m.store)
		c.Stderr = os.Stderr
		if err := c.Start(); err != nil {
			return nil, err
		}
		running = append(running, c)
	}
	return sync.OnceValue(func() (used []time.Duration) {
		for _, c := range running {
			c.Process.Signal(os.Interrupt) //nolint:errcheck // it may have ended
			c.Wait()                       //nolint:errcheck // interrupted
			used = append(used, c.ProcessState.UserTime()+c.ProcessState.SystemTime())
		}
		return used
	}), m.watch(ctx, false)
}

// watch waits for the stream to be there, or for it to be empty, and collects meanwhile for
// how long its oldest message waits.
func (m *morning) watch(ctx context.Context, empty bool) error {
	conn, err := nats.Connect(m.url)
	if err != nil {
		return err
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		return err
	}
	for quiet := 0; quiet < 3; time.Sleep(100 * time.Millisecond) {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		st, err := js.Stream(ctx, wire.Stream)
		switch {
		case err != nil:
		case !empty:
			return nil
		default:
			quiet = m.lag(st.CachedInfo(), quiet)
		}
	}
	return nil
}

func (m *morning) lag(x *jetstream.StreamInfo, quiet int) int {
	if x.State.Msgs == 0 {
		m.lags.add(0)
		return quiet + 1
	}
	m.lags.add(time.Since(x.State.FirstTime))
	return 0
}

// come has the vehicles come, each in its time.
func (m *morning) come(ctx context.Context) error {
	f := &invented.Fleet{Vehicles: m.vans, Days: 1, LastDay: time.Now().UTC().Truncate(24 * time.Hour), Seed: 1}
	for f.LastDay.Weekday() != time.Wednesday {
		f.LastDay = f.LastDay.AddDate(0, 0, -1) // a working day
	}
	n := m.vans * m.seconds / (60 * m.minutes)
	every := time.Duration(m.minutes) * time.Minute / time.Duration(m.vans)
	watching, done := context.WithCancel(ctx)
	defer done()
	go m.sample(watching)
	var g errgroup.Group
	began := time.Now()
	for i := range n {
		time.Sleep(time.Until(began.Add(time.Duration(i) * every)))
		g.Go(func() error { return m.visit(ctx, f, i) })
	}
	return g.Wait()
}

// sample collects how far the intakes are behind until the context ends.
func (m *morning) sample(ctx context.Context) {
	for ctx.Err() == nil {
		m.watch(ctx, true) //nolint:errcheck // the end says whether all arrived
	}
}

// usualPiece is what a courier cuts files into on a good link, in bytes.
const usualPiece = 48 << 10

// visit delivers what a vehicle's day left, as a courier does: each thing once the one
// before it is confirmed.
func (m *morning) visit(ctx context.Context, f *invented.Fleet, i int) error {
	began := time.Now()
	conn, err := nats.Connect(m.url, nats.Name(wire.ClientName))
	if err != nil {
		return err
	}
	defer conn.Close()
	js, err := jetstream.New(conn, jetstream.WithDefaultTimeout(time.Minute))
	if err != nil {
		return err
	}
	send := func(subject string, body []byte, o ...jetstream.PublishOpt) error {
		m.messages.Add(1)
		m.bytes.Add(int64(len(body)))
		_, err := js.Publish(ctx, subject, body, o...)
		return err
	}
	list, _ := f.Records(i, 0)
	for _, r := range list {
		body, id, err := r.Encode()
		if err != nil {
			return err
		}
		if err := send(wire.Subject(r.Vehicle, r.Kind), body, jetstream.WithMsgID(id)); err != nil {
			return err
		}
		m.records.Add(1)
	}
	if err := m.file(f.Name(i), i, send); err != nil {
		return err
	}
	m.visits.add(time.Since(began))
	return nil
}

// file delivers a file of invented bytes.
func (m *morning) file(vehicle string, i int, send func(string, []byte, ...jetstream.PublishOpt) error) error {
	body := make([]byte, m.fileKB*1000)
	lot := rand.NewChaCha8([32]byte{byte(i), byte(i >> 8), byte(i >> 16)})
	lot.Read(body) //nolint:errcheck // it never fails
	r := wire.Record{Version: wire.FileVersion, Kind: wire.KindFile, Vehicle: vehicle, Stay: "stay", File: &wire.File{Name: "000001-001.evidence", Size: int64(len(body)), SHA256: wire.Identity(body)}}
	if len(body) == 0 {
		return nil
	}
	for at := 0; at < len(body); at += usualPiece {
		if err := send(wire.Piece(vehicle, r.Upload(), int64(at)), body[at:min(at+usualPiece, len(body))]); err != nil {
			return err
		}
	}
	text, _, err := r.Encode()
	if err != nil {
		return err
	}
	m.files.Add(1)
	return send(wire.Subject(vehicle, wire.KindFile), text)
}

// check holds what arrived against what was sent.
func (m *morning) check(ctx context.Context) error {
	d, err := dataset.Open(m.store)
	if err != nil {
		return err
	}
	rows := map[string]bool{}
	if err := d.Identities(ctx, func(_, _, id string) error { rows[id] = true; return nil }); err != nil {
		return err
	}
	files, err := filepath.Glob(filepath.Join(m.shop(), "vehicles", "*", "*", "0*"))
	if err != nil {
		return err
	}
	aside, err := intake.SetAsideIn(m.shop(), time.Time{})
	if err != nil {
		return err
	}
	if int64(len(rows)) != m.records.Load() || int64(len(files)) != m.files.Load() || len(aside) > 0 {
		return fmt.Errorf("%d records and %d files arrived of %d and %d; of %d vehicles something was set aside", len(rows), len(files), m.records.Load(), m.files.Load(), len(aside))
	}
	return nil
}

// workingDays a month, of which the costs are.
const workingDays = 22

func (m *morning) say(out io.Writer, came, all time.Duration, used []time.Duration) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	vans := float64(len(m.visits.list))
	s, messages, bytes := came.Seconds(), float64(m.messages.Load()), float64(m.bytes.Load())
	fmt.Fprintf(w, "%d vehicles within %d min, each with %.1f records and %d kB of files; %.0f s of it played, %.0f vehicles; %d processors\n", m.vans, m.minutes, float64(m.records.Load())/vans, m.fileKB, s, vans, runtime.NumCPU())
	fmt.Fprintf(w, "vehicles a second\t%.1f\n", vans/s)
	fmt.Fprintf(w, "messages a second\t%.0f\n", messages/s)
	fmt.Fprintf(w, "bytes a second\t%.2f MB\n", bytes/s/1e6)
	fmt.Fprintf(w, "a vehicle's visit: half, 95 of 100, longest\t%s, %s, %s\n", m.visits.at(0.5), m.visits.at(0.95), m.visits.at(1))
	fmt.Fprintf(w, "intakes behind: half of the time, 95 of 100, most\t%s, %s, %s\n", m.lags.at(0.5), m.lags.at(0.95), m.lags.at(1))
	fmt.Fprintf(w, "all taken in after the last had come\t%s\n", (all - came).Round(100*time.Millisecond))
	for i, u := range used {
		fmt.Fprintf(w, "processor time of intake %d\t%s, %.1f ms a vehicle\n", i+1, u.Round(10*time.Millisecond), u.Seconds()*1000/vans)
	}
	puts, others, put := float64(m.asked.puts.Load())/vans, float64(m.asked.others.Load())/vans, float64(m.asked.put.Load())/vans
	fmt.Fprintf(w, "store: writes, other requests and bytes written, a vehicle-day\t%.1f, %.1f, %.1f kB\n", puts, others, put/1e3)
	month := float64(m.vans) * workingDays
	fmt.Fprintf(w, "a month of %d working days\t%.1f million requests at %g the million: %.0f; %.1f GB as they come at %g: %.1f a month\n", workingDays,
		month*(puts+others)/1e6, m.million, month*(puts+others)/1e6*m.million, month*put/1e9, m.gigabyte, month*put/1e9*m.gigabyte)
	return w.Flush()
}
