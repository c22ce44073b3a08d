package server

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"joltwatch/storage/wire"
)

// The start does not go from vehicle to vehicle: with ten thousand enrolled it
// prepares the stream of records and nothing else, and a vehicle's bucket is there
// once it connects.
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
	if got := streamsOf(t, s); !slices.Equal(got, []string{wire.Stream}) {
		t.Errorf("after the start there are %d streams, want %s alone", len(got), wire.Stream)
	}
	refused(t, s, "a vehicle of none") // makes nothing either
	delivers(t, local(t, s, "van-77"), "van-77")
	if got := streamsOf(t, s); !slices.Equal(got, []string{wire.Stream, "OBJ_" + wire.Bucket("van-77")}) {
		t.Errorf("after one vehicle came there are %d streams: %q", len(got), got)
	}
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

var manyBuckets = flag.Int("buckets", 50, "how many buckets there are at a restart")

// A server that is started again with as many vehicles as have come is ready as soon:
// what it costs is logged.
func TestRestartWithBuckets(t *testing.T) {
	dir := t.TempDir()
	s := start(t, Options{Dir: dir})
	ctx := context.Background()
	began := time.Now()
	for n := range *manyBuckets {
		if err := EnsureBucket(ctx, s.js, fmt.Sprintf("van-%d", n), 1); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d buckets made in %v", *manyBuckets, time.Since(began))
	delivers(t, local(t, s, "van-7"), "van-7")
	s.Close()
	before, began := processorTime(t), time.Now()
	s = start(t, Options{Dir: dir})
	t.Logf("started again in %v, %v of processor time", time.Since(began), processorTime(t)-before)
	if n := len(streamsOf(t, s)); n != *manyBuckets+1 {
		t.Errorf("%d streams, want %d", n, *manyBuckets+1)
	}
	delivers(t, local(t, s, "van-7"), "van-7")
}
