package courier

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/url"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/parquet-go/parquet-go"

	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltshop/dataset"
	shop "joltwatch/cmd/joltshop/server"
	"joltwatch/storage/wire"
)

// link is a network between two places that can be cut.
type link struct {
	ln net.Listener
	to string

	mu    sync.Mutex
	cut   bool
	conns []net.Conn
}

func newLink(t *testing.T) *link {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &link{ln: ln}
	t.Cleanup(func() { ln.Close(); w.set(true) })
	go func() {
		for {
			a, err := ln.Accept()
			if err != nil {
				return
			}
			w.mu.Lock()
			b, err := net.Dial("tcp", w.to)
			if w.cut || err != nil {
				a.Close()
				w.mu.Unlock()
				continue
			}
			w.conns = append(w.conns, a, b)
			w.mu.Unlock()
			for _, x := range [][2]net.Conn{{a, b}, {b, a}} {
				go func() {
					io.Copy(x[0], x[1]) //nolint:errcheck // it ends when it is cut
					x[0].Close()
					x[1].Close()
				}()
			}
		}
	}()
	return w
}

func (w *link) set(cut bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut = cut
	if cut {
		for _, c := range w.conns {
			c.Close()
		}
		w.conns = nil
	}
}

func (w *link) lead(to string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.to = to
}

func (w *link) port() int { return w.ln.Addr().(*net.TCPAddr).Port }

