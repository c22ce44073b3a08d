package courier

import (
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"joltwatch/bus"
	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltshop/intake"
	shop "joltwatch/cmd/joltshop/server"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/storage/wire"
	"joltwatch/stream/vehicle"
)

// record makes a store as the program in the vehicle does: runs of some seconds
// of the embedded (invented) drive, with events and their evidence.
func record(t *testing.T, dir string, runs int) {
	t.Helper()
	settings := detect.DefaultSettings()
	file, err := vehicle.Load("../../../testdata/van/vehicle.toml", &settings)
	if err != nil {
		t.Fatal(err)
	}
	log, err := bus.OpenLog("../../../testdata/van/drive.log.zst", bus.LogOptions{Interfaces: []string{"can0"}})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	frames := make([]bus.Frame, 20000)
	for n := 0; n < len(frames); {
		k, err := log.Read(frames[n:])
		if err != nil {
			t.Fatal(err)
		}
		n += k
	}
	for run := range runs {
		w, _, err := storage.Open(dir, storage.Options{Plan: file.Plan, Settings: file.Text, Label: "van", Program: "test", Boot: fmt.Sprintf("boot-%d", run),
			Clock: bus.Clock{Known: true, Zero: bus.Micros(time.Date(2026, 3, 2+run, 8, 0, 0, 0, time.UTC).UnixMicro()) - frames[0].At}})
		if err != nil {
			t.Fatal(err)
		}
		for i := range frames {
			w.Frame(&frames[i])
			if i%5000 == 4000 {
				at := frames[i].At
				f := detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Start: at - bus.Second, End: at, Drive: 1, Severity: 1, Keep: true,
					Measures: []detect.Measure{{Name: "lag_s", Value: 1.5}}}
				if err := w.Event(&f, nil); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := w.Account(&detect.Account{Drive: 1, Start: frames[0].At, End: frames[len(frames)-1].At, Ended: true, EngineOnS: 100, Stops: 4, StopsObserved: 4}); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// node starts one server of a cluster, or a single one.
func node(t *testing.T, set func(*server.Options)) *server.Server {
	t.Helper()
	o := &server.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true, SyncAlways: true}
	if set != nil {
		set(o)
	}
	s, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(time.Until(wait.End(t))) {
		t.Fatal("the server does not start")
	}
	return s
}

func prepare(t *testing.T, conn *nats.Conn, replicas int, vehicles ...string) jetstream.JetStream {
	t.Helper()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithDeadline(context.Background(), wait.End(t))
	defer cancel()
	if err := shop.EnsureStreams(ctx, js, replicas); err != nil {
		t.Fatal(err)
	}
	for _, v := range vehicles {
		if err := shop.EnsureBucket(ctx, js, v, replicas); err != nil {
			t.Fatal(err)
		}
	}
	return js
}

func dial(t *testing.T, url string) *nats.Conn {
	t.Helper()
	conn, err := nats.Connect(url, nats.MaxReconnects(-1), nats.ReconnectWait(100*time.Millisecond))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	return conn
}

// sink is a dataset in memory that refuses while fail is set.
type sink struct {
	mu    sync.Mutex
	held  map[string]*wire.Record
	rows  map[string]*wire.Record
	again int // records that came twice
	fail  error
	no    int // how often it refused
}

func newSink() *sink {
	return &sink{held: map[string]*wire.Record{}, rows: map[string]*wire.Record{}}
}

func (s *sink) Add(r *wire.Record, id string, _ time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.rows[id] != nil {
		s.again++
		return nil
	}
	s.held[id] = r
	return nil
}

func (s *sink) Flush(context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fail != nil {
		s.no++
		return s.fail
	}
	maps.Copy(s.rows, s.held)
	clear(s.held)
	return nil
}

func (s *sink) refuse(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fail = err
}

// refused returns how often it has refused so far.
func (s *sink) refused() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.no
}

func (s *sink) count(kind wire.Kind) (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range s.rows {
		if r.Kind == kind {
			n++
		}
	}
	return n
}

// takeIn runs the intake until the test ends.
func takeIn(t *testing.T, conn *nats.Conn, dir string, to intake.Dataset) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		done <- intake.Run(ctx, intake.Options{Conn: conn, Dir: dir, Dataset: to, AckWait: 10 * time.Second, Logf: t.Logf})
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

// shopFor is a server to which van-1 may send, and an intake from it to a folder and a
// dataset.
func shopFor(t *testing.T, dir string, to intake.Dataset) (conn *nats.Conn, url string) {
	t.Helper()
	url = node(t, nil).ClientURL()
	conn = dial(t, url)
	prepare(t, conn, 1, "van-1")
	takeIn(t, conn, dir, to)
	return conn, url
}

func newTestCourier(t *testing.T, vehicle, store string, servers ...string) *Courier {
	t.Helper()
	c := &Config{Vehicle: vehicle, Store: store, State: t.TempDir(), Servers: servers, EveryMin: 15}
	if err := c.Check(); err != nil {
		t.Fatal(err)
	}
	k, err := New(c, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func mustDeliver(t *testing.T, c *Courier) Round {
	t.Helper()
	did, err := c.Deliver(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return did
}

// sameFiles reports whether the shop has every file of the store, byte for byte.
func sameFiles(t *testing.T, store, shopDir, vehicle string) bool {
	t.Helper()
	stay, ok, err := wire.StayOf(store)
	if err != nil || !ok {
		t.Fatalf("%v %v", ok, err)
	}
	for _, f := range stay.Files {
		want, err := os.ReadFile(filepath.Join(store, f.Name))
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(shopDir, "vehicles", vehicle, stay.ID, f.Name))
		if err != nil || string(got) != string(want) {
			return false
		}
	}
	return len(stay.Files) > 0
}

func files(t *testing.T, dir string) (n int) {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	return len(list)
}
