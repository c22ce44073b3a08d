package courier

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"joltwatch/cmd/develop/lot"
	"joltwatch/cmd/develop/wait"
	shop "joltwatch/cmd/joltshop/server"
	"joltwatch/storage"
	"joltwatch/storage/wire"
)

var kills = flag.Int("kills", 3, "how often courier and server are killed, in each of four ways")

// killing is a shop and a vehicle of which one or the other is killed.
type killing struct {
	t                  *testing.T
	joltship, joltshop string
	dir, listen        string
	server             *exec.Cmd
	r                  *rand.Rand
	all                int // events of all vehicles
	// of the vehicle of now
	vehicle, store, state, config, kept string
	runs                                int
}

// Kill -9 of the courier and of the server, while files travel and between the
// confirmation and the removal of what was confirmed: each file arrives once and
// identical, each record once, nothing is set aside and nothing is left over.
func TestKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("processes are built and killed: not run with -short")
	}
	k := &killing{t: t, dir: filepath.Join(t.TempDir(), "shop"), r: lot.Draw(t, 1, 0)}
	bin := t.TempDir()
	if out, err := exec.Command("go", "build", "-o", bin, "joltwatch/cmd/joltship", "joltwatch/cmd/joltshop").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	k.joltship, k.joltshop = filepath.Join(bin, "joltship"), filepath.Join(bin, "joltshop")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	k.listen = l.Addr().String()
	l.Close()
	k.serve()
	t.Cleanup(func() { k.end(k.server) })
	for i, way := range []struct {
		name string
		kill func()
	}{
		{"courier in transfer", k.courierInTransfer}, {"courier before removal", k.courierBeforeRemoval},
		{"server in transfer", k.serverInTransfer}, {"server before removal", k.serverBeforeRemoval},
	} {
		for n := range *kills {
			if n%25 == 0 { // a stay of a week or so each
				k.begin(fmt.Sprintf("van-%d-%d", i, n))
			}
			k.drive()
			way.kill()
			if n%25 == 24 || n == *kills-1 {
				k.settle(way.name)
			}
		}
	}
	k.end(k.server) // nothing is joined any more while it is counted
	if n := rowsOf(t, filepath.Join(k.dir, "dataset", "events")); n != k.all {
		t.Errorf("%d events in the dataset, want %d", n, k.all)
	}
	if left, _ := filepath.Glob(filepath.Join(k.dir, "vehicles", "*", "*", ".*")); len(left) > 1 {
		t.Errorf("left over: %v", left) // one may be of the last kill
	}
	if n := files(t, filepath.Join(k.dir, "parked")); n > 0 {
		t.Errorf("%d vehicles with something set aside", n)
	}
}

