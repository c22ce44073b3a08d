package dataset

import (
	"bytes"
	"context"
	"testing"

	"github.com/parquet-go/parquet-go"
)

// A file that is damaged in a column other than the identities has none, as its rows
// cannot be read either: it is set aside and its records are asked for again.
func TestDamagedFileHasNoIdentities(t *testing.T) {
	ctx := context.Background()
	for _, together := range []bool{false, true} {
		d, err := Open(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		records := fortnight(t, d)
		if together {
			if _, err := d.Compact(ctx, afterFortnight); err != nil {
				t.Fatal(err)
			}
		}
		name := allFiles(t, d.at)[0]
		lost := map[string]int{}
		countIDs(t, d.at, name, lost)
		body, err := d.at.read(ctx, name)
		if err != nil {
			t.Fatal(err)
		}
		f, err := parquet.OpenFile(bytes.NewReader(body), int64(len(body)))
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range f.Metadata().RowGroups[0].Columns {
			if c.MetaData.PathInSchema[0] == "severity" {
				copy(body[c.MetaData.DataPageOffset:], bytes.Repeat([]byte{0xff}, 16))
			}
		}
		if err := d.at.write(ctx, name, body); err != nil {
			t.Fatal(err)
		}
		has := map[string]bool{}
		err = d.Identities(ctx, func(_, _, id string) error { has[id] = true; return nil })
		if aside := d.Damaged(); err != nil || len(aside) != 1 || aside[0] != name {
			t.Errorf("set aside: %v, %v; want %s", aside, err, name)
		}
		for id := range lost {
			if has[id] {
				t.Fatalf("%s cannot be read and is said to be there", id)
			}
		}
		if len(lost) == 0 || len(has) != records-len(lost) {
			t.Errorf("%d of %d, %d lost", len(has), records, len(lost))
		}
	}
}
