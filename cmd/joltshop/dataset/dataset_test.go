package dataset

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"net/http/httptest"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
	"github.com/parquet-go/parquet-go"

	"joltwatch/detect"
	"joltwatch/storage/wire"
)

var received = time.Date(2026, 3, 10, 4, 0, 0, 0, time.UTC)

func event(vehicle string, at time.Time, n int) *wire.Record {
	gear := 3.0
	return &wire.Record{Version: 1, Kind: wire.KindEvent, Vehicle: vehicle, Stay: "stay", Label: "van \xff <7>", Run: 2, At: at.UnixMicro(),
		Event: &wire.Event{ID: fmt.Sprint(n), StartUs: 5, EndUs: 9, Evidence: "kept",
			Finding: detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Drive: 1, Severity: 0.7, MissingInputs: []string{"gear"},
				Measures: []detect.Measure{{Name: "lag_s", Value: 0.8}, {Name: "lag_max_s", Value: 0.82}},
				Instants: []detect.Instant{{Name: "command fell", At: 5, Early: 4, Late: 6}}, Context: detect.Context{Gear: &gear}},
			Percentiles: []detect.Percentile{{Measure: "lag_s", Share: 0.9, N: 40}}}}
}

func account(vehicle string, at time.Time, end int) *wire.Record {
	return &wire.Record{Version: 1, Kind: wire.KindAccount, Vehicle: vehicle, Stay: "stay", Run: 2, At: at.UnixMicro(),
		Account: &wire.Account{Account: detect.Account{Drive: 1, End: 1000, Stops: end, Frames: math.MaxUint64, EngineOnS: 12.5,
			Opportunities: []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 9, Observable: 8, Hits: 1}},
			Bands:         []detect.Band{{Of: "gear", Label: "2", From: 2, To: 2, Open: 3}},
			Roles:         []detect.RoleCover{{Role: "gear", FreshS: 1, Samples: 4}}}}}
}

func unit(vehicle string, at time.Time, n int) *wire.Record {
	return &wire.Record{Version: 1, Kind: wire.KindUnit, Vehicle: vehicle, Stay: "stay", Run: 2, At: at.UnixMicro(),
		Unit: &wire.Unit{Program: "test", StoreBytes: int64(n), QuotaBytes: 100, Troubles: []string{"a card that refuses"}}}
}

// give adds records with their own identities.
func give(t *testing.T, d *Dataset, list ...*wire.Record) {
	t.Helper()
	for _, r := range list {
		giveAt(t, d, r, received)
	}
}

// giveAt adds a record that was received at a time.
func giveAt(t *testing.T, d *Dataset, r *wire.Record, received time.Time) {
	t.Helper()
	_, id, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Add(r, id, received); err != nil {
		t.Fatal(err)
	}
}

func flush(t *testing.T, d *Dataset) {
	t.Helper()
	if err := d.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
}

// countIDs counts the identities in a file.
func countIDs(t *testing.T, at place, name string, n map[string]int) {
	t.Helper()
	body, err := at.read(context.Background(), name)
	if err != nil {
		t.Fatal(err)
	}
	list, err := parquet.Read[struct {
		ID string `parquet:"id"`
	}](bytes.NewReader(body), int64(len(body)))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	for _, r := range list {
		n[r.ID]++
	}
}

// layLater lays down a file of a later schema with a row and returns its bytes.
func layLater(t *testing.T, at place, name, id string) []byte {
	t.Helper()
	type later struct {
		ID  string `parquet:"id"`
		New string `parquet:"new"`
	}
	var b bytes.Buffer
	w := parquet.NewGenericWriter[later](&b, parquet.KeyValueMetadata(keySchema, fmt.Sprint(SchemaVersion+1)))
	_, err := w.Write([]later{{id, "x"}})
	if err = errors.Join(err, w.Close(), at.write(context.Background(), name, b.Bytes())); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// ids counts how often each identity is in the files, by partition folder.
func ids(t *testing.T, at place, partitions ...partition) map[string]int {
	t.Helper()
	n := map[string]int{}
	for _, p := range partitions {
		files, err := at.list(context.Background(), p.String())
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			countIDs(t, at, f.name, n)
		}
	}
	return n
}