func (k *killing) serve() {
	k.server = exec.Command(k.joltshop, "serve", "--dir", k.dir, "--listen", k.listen, "--enrol-listen", "127.0.0.1:0")
	if err := k.server.Start(); err != nil {
		k.t.Fatal(err)
	}
	wait.Until(k.t, "the server", func() bool {
		c, err := net.Dial("tcp", k.listen)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

func (k *killing) end(c *exec.Cmd) {
	c.Process.Kill() //nolint:errcheck // it may have ended
	c.Wait()         //nolint:errcheck // killed
}

// begin turns to another vehicle.
func (k *killing) begin(vehicle string) {
	home := filepath.Join(k.t.TempDir(), vehicle)
	k.vehicle, k.store, k.state, k.kept, k.runs = vehicle, filepath.Join(home, "stay"), filepath.Join(home, "state"), filepath.Join(home, "kept"), 0
	for _, d := range []string{home, k.kept} {
		if err := os.MkdirAll(d, 0o700); err != nil {
			k.t.Fatal(err)
		}
	}
	token, err := shop.Local(k.dir, vehicle)
	if err != nil {
		k.t.Fatal(err)
	}
	k.config = filepath.Join(home, "joltship.toml")
	text := fmt.Sprintf("vehicle = %q\nstore = %q\nstate = %q\nservers = [\"nats://%s\"]\ntoken = %q\nremove_delivered = true\n", vehicle, k.store, k.state, k.listen, filepath.Join(home, "token"))
	if err := os.WriteFile(filepath.Join(home, "token"), []byte(token), 0o600); err != nil {
		k.t.Fatal(err)
	}
	if err := os.WriteFile(k.config, []byte(text), 0o600); err != nil {
		k.t.Fatal(err)
	}
}

// drive records a drive, and keeps a copy of what is finished.
func (k *killing) drive() {
	record(k.t, k.store, 1)
	k.runs++
	stay, ok, err := wire.StayOf(k.store)
	if err != nil || !ok {
		k.t.Fatalf("%v %v", ok, err)
	}
	for _, f := range stay.Files {
		to := filepath.Join(k.kept, f.Name)
		if _, err := os.Stat(to); err == nil || !f.Finished || f.Size == 0 {
			continue
		}
		b, err := os.ReadFile(filepath.Join(k.store, f.Name))
		if err != nil {
			k.t.Fatal(err)
		}
		if err := os.WriteFile(to, b, 0o600); err != nil {
			k.t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(k.kept, storage.HeadName), stay.Head, 0o600); err != nil {
		k.t.Fatal(err)
	}
}

func (k *killing) visit() (c *exec.Cmd, said *bytes.Buffer) {
	c, said = exec.Command(k.joltship, "--log", "error", "once", "--config", k.config), &bytes.Buffer{}
	c.Stderr = said
	if err := c.Start(); err != nil {
		k.t.Fatal(err)
	}
	return c, said
}

// sometime waits up to some time.
func (k *killing) sometime(most time.Duration) { time.Sleep(time.Duration(k.r.Int64N(int64(most)))) }

func (k *killing) courierInTransfer() {
	c, _ := k.visit()
	k.sometime(200 * time.Millisecond)
	k.end(c)
}

func (k *killing) courierBeforeRemoval() {
	c, _ := k.visit()
	done := make(chan struct{})
	go func() { c.Wait(); close(done) }() //nolint:errcheck // killed or ended
	for ; ; time.Sleep(200 * time.Microsecond) {
		select {
		case <-done:
			return
		default:
		}
		if k.confirmed() {
			k.sometime(3 * time.Millisecond)
			c.Process.Kill() //nolint:errcheck // it may have ended
			<-done
			return
		}
	}
}

// confirmed says whether the courier remembers everything as confirmed.
func (k *killing) confirmed() bool {
	var m memory
	b, err := os.ReadFile(filepath.Join(k.state, "delivered.json"))
	if err != nil || json.Unmarshal(b, &m) != nil {
		return false
	}
	names, _ := os.ReadDir(k.kept)
	for _, n := range names {
		if _, ok := m.Files[n.Name()]; !ok {
			return false
		}
	}
	return true
}

func (k *killing) serverInTransfer() {
	c, _ := k.visit()
	k.sometime(200 * time.Millisecond)
	k.end(k.server)
	k.end(c)
	k.serve()
}

func (k *killing) serverBeforeRemoval() {
	before := k.arrived()
	c, _ := k.visit()
	for end := time.Now().Add(20 * time.Second); k.arrived() == before && time.Now().Before(end); {
		time.Sleep(200 * time.Microsecond)
	}
	k.sometime(2 * time.Millisecond)
	k.end(k.server)
	k.end(c)
	k.serve()
}

// arrived counts the vehicle's files at the shop.
func (k *killing) arrived() (n int) {
	filepath.WalkDir(filepath.Join(k.dir, "vehicles", k.vehicle), func(_ string, d fs.DirEntry, err error) error { //nolint:errcheck // it may not be there
		if err == nil && !d.IsDir() && !strings.HasPrefix(d.Name(), ".") {
			n++
		}
		return nil
	})
	return n
}

// events counts the vehicle's events in the dataset, each once, while it may be
// written.
func (k *killing) events() int {
	ids := map[string]bool{}
	loose, _ := filepath.Glob(filepath.Join(k.dir, "dataset", "events", "vehicle="+k.vehicle, "*", "*.parquet"))
	months, _ := filepath.Glob(filepath.Join(k.dir, "dataset", "events", "months", "*", "*.parquet"))
	for _, path := range append(loose, months...) {
		rows, err := parquet.ReadFile[struct {
			ID      string `parquet:"id"`
			Vehicle string `parquet:"vehicle"`
		}](path)
		if err != nil {
			return 0 // joined with others meanwhile
		}
		for _, r := range rows {
			if r.Vehicle == k.vehicle {
				ids[r.ID] = true
			}
		}
	}
	return len(ids)
}

// settle lets the courier come to an end, and looks at what arrived.
func (k *killing) settle(way string) {
	var said *bytes.Buffer
	wait.Until(k.t, "the courier to come to an end", func() bool {
		c, s := k.visit()
		said = s
		return c.Wait() == nil
	})
	want, err := os.ReadDir(k.kept)
	if err != nil {
		k.t.Fatal(err)
	}
	stays := filepath.Join(k.dir, "vehicles", k.vehicle)
	stay := ""
	wait.Until(k.t, "all files", func() bool {
		list, err := os.ReadDir(stays)
		if err == nil && len(list) == 1 { // and nothing beside it that says what is missing
			stay = filepath.Join(stays, list[0].Name())
		}
		if stay == "" || k.arrived() != len(want) {
			return false
		}
		// The head changes with every drive.
		head, err := os.ReadFile(filepath.Join(stay, storage.HeadName))
		last, lastErr := os.ReadFile(filepath.Join(k.kept, storage.HeadName))
		return err == nil && lastErr == nil && bytes.Equal(head, last)
	})
	for _, w := range want {
		a, err := os.ReadFile(filepath.Join(k.kept, w.Name()))
		if err != nil {
			k.t.Fatal(err)
		}
		if b, err := os.ReadFile(filepath.Join(stay, w.Name())); err != nil || !bytes.Equal(a, b) {
			k.t.Errorf("%s: %s: not what was sent: %v; %s", way, w.Name(), err, said)
		}
	}
	events := 4 * k.runs
	wait.Until(k.t, "all records", func() bool { return k.events() >= events })
	k.all += events
	k.t.Logf("%s: %d kills, %d files and %d events, each once and identical", way, k.runs, len(want), events)
}
