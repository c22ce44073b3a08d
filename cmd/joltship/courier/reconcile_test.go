package courier

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	shop "joltwatch/cmd/joltshop/server"
	"joltwatch/storage/wire"
)

// What an earlier version remembered of records, that they were delivered, is held
// against what the shop says it has like what is remembered today; and a list is held
// against it once.
func TestEarlierMemoryReconciles(t *testing.T) {
	store, sink := t.TempDir(), newSink()
	record(t, store, 2)
	conn, url := shopFor(t, t.TempDir(), sink)
	c := newTestCourier(t, "van-1", store, url)
	mustDeliver(t, c)
	path := filepath.Join(c.config.State, "delivered.json")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]any{}
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	records, _ := m["records"].(map[string]any)
	if len(records) != 10 {
		t.Fatalf("%v", records)
	}
	for key := range records {
		records[key] = true
	}
	m["unit_at"] = time.Time{}
	if b, err = json.Marshal(m); err == nil {
		err = os.WriteFile(path, b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	if c, err = New(c.config, c.log); err != nil {
		t.Fatal(err)
	}
	stay, _, err := wire.StayOf(store)
	if err != nil {
		t.Fatal(err)
	}
	// The shop has all but one record and one file.
	held := &wire.Held{Number: 1}
	for i, r := range stay.Records("van-1") {
		_, id, err := r.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if i != 3 {
			if err := held.Stay(stay.ID).Add(id); err != nil {
				t.Fatal(err)
			}
		}
	}
	n := 0
	for name, d := range c.memory.Files {
		if n++; n > 1 {
			held.Stay(stay.ID).Files[name] = d.SHA256
		}
	}
	told := t.TempDir()
	if err := shop.WriteHeld(told, "van-1", held); err != nil {
		t.Fatal(err)
	}
	if err := shop.PutHeld(context.Background(), prepare(t, conn, 1, "van-1"), told, "van-1"); err != nil {
		t.Fatal(err)
	}
	if did := mustDeliver(t, c); did.Records != 1 || did.Files != 1 || c.memory.Lost != "" {
		t.Errorf("sent again: %+v; lost: %q", did, c.memory.Lost)
	}
	c.memory.UnitAt = time.Time{}
	if did := mustDeliver(t, c); did.Records+did.Files != 0 {
		t.Errorf("once more: %+v", did)
	}
}