// places are the two kinds of place, each empty.
func places(t *testing.T) map[string]func(*testing.T) string {
	return map[string]func(*testing.T) string{
		"folder": func(t *testing.T) string { return filepath.Join(t.TempDir(), "a", "dataset") },
		"bucket": func(t *testing.T) string {
			store := s3mem.New()
			if err := store.CreateBucket("shop"); err != nil {
				t.Fatal(err)
			}
			server := httptest.NewServer(gofakes3.New(store).Server())
			t.Cleanup(server.Close)
			t.Setenv("AWS_ENDPOINT_URL", server.URL)
			t.Setenv("AWS_REGION", "somewhere-1")
			t.Setenv("AWS_ACCESS_KEY_ID", "key")
			t.Setenv("AWS_SECRET_ACCESS_KEY", "secret")
			return "s3://shop/fleet/one"
		},
	}
}

// Each row comes back as it went in, once, however often it was given, and its
// partition is one file.
func TestRowsComeBack(t *testing.T) {
	for kind, where := range places(t) {
		t.Run(kind, func(t *testing.T) {
			d, err := Open(where(t))
			if err != nil {
				t.Fatal(err)
			}
			at := received.Add(-20 * time.Hour) // the day before
			give(t, d, event("van-1", at, 1), account("van-1", at, 1), unit("van-1", at, 1), event("van-1", at, 1))
			if d.Held() != 3 {
				t.Errorf("%d held, want 3", d.Held())
			}
			flush(t, d)
			if d.Held() != 0 {
				t.Errorf("%d held after the flush", d.Held())
			}
			give(t, d, event("van-1", at, 1), event("van-1", at, 2), event("van-2", at, 1))
			flush(t, d)
			day := partition{events, "van-1", "2026-03-09"}
			n := ids(t, d.at, day)
			if len(n) != 2 {
				t.Errorf("%d identities, want 2", len(n))
			}
			for id, times := range n {
				if times != 1 {
					t.Errorf("%s is there %d times", id, times)
				}
			}
			files, _ := d.at.list(context.Background(), day.String())
			if len(files) != 1 {
				t.Fatalf("%v: want one file", files)
			}
			body, err := d.at.read(context.Background(), files[0].name)
			if err != nil {
				t.Fatal(err)
			}
			list, err := parquet.Read[eventRow](bytes.NewReader(body), int64(len(body)))
			if err != nil {
				t.Fatal(err)
			}
			r := list[0]
			if r.Kind != "release-lag" || *r.Lag != 0.8 || *r.Gear != 3 || r.Speed != nil || r.Label != "van \uFFFD <7>" || !r.Clocked ||
				r.Time != at.UnixMicro() || r.Received != received.UnixMicro() || r.MissingInputs[0] != "gear" ||
				!reflect.DeepEqual(r.Measures, []measure{{"lag_s", 0.8}, {"lag_max_s", 0.82}}) ||
				!reflect.DeepEqual(r.Instants, []instant{{"command fell", 5, 4, 6}}) || !reflect.DeepEqual(r.Percentiles, []placing{{"lag_s", 0.9, 40}}) {
				t.Errorf("%+v", r)
			}
			f, err := parquet.OpenFile(bytes.NewReader(body), int64(len(body)))
			if err != nil {
				t.Fatal(err)
			}
			for key, want := range map[string]string{keySchema: "2", keyTable: "events", keyVehicle: "van-1", keyDay: "2026-03-09"} {
				if got, _ := f.Lookup(key); got != want {
					t.Errorf("%s is %q, want %q", key, got, want)
				}
			}
			if got := ids(t, d.at, partition{accounts, "van-1", "2026-03-09"}, partition{units, "van-1", received.UTC().Format(time.DateOnly)}, partition{events, "van-2", "2026-03-09"}); len(got) != 3 {
				t.Errorf("%d rows in the other partitions, want 3", len(got))
			}
		})
	}
}

// The same rows give the same bytes, in whatever order and batches they came.
func TestSameBytes(t *testing.T) {
	var all [2]map[string]string
	for i := range all {
		dir := t.TempDir()
		d, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		for n := range 20 {
			if i == 1 {
				n = 19 - n
			}
			give(t, d, event("van", received, n), account("van", received, n))
			if i == 1 && n%3 == 0 {
				flush(t, d)
			}
		}
		flush(t, d)
		all[i] = map[string]string{}
		filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
			if err == nil && !e.IsDir() {
				body, _ := os.ReadFile(p)
				all[i][strings.TrimPrefix(p, dir)] = string(body)
			}
			return err
		})
	}
	if len(all[0]) != 2 || !reflect.DeepEqual(all[0], all[1]) {
		t.Errorf("%d and %d files that are not the same", len(all[0]), len(all[1]))
	}
}

