//go:build cgo && engine

// Package engine reads exported Parquet with an independent engine, DuckDB, in
// a package of its own because linking it takes a minute and a C compiler.
package engine

import (
	"bytes"
	"database/sql"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	_ "github.com/duckdb/duckdb-go/v2"

	"joltwatch/bus"
	"joltwatch/cmd/develop/invented"
	"joltwatch/cmd/joltbench/export"
	"joltwatch/detect"
	"joltwatch/storage/review"
)

func TestEngineReadsParquet(t *testing.T) {
	s, err := invented.Week(60, 9)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write := func(table *export.Table) string {
		var b bytes.Buffer
		if err := export.Parquet(&b, table); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, table.Name+".parquet")
		if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	events := write(export.Events(s))
	x := s.Stretches(60 * bus.Second)[:3]
	rows := write(export.Rows(s, x, nil))

	db, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	query := func(into any, q string, args ...any) {
		t.Helper()
		if err := db.QueryRow(q, args...).Scan(into); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}

	// The greatest lag and its time, as SQL sees them and as the stay has them.
	var worst *review.Event
	var lag float64
	late := 0
	for i := range s.Events {
		e := &s.Events[i]
		if v, ok := e.Get("lag_s"); ok && v > lag {
			worst, lag = e, v
		}
		if e.Class == detect.ReleaseLate {
			late++
		}
	}
	var n int
	query(&n, `select count(*) from read_parquet(?)`, events)
	if n != len(s.Events) {
		t.Errorf("%d events, want %d", n, len(s.Events))
	}
	query(&n, `select count(*) from read_parquet(?) where class = 'late'`, events)
	if n != late || late == 0 {
		t.Errorf("%d late, want %d", n, late)
	}
	var got float64
	query(&got, `select max(lag_s) from read_parquet(?)`, events)
	if got != lag {
		t.Errorf("greatest lag %v, want %v", got, lag)
	}
	var at time.Time
	query(&at, `select start_time from read_parquet(?) order by lag_s desc nulls last limit 1`, events)
	if want, _ := review.Wall(worst.Clock, worst.Start); !at.Equal(want) {
		t.Errorf("it began at %v, want %v", at, want)
	}

	// Slip in the aligned rows is the difference of the speeds, each of the
	// three rounded to a hundredth.
	var count int
	var off float64
	query(&count, `select count(*) from read_parquet(?) where slip is not null`, rows)
	query(&off, `select max(abs(slip - (engine_speed - turbine_speed))) from read_parquet(?)`, rows)
	if count < 1000 || math.Abs(off) > 0.0151 {
		t.Errorf("%d rows with slip, off by %v", count, off)
	}

	// The README's own query runs as it stands there.
	readme, err := os.ReadFile("../../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, found := strings.Cut(string(readme), "    select kind,")
	text, _, _ = strings.Cut(text, "\n\n")
	if !found {
		t.Fatal("README.md has no query that begins with select kind")
	}
	table, err := db.Query(strings.ReplaceAll("select kind,"+text, "events.parquet", events))
	if err != nil {
		t.Fatalf("README's query: %v", err)
	}
	defer table.Close()
	kinds := 0
	for table.Next() {
		kinds++
	}
	if kinds < 2 || table.Err() != nil {
		t.Errorf("README's query tells of %d kinds: %v", kinds, table.Err())
	}

	// Units stand in the metadata of the columns.
	for column, unit := range map[string]string{"engine_speed": "rpm", "clutch_pressure": "kPa", "slip": "rpm"} {
		var u string
		query(&u, `select decode(key_value_metadata[encode('unit')]) from parquet_metadata(?) where path_in_schema = ? limit 1`, rows, column)
		if u != unit {
			t.Errorf("unit of %s: %q, want %q", column, u, unit)
		}
	}
}
