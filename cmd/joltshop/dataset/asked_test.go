package dataset

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"joltwatch/cmd/develop/fleet/invented"
)

// counting is a store that counts what it is asked for and what it answers, in bytes.
type counting struct {
	http.Handler
	gets, bytes atomic.Int64
}

func (c *counting) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodGet {
		c.gets.Add(1)
	}
	c.Handler.ServeHTTP(counted{w, &c.bytes}, r)
}

type counted struct {
	http.ResponseWriter
	n *atomic.Int64
}

func (c counted) Write(b []byte) (int, error) {
	c.n.Add(int64(len(b)))
	return c.ResponseWriter.Write(b)
}

// Of a store only the months are fetched that are asked about: of those before, which days
// are filed of each vehicle. An earlier week is fetched when it is asked about.
func TestLocalFetchesWhatIsAsked(t *testing.T) {
	held := s3mem.New()
	if err := held.CreateBucket("shop"); err != nil {
		t.Fatal(err)
	}
	store := &counting{Handler: gofakes3.New(held).Server()}
	server := httptest.NewServer(store)
	t.Cleanup(server.Close)
	for name, value := range map[string]string{"AWS_ENDPOINT_URL": server.URL, "AWS_REGION": "somewhere-1", "AWS_ACCESS_KEY_ID": "key", "AWS_SECRET_ACCESS_KEY": "secret"} {
		t.Setenv(name, value)
	}
	const where = "s3://shop/fleet"
	ctx, last := context.Background(), time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	f := &invented.Fleet{Vehicles: 4, Days: 180, LastDay: last, Seed: 3}
	d, err := Open(where)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.EachRecord(d.Add); err != nil {
		t.Fatal(err)
	}
	flush(t, d)
	if _, err := d.Compact(ctx, last); err != nil {
		t.Fatal(err)
	}
	get := func(cache, first, last string) (gets, bytes int64, dir string) {
		t.Helper()
		gets, bytes = store.gets.Load(), store.bytes.Load()
		dir, err := Local(ctx, where, cache, Days{first, last})
		if err != nil {
			t.Fatal(err)
		}
		return store.gets.Load() - gets, store.bytes.Load() - bytes, dir
	}
	allGets, all, _ := get(t.TempDir(), "2020-01-01", "2100-01-01")
	cache := t.TempDir()
	gets, some, dir := get(cache, "2026-06-01", "2026-07-01")
	againGets, again, _ := get(cache, "2026-06-01", "2026-07-01")
	t.Logf("the whole dataset: %d requests, %d bytes; a month of it: %d, %d; once more: %d, %d", allGets, all, gets, some, againGets, again)
	if 3*some > all || again > some/4 {
		t.Errorf("%d bytes of %d, and once more %d", some, all, again)
	}
	filed := map[string]Days{}
	l, err := List(dir, accounts, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), last, filed)
	if err != nil || len(l.Months) != 1 || len(l.Earlier) != 5 {
		t.Fatalf("%+v, %v", l, err)
	}
	if info, err := os.Stat(l.Earlier[0]); err != nil || info.Size() > 2000 {
		t.Errorf("%d bytes of a month before, %v", info.Size(), err)
	}
	// Asked about, it is fetched whole.
	if _, _, dir = get(cache, "2026-01-02", "2026-01-31"); dir != cache {
		t.Fatal(dir)
	}
	name, err := filepath.Rel(cache, l.Earlier[0])
	if err != nil {
		t.Fatal(err)
	}
	body, err := d.at.read(ctx, filepath.ToSlash(name))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(l.Earlier[0]); err != nil || string(got) != string(body) {
		t.Errorf("%d bytes of %d, %v", len(got), len(body), err)
	}
}