func TestDay(t *testing.T) {
	for _, c := range []struct {
		at      time.Time
		day     string
		clocked bool
	}{
		{time.Date(2026, 3, 9, 23, 59, 59, 0, time.UTC), "2026-03-09", true},
		{received.Add(47 * time.Hour), "2026-03-12", true},
		{received.Add(49 * time.Hour), "2026-03-10", false},
		{received.Add(-365 * 24 * time.Hour), "2025-03-10", true},
		{received.Add(-409 * 24 * time.Hour), "2026-03-10", false},
		{time.Date(2019, 12, 31, 23, 0, 0, 0, time.UTC), "2026-03-10", false},
		{time.UnixMicro(0), "2026-03-10", false},
		{time.UnixMicro(-5), "2026-03-10", false},
		{time.UnixMicro(math.MaxInt64), "2026-03-10", false},
	} {
		r := event("van", c.at, 1)
		if day, clocked := Day(r, received.In(time.FixedZone("", -7*3600))); day != c.day || clocked != c.clocked {
			t.Errorf("%v: %s, %v", c.at, day, clocked)
		}
	}
	// What a unit's clock said when it sent is held against the shop's own.
	for off, clocked := range map[time.Duration]bool{0: true, 14 * time.Hour: true, -14 * time.Hour: true, 16 * time.Hour: false, -16 * time.Hour: false, -30 * 24 * time.Hour: false} {
		r := event("van", received.Add(-26*time.Hour), 1)
		r.Sent = received.Add(off).UnixMicro()
		want := "2026-03-10"
		if clocked {
			want = "2026-03-09"
		}
		if day, got := Day(r, received); day != want || got != clocked {
			t.Errorf("sent with a clock off by %v: %s, %v", off, day, got)
		}
	}
}

// What a unit took the time for is kept beside the day of arrival.
func TestWrongClockIsKept(t *testing.T) {
	dir := t.TempDir()
	d, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	own := received.Add(-40 * 24 * time.Hour)
	r := event("van", own, 1)
	r.Sent = own.Add(time.Hour).UnixMicro()
	give(t, d, r)
	flush(t, d)
	list, err := filepath.Glob(filepath.Join(dir, "events", "vehicle=van", "day="+received.UTC().Format(time.DateOnly), "*.parquet"))
	if err != nil || len(list) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	rows, err := parquet.ReadFile[eventRow](list[0])
	if err != nil || len(rows) != 1 || rows[0].Clocked || rows[0].Time != 0 || rows[0].Own != own.UnixMicro() || rows[0].Received != received.UnixMicro() {
		t.Errorf("%+v, %v", rows, err)
	}
}

// failing lets a number of operations through and then fails every one, as a
// machine does that stops: nothing after that instant happens.
type failing struct {
	place
	left int
}

var errStopped = errors.New("stopped here")

func (f *failing) step() error {
	f.left--
	if f.left < 0 {
		return errStopped
	}
	return nil
}

func (f *failing) list(ctx context.Context, p string) ([]file, error) {
	if err := f.step(); err != nil {
		return nil, err
	}
	return f.place.list(ctx, p)
}

func (f *failing) read(ctx context.Context, name string) ([]byte, error) {
	if err := f.step(); err != nil {
		return nil, err
	}
	return f.place.read(ctx, name)
}

func (f *failing) write(ctx context.Context, name string, body []byte) error {
	if err := f.step(); err != nil {
		return err
	}
	return f.place.write(ctx, name, body)
}

func (f *failing) remove(ctx context.Context, name string) error {
	if err := f.step(); err != nil {
		return err
	}
	return f.place.remove(ctx, name)
}

