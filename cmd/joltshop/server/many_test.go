package server

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

// The start does not go from vehicle to vehicle: with ten thousand enrolled there are the
// streams that all share and no others, and one that comes makes none, unless its courier
// is of before.
func TestTenThousandEnrolled(t *testing.T) {
	dir := t.TempDir()
	if err := prepareDir(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "enrolled"), 0o700); err != nil {
		t.Fatal(err)
	}
	for n := range 10_000 {
		name := fmt.Sprintf("van-%d", n)
		text := fmt.Appendf(nil, `{"vehicle":%q,"token_sha256":%q}`, name, hashed(name))
		if err := os.WriteFile(enrolledPath(dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if names, err := Enrolled(dir); err != nil || len(names) != 10_000 {
		t.Fatalf("%d enrolled, %v", len(names), err)
	}
	before := processorTime(t)
	s := start(t, Options{Dir: dir})
	t.Logf("the start took %v of processor time", processorTime(t)-before)
	shared := []string{wire.HeldStream, wire.Stream, wire.PieceStream}
	is := func(when string, want []string) {
		t.Helper()
		if got := streamsOf(t, s); !slices.Equal(got, want) {
			t.Errorf("%s there are the streams %q, want %q", when, got, want)
		}
	}
	is("after the start", shared)
	refused(t, s, "a vehicle of none") // makes nothing either
	c := local(t, s, "van-77", nats.Name(wire.ClientName))
	if _, err := stream(t, c).Publish(context.Background(), wire.Piece("van-77", "upload", 0), []byte("x")); err != nil {
		t.Error(err)
	}
	is("after one vehicle came", shared)
	delivers(t, local(t, s, "van-78"), "van-78")
	is("after one of before came", slices.Insert(slices.Clone(shared), 2, "OBJ_"+wire.Bucket("van-78")))
}

func streamsOf(t *testing.T, s *Server) (names []string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	list := s.js.StreamNames(ctx)
	for name := range list.Name() {
		names = append(names, name)
	}
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	slices.Sort(names)
	return names
}

func processorTime(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

var (
	manyVans = flag.Int("vans", 500, "how many vehicles have files on the server at a restart")
	early    = flag.Bool("early", false, "their couriers are of before: each has a bucket of its own on the server")
	killed   = flag.Bool("killed", false, "the server is killed, in a process of its own, and not stopped")
)

// A server that is started again is ready as soon however many vehicles have files there:
// they share their streams. What it costs is logged; README has that of ten thousand.
func TestRestartWithMany(t *testing.T) {
	dir := t.TempDir()
	if os.Getenv("RESTART_IN") != "" {
		fill(t, os.Getenv("RESTART_IN"))
		return
	}
	if *killed {
		c := exec.Command(os.Args[0], "-test.run=^TestRestartWithMany$", "-test.timeout=1h", "-vans", fmt.Sprint(*manyVans), fmt.Sprintf("-early=%t", *early))
		c.Env = append(os.Environ(), "RESTART_IN="+dir)
		if out, err := c.CombinedOutput(); err == nil || !strings.Contains(err.Error(), "killed") {
			t.Fatalf("%v: %s", err, out)
		}
	} else {
		fill(t, dir).Close()
	}
	before, began := processorTime(t), time.Now()
	s := start(t, Options{Dir: dir})
	t.Logf("started again with files of %d vehicles (killed: %v) in %v, %v of processor time", *manyVans, *killed, time.Since(began), processorTime(t)-before)
	want := 3
	if *early {
		want += *manyVans
	}
	if n := len(streamsOf(t, s)); n != want {
		t.Errorf("%d streams, want %d", n, want)
	}
	if *early {
		return
	}
	st, err := s.js.Stream(context.Background(), wire.PieceStream)
	if err != nil || st.CachedInfo().State.Msgs != uint64(*manyVans*piecesEach) {
		t.Errorf("%+v, %v", st.CachedInfo().State, err)
	}
	delivers(t, local(t, s, "van-7"), "van-7")
}

// piecesEach is how many pieces each vehicle has there, of 4 kB, and one record.
const piecesEach = 10

// fill fills a server, and kills itself with it where it is a process of its own.
func fill(t *testing.T, dir string) *Server {
	s := start(t, Options{Dir: dir})
	piece, last := make([]byte, 4<<10), []jetstream.PubAckFuture{}
	js, err := jetstream.New(s.own, jetstream.WithPublishAsyncMaxPending(256))
	if err != nil {
		t.Fatal(err)
	}
	for n := range *manyVans {
		van := fmt.Sprint("van-", n)
		if *early {
			if err := EnsureBucket(context.Background(), js, van, 1); err != nil {
				t.Fatal(err)
			}
		}
		for i := range piecesEach + 1 {
			subject := wire.Piece(van, "upload", int64(i)*int64(len(piece)))
			switch {
			case i == piecesEach:
				subject = wire.Subject(van, wire.KindUnit)
			case *early:
				subject = wire.EarlierPieces(van, "upload", fmt.Sprint(i))
			}
			f, err := js.PublishAsync(subject, piece, jetstream.WithStallWait(time.Minute))
			if err != nil {
				t.Fatal(err)
			}
			last = append(last, f)
		}
	}
	for _, f := range last {
		select {
		case <-f.Ok():
		case err := <-f.Err():
			t.Fatal(err)
		}
	}
	if os.Getenv("RESTART_IN") != "" {
		syscall.Kill(os.Getpid(), syscall.SIGKILL) //nolint:errcheck // this process
	}
	return s
}