// Three nodes, three copies of everything. While couriers deliver, one node is
// killed, and after it has come back another is cut off from the rest: nothing is
// lost, and nothing is in the dataset twice.
func TestThreeNodes(t *testing.T) {
	if testing.Short() {
		t.Skip("a cluster takes half a minute: not run with -short")
	}
	// The nodes reach each other through wires, from and to, that can be cut.
	var wires [3][3]*link
	for i := range wires {
		for k := range wires {
			wires[i][k] = newLink(t)
		}
	}
	var stores [3]string
	var ports, clusterPorts [3]int
	start := func(i int) *server.Server {
		s := node(t, func(o *server.Options) {
			o.ServerName = fmt.Sprintf("node-%d", i)
			o.StoreDir = stores[i]
			if ports[i] != 0 {
				o.Port = ports[i]
			}
			o.Cluster.Name, o.Cluster.Host, o.Cluster.Port = "shop", "127.0.0.1", -1
			if clusterPorts[i] != 0 {
				o.Cluster.Port = clusterPorts[i]
			}
			o.Cluster.NoAdvertise, o.Cluster.PoolSize = true, -1
			for k := range wires {
				if k != i {
					o.Routes = append(o.Routes, &url.URL{Scheme: "nats-route", Host: fmt.Sprintf("127.0.0.1:%d", wires[i][k].port())})
				}
			}
		})
		return s
	}
	var nodes [3]*server.Server
	for i := range nodes {
		stores[i] = t.TempDir()
		nodes[i] = start(i)
		ports[i] = nodes[i].Addr().(*net.TCPAddr).Port
		clusterPorts[i] = nodes[i].ClusterAddr().Port
		for from := range wires {
			wires[from][i].lead(nodes[i].ClusterAddr().String())
		}
	}
	conn := dial(t, fmt.Sprintf("nats://127.0.0.1:%d,nats://127.0.0.1:%d,nats://127.0.0.1:%d", ports[0], ports[1], ports[2]))
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	const vans = 4
	wait.Until(t, "the cluster", func() bool {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if shop.EnsureStreams(ctx, js, 3) != nil {
			return false
		}
		for i := range vans {
			if shop.EnsureBucket(ctx, js, fmt.Sprintf("van-%d", i), 3) != nil {
				return false
			}
		}
		return true
	})

	shopDir := t.TempDir()
	place := t.TempDir()
	data, err := dataset.Open(place)
	if err != nil {
		t.Fatal(err)
	}
	rows := &both{newSink(), data}
	takeIn(t, conn, shopDir, rows)

	// The couriers know all nodes. Each vehicle drives again and again while
	// its courier delivers, and tries until everything is delivered.
	servers := []string{}
	for _, p := range ports {
		servers = append(servers, fmt.Sprintf("nats://127.0.0.1:%d", p))
	}
	var couriers sync.WaitGroup
	var dirs [vans]string
	var runs, failed atomic.Int64
	home := make(chan struct{})
	for i := range vans {
		dirs[i] = t.TempDir()
		c := newTestCourier(t, fmt.Sprintf("van-%d", i), dirs[i], servers...)
		couriers.Add(1)
		all := func() bool {
			for end := wait.End(t); ; time.Sleep(100 * time.Millisecond) {
				did, err := c.Deliver(context.Background())
				if err == nil && did.LeftFiles+did.LeftRecords == 0 {
					return true
				}
				failed.Add(1)
				if time.Now().After(end) {
					t.Errorf("courier %d did not come to an end: %+v, %v", i, did, err)
					return false
				}
			}
		}
		go func() {
			defer couriers.Done()
			for done := false; !done; {
				select {
				case <-home:
					done = true
				default:
				}
				record(t, dirs[i], 1)
				runs.Add(1)
				if !all() {
					return
				}
			}
			// Offered once more by a courier that has forgotten.
			c.memory.begin("another stay")
			all()
		}()
	}
	some := func(n int) func() bool { return func() bool { return rows.sink.count(wire.KindEvent) >= n } }
	wait.Until(t, "the first records", some(8))
	nodes[0].Shutdown()
	nodes[0].WaitForShutdown()
	before := rows.sink.count(wire.KindEvent)
	wait.Until(t, "records while a node is dead", some(before+20))
	nodes[0] = start(0)
	cutOff := func(yes bool) {
		for i := range wires {
			wires[i][2].set(yes)
			wires[2][i].set(yes)
		}
	}
	cutOff(true)
	before = rows.sink.count(wire.KindEvent)
	wait.Until(t, "records while a node is cut off", some(before+20))
	cutOff(false)
	close(home)
	couriers.Wait()
	events, accounts := int(runs.Load())*4, int(runs.Load())

	wait.Until(t, "everything", func() bool {
		for i := range vans {
			if !sameFiles(t, dirs[i], shopDir, fmt.Sprintf("van-%d", i)) {
				return false
			}
		}
		return rows.sink.count(wire.KindEvent) >= events && rows.sink.count(wire.KindAccount) >= accounts
	})
	wait.Until(t, "the stream to be drained", func() bool { return drained(t, conn) })
	if e, a := rows.sink.count(wire.KindEvent), rows.sink.count(wire.KindAccount); e != events || a != accounts {
		t.Errorf("%d events and %d accounts in the dataset; want %d and %d", e, a, events, accounts)
	}
	if err := data.Close(); err != nil {
		t.Error(err)
	}
	for table, want := range map[string]int{"events": events, "accounts": accounts} {
		if n := rowsOf(t, filepath.Join(place, table)); n != want {
			t.Errorf("%d rows of %s on disk, want %d", n, table, want)
		}
	}
	t.Logf("%d drives, %d events; %d visits failed and were made again; %d records came more than once", runs.Load(), events, failed.Load(), rows.sink.again)
}

// both is the dataset on disk and one in memory that is asked while it goes on.
type both struct {
	sink *sink
	data *dataset.Dataset
}

func (b *both) Add(r *wire.Record, id string, received time.Time) error {
	b.sink.Add(r, id, received) //nolint:errcheck // it takes everything
	return b.data.Add(r, id, received)
}

func (b *both) Flush(ctx context.Context) error {
	if err := b.data.Flush(ctx); err != nil {
		return err
	}
	return b.sink.Flush(ctx)
}

// rowsOf counts the rows of a table on disk, and complains of an identity that is
// there twice.
func rowsOf(t *testing.T, dir string) int {
	t.Helper()
	n, distinct := idsOf(t, dir)
	if n != distinct {
		t.Errorf("%s: %d rows of %d identities", dir, n, distinct)
	}
	return n
}

// idsOf counts the rows of a table on disk and their identities.
func idsOf(t *testing.T, dir string) (rows, distinct int) {
	t.Helper()
	seen := map[string]bool{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".parquet" { // as what reads it
			return err
		}
		list, err := parquet.ReadFile[struct {
			ID string `parquet:"id"`
		}](path)
		for _, r := range list {
			if r.ID == "" {
				t.Errorf("%s: a row has no identity", path)
			}
			seen[r.ID] = true
			rows++
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return rows, len(seen)
}