// Stopped before any operation of a flush, what an earlier flush wrote is all
// there; the same rows given again leave each once.
func TestStoppedAnywhere(t *testing.T) {
	p := partition{events, "van", "2026-03-10"}
	stopped := 0
	for left := 0; ; left++ {
		dir := t.TempDir()
		d, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		give(t, d, event("van", received, 1), event("van", received, 2))
		flush(t, d)
		d.at = &failing{folder(dir), left}
		give(t, d, event("van", received, 2), event("van", received, 3))
		err = d.Flush(context.Background())
		if n := ids(t, folder(dir), p); len(n) < 2 {
			t.Fatalf("stopped after %d operations: %d rows left of 2", left, len(n))
		}
		if err == nil {
			break
		}
		stopped++
		if !errors.Is(err, errStopped) {
			t.Fatal(err)
		}
		// The server starts anew, and the stream delivers again.
		again, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		give(t, again, event("van", received, 2), event("van", received, 3))
		flush(t, again)
		n := ids(t, folder(dir), p)
		if len(n) != 3 {
			t.Fatalf("stopped after %d operations: %d rows, want 3", left, len(n))
		}
		for id, times := range n {
			if times != 1 {
				t.Errorf("stopped after %d operations: %s is there %d times", left, id, times)
			}
		}
		// And where it did not stop but the medium refused, the same object
		// still holds what it could not write.
		d.at = folder(dir)
		flush(t, d)
		if n := ids(t, folder(dir), p); len(n) != 3 {
			t.Errorf("after a refusal: %d rows, want 3", len(n))
		}
	}
	if stopped != 4 { // list, read, write, remove
		t.Errorf("stopped in %d ways, want 4", stopped)
	}
}

// Two writers of the same partition lose nothing, and after one more flush each
// row is there once.
func TestTwoWriters(t *testing.T) {
	dir := t.TempDir()
	done := make(chan error, 2)
	for w := range 2 {
		d, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			for n := range 40 {
				r := event("van", received, 100*w+n)
				_, id, err := r.Encode()
				if err == nil {
					err = d.Add(r, id, received)
				}
				for tries := 0; err == nil; tries++ {
					if err = d.Flush(context.Background()); err == nil {
						break
					}
					if tries < 100 {
						err = nil
					}
				}
				if err != nil {
					done <- err
					return
				}
			}
			done <- nil
		}()
	}
	for range 2 {
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
	p := partition{events, "van", "2026-03-10"}
	if n := ids(t, folder(dir), p); len(n) != 80 {
		t.Errorf("%d rows, want 80", len(n))
	}
	d, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	give(t, d, event("van", received, 999))
	flush(t, d)
	for id, times := range ids(t, folder(dir), p) {
		if times != 1 {
			t.Errorf("%s is there %d times", id, times)
		}
	}
}

// A partition that fails holds up no other.
func TestOneFails(t *testing.T) {
	dir := t.TempDir()
	d, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "units"), []byte("in the way"), 0o600); err != nil {
		t.Fatal(err)
	}
	give(t, d, event("van", received, 1), unit("van", received, 1))
	if err := d.Flush(context.Background()); err == nil || !strings.Contains(err.Error(), "units/vehicle=van/day=2026-03-10") {
		t.Errorf("%v", err)
	}
	if n := ids(t, d.at, partition{events, "van", "2026-03-10"}); len(n) != 1 || d.Held() != 1 {
		t.Errorf("%d rows written, %d held", len(n), d.Held())
	}
	os.Remove(filepath.Join(dir, "units"))
	if err := d.Close(); err != nil || d.Held() != 0 {
		t.Errorf("%v, %d held", err, d.Held())
	}
}

// A damaged file is set aside, whatever the damage, and does not stop new rows.
func TestDamagedFileIsSetAside(t *testing.T) {
	for kind, where := range places(t) {
		t.Run(kind, func(t *testing.T) {
			p := partition{events, "van", "2026-03-10"}
			d, err := Open(where(t))
			if err != nil {
				t.Fatal(err)
			}
			give(t, d, event("van", received, 1))
			flush(t, d)
			ctx := context.Background()
			files, _ := d.at.list(ctx, p.String())
			body, err := d.at.read(ctx, files[0].name)
			if err != nil {
				t.Fatal(err)
			}
			hurt := 0
			for cut := 0; cut < len(body); cut += 1 + len(body)/40 {
				bad := bytes.Clone(body[:cut])
				if cut%2 == 0 {
					bad = bytes.Clone(body)
					for i := cut; i < min(cut+20, len(bad)); i++ {
						bad[i] ^= 0x5a
					}
				}
				if err := d.at.write(ctx, files[0].name, bad); err != nil {
					t.Fatal(err)
				}
				before := len(d.Damaged())
				give(t, d, event("van", received, 100+cut))
				flush(t, d) // must not fail or panic
				hurt += len(d.Damaged()) - before
			}
			if hurt < 20 {
				t.Errorf("only %d set aside", hurt)
			}
			if _, err := d.at.read(ctx, d.Damaged()[0]+damaged); err != nil {
				t.Errorf("what was set aside is gone: %v", err)
			}
		})
	}
}

// A file of a later schema is left as it is, and its rows are known.
func TestLaterSchema(t *testing.T) {
	dir := t.TempDir()
	d, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	r := event("van", received, 1)
	_, id, _ := r.Encode()
	p := partition{events, "van", "2026-03-10"}
	name := path.Join(p.String(), "later.parquet")
	later := layLater(t, d.at, name, id)
	give(t, d, r, event("van", received, 2))
	flush(t, d)
	n := ids(t, d.at, p)
	if len(n) != 2 || n[id] != 1 {
		t.Errorf("%v", n)
	}
	if body, err := d.at.read(context.Background(), name); err != nil || !bytes.Equal(body, later) {
		t.Errorf("the later file was changed: %v", err)
	}
}

// What a stopped writer left half-written is cleared, and is never data.
func TestUnfinished(t *testing.T) {
	d, err := Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	give(t, d, event("van", received, 1))
	flush(t, d)
	dir := d.at.(folder).path("events/vehicle=van/day=2026-03-10")
	old, new := filepath.Join(dir, unfinished+"1"), filepath.Join(dir, unfinished+"2")
	for _, name := range []string{old, new} {
		if err := os.WriteFile(name, []byte("PAR1"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	long := time.Now().Add(-2 * time.Hour)
	if err := os.Chtimes(old, long, long); err != nil {
		t.Fatal(err)
	}
	give(t, d, event("van", received, 2))
	flush(t, d)
	_, err1 := os.Stat(old)
	_, err2 := os.Stat(new)
	if err1 == nil || err2 != nil || len(d.Damaged()) != 0 {
		t.Errorf("old: %v, new: %v", err1, err2)
	}
}

// A file past the size is not written again.
func TestGrownFileIsLeft(t *testing.T) {
	d, err := Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	p := partition{events, "van", "2026-03-10"}
	for n := range 20000 {
		give(t, d, event("van", received, n))
	}
	flush(t, d)
	files, _ := d.at.list(context.Background(), p.String())
	if len(files) != 1 || files[0].size < sealed {
		t.Fatalf("%v: want one file of more than %d bytes", files, sealed)
	}
	give(t, d, event("van", received, 7), event("van", received, 20001))
	flush(t, d)
	n := ids(t, d.at, p)
	now, _ := d.at.list(context.Background(), p.String())
	if len(n) != 20001 || len(now) != 2 {
		t.Errorf("%d rows in %v", len(n), now)
	}
	for _, times := range n {
		if times != 1 {
			t.Fatal("a row is there twice")
		}
	}
}

func TestRefused(t *testing.T) {
	d, err := Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	r := event("van", received, 1)
	for _, id := range []string{"", "../../x", strings.Repeat("A", 64)} {
		if d.Add(r, id, received) == nil {
			t.Errorf("identity %q was taken", id)
		}
	}
	r.Vehicle = "../x"
	if d.Add(r, strings.Repeat("a", 64), received) == nil {
		t.Error("a name that leads elsewhere was taken")
	}
	t.Setenv("AWS_ENDPOINT_URL", "nowhere")
	for _, where := range []string{"", "s3://", "s3://bucket"} {
		if _, err := Open(where); err == nil {
			t.Errorf("opened %q", where)
		}
	}
}

// The columns are stated once more here: a change of them is a decision.
func TestSchemaStands(t *testing.T) {
	var b strings.Builder
	for _, s := range []*parquet.Schema{parquet.SchemaOf(eventRow{}), parquet.SchemaOf(accountRow{}), parquet.SchemaOf(unitRow{})} {
		b.WriteString(s.String() + "\n")
	}
	const golden = "testdata/schema.txt"
	if os.Getenv("UPDATE_GOLDEN") != "" {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the columns are not those of %s:\n%s", golden, b.String())
	}
	for _, column := range []string{"lag_s", "stops_observed", "quota_bytes", "received", "clocked", "severity", "percentiles", "missing_inputs", "opportunities"} {
		if !strings.Contains(Schema, "`"+column+"`") {
			t.Errorf("SCHEMA.md does not tell of %s", column)
		}
	}
}

func BenchmarkFlush(b *testing.B) {
	d, err := Open(b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	for n := range b.N {
		v := fmt.Sprintf("van-%d", n%500)
		for i := range 60 {
			r := event(v, received, n*60+i)
			_, id, _ := r.Encode()
			d.Add(r, id, received)
		}
		if err := d.Flush(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
}

// A bucket is brought to a local folder: what is new is fetched, what is gone
// goes, and the rest is left.
func TestLocal(t *testing.T) {
	where := places(t)["bucket"](t)
	cache := filepath.Join(t.TempDir(), "cache")
	d, err := Open(where)
	if err != nil {
		t.Fatal(err)
	}
	give(t, d, event("van-1", received, 1), event("van-2", received, 1), unit("van-2", received, 1))
	flush(t, d)
	// Names that are not the dataset's own are not fetched.
	b := d.at.(*bucket)
	for _, name := range []string{"events/notes.parquet", "events/vehicle=x/day=y/../../../../out.parquet"} {
		if err := b.write(context.Background(), name, []byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	check := func(want int) map[string]time.Time {
		t.Helper()
		at, err := Local(context.Background(), where, cache, Days{"2020-01-01", "2100-01-01"})
		if err != nil || at != cache {
			t.Fatalf("%s, %v", at, err)
		}
		files := map[string]time.Time{}
		filepath.WalkDir(cache, func(p string, e fs.DirEntry, err error) error {
			if err == nil && !e.IsDir() {
				info, _ := e.Info()
				files[p] = info.ModTime()
			}
			return err
		})
		if len(files) != want {
			t.Errorf("%d files, want %d: %v", len(files), want, files)
		}
		return files
	}
	first := check(3)
	give(t, d, event("van-1", received, 2)) // replaces one file
	flush(t, d)
	second := check(3)
	same := 0
	for name, at := range second {
		if first[name].Equal(at) {
			same++
		}
	}
	if same != 2 {
		t.Errorf("%d files were left, want 2", same)
	}
	if _, err := Local(context.Background(), filepath.Join(cache, "nowhere"), "", Days{}); err == nil {
		t.Error("a folder that is not there")
	}
}

// Files that an earlier version laid down are read, and joined with what comes now
// without a row lost: testdata/v1 is from before own_time was a column,
// and has columns by the names of schema 1.
func TestEarlierFiles(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("testdata/v1")); err != nil {
		t.Fatal(err)
	}
	d, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 9, 9, 0, 0, 0, time.UTC)
	give(t, d, event("van-1", at, 7), event("van-2", at, 7), account("van-1", at, 7))
	flush(t, d)
	for _, x := range joined[eventRow](t, filepath.Join(dir, "events", "vehicle=van-1")) {
		if x.Event == "1-1" && (x.Lag == nil || *x.Lag != 1.5 || x.Own != 0 || !x.Clocked || len(x.Measures) != 1) {
			t.Errorf("the earlier row is %+v", x)
		}
	}
	for _, x := range joined[eventRow](t, filepath.Join(dir, "events", "vehicle=van-2")) {
		if x.Severity != 0.7 || !slices.Equal(x.MissingInputs, []string{"gear"}) || !slices.Equal(x.Percentiles, []placing{{"lag_s", 0.9, 40}}) {
			t.Errorf("event %s is %+v", x.Event, x)
		}
	}
	for _, x := range joined[accountRow](t, filepath.Join(dir, "accounts", "vehicle=van-1")) {
		want := opportunity{detect.KindReleaseLag, 9, 8, 1}
		if x.Stops == 2 { // the earlier one
			want = opportunity{detect.KindReleaseLag, 3, 2, 1}
		}
		if !slices.Equal(x.Opportunities, []opportunity{want}) {
			t.Errorf("the account with %d stops has %+v", x.Stops, x.Opportunities)
		}
	}
	if len(d.Damaged()) > 0 {
		t.Errorf("taken for damaged: %v", d.Damaged())
	}
}

// joined are the two rows of the one file that lies in a vehicle's folder.
func joined[T any](t *testing.T, dir string) []T {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "*", "*.parquet"))
	if err != nil || len(list) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	rows, err := parquet.ReadFile[T](list[0])
	if err != nil || len(rows) != 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	return rows
}
