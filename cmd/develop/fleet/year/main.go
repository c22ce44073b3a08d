//go:build cgo && engine

// Year asks a shop's questions about a year of a large fleet. A small invented fleet's month
// is laid down by the shop's own means; the engine makes months of many vehicles of it, by
// other names, identities and times, as sealed days lie; and the questions are put over all
// of it. It prints rows, bytes, time and memory.
//
//	go run -tags engine ./cmd/develop/fleet/year -vehicles 1000 -months 12
//
// With -s3 PROGRAM, a genuine S3 server (.ci/s3 says which), joltshop itself makes its
// report on the last nine weeks through that server, in place of the questions alone.
//
// Not like a real year: every month is the same month, of 28 days, again.
package main

import (
	"context"
	"database/sql"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"text/tabwriter"
	"time"

	_ "github.com/duckdb/duckdb-go/v2" // the engine

	"joltwatch/cmd/develop/fleet/cost"
	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/questions"
)

func main() {
	vehicles := flag.Int("vehicles", 1000, "how many vehicles, by forties")
	months := flag.Int("months", 12, "how many months")
	program := flag.String("s3", "", "an S3 server's program: joltshop reports through it")
	flag.Parse()
	cli.Tool("year", func(ctx context.Context) error {
		if *vehicles < 1 || *months < 1 || flag.NArg() > 0 {
			return cli.Usage("expected at least one vehicle and one month, and no further words")
		}
		return run(ctx, os.Stdout, (*vehicles+invent-1)/invent, *months, *program)
	})
}

// invent is how many vehicles are invented, for monthDays days.
const (
	invent    = 40
	monthDays = 28
)

func run(ctx context.Context, out io.Writer, copies, months int, program string) error {
	dir, err := os.MkdirTemp("", "year-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	f := &invented.Fleet{Vehicles: invent, Days: monthDays, LastDay: time.Date(2026, 2, monthDays, 0, 0, 0, 0, time.UTC), Seed: 1}
	if err := month(ctx, f, filepath.Join(dir, "one")); err != nil {
		return err
	}
	year := filepath.Join(dir, "year")
	began := time.Now()
	rows, err := multiply(ctx, filepath.Join(dir, "one"), year, copies, months)
	if err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "laid down in %s\n", time.Since(began).Round(time.Second))
	_, bytes := cost.Size(year)
	last := f.LastDay.AddDate(0, months-1, 0)
	days := float64(invent * copies * months * monthDays)
	fmt.Fprintf(out, "%d vehicles, %d months of %d days: %d rows in %.2f GB, %.2f kB a vehicle-day\n", invent*copies, months, monthDays, rows, float64(bytes)/1e9, float64(bytes)/1e3/days)
	if program == "" {
		return ask(ctx, out, year, last, months, days)
	}
	s, err := openStore(program, dir)
	if err != nil {
		return err
	}
	defer s.close()
	if err := s.put(ctx, year); err != nil {
		return err
	}
	return s.report(ctx, out, dir, last)
}

// ask puts all questions over all of it.
func ask(ctx context.Context, out io.Writer, year string, last time.Time, months int, days float64) error {
	began, cpu := time.Now(), cost.Used()
	a, err := questions.Ask(ctx, year, questions.Asked{LastDay: last, HistoryDays: 31 * months})
	if err != nil {
		return err
	}
	took, spent := time.Since(began), cost.Used()-cpu
	var seen int64
	for _, x := range a.Opportunities {
		seen += x.Week().Seen + x.Before().Seen
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "all questions over all of it (%d vehicles, %d opportunities)\t%s, %s of %d processors' time, %.3f ms a vehicle-day\n", len(a.Coverage), seen,
		took.Round(100*time.Millisecond), spent.Round(100*time.Millisecond), runtime.NumCPU(), spent.Seconds()*1000/days)
	fmt.Fprintf(w, "greatest memory, laying down included\t%.2f GB\n", float64(cost.Peak())/1e6)
	return w.Flush()
}

// month lays a month of the fleet down, as the shop does.
func month(ctx context.Context, f *invented.Fleet, dir string) error {
	d, err := dataset.Open(dir)
	if err != nil {
		return err
	}
	if err := f.EachRecord(d.Add); err != nil {
		return err
	}
	if err := d.Flush(ctx); err != nil {
		return err
	}
	_, err = d.Compact(ctx, f.LastDay.AddDate(0, 1, 0))
	return err
}

// multiply makes months of many vehicles of one, and returns how many rows they have.
func multiply(ctx context.Context, one, year string, copies, months int) (rows int64, err error) {
	db, err := sql.Open("duckdb", "")
	if err != nil {
		return 0, err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, "SET TimeZone = 'UTC'"); err != nil {
		return 0, err
	}
	for _, table := range dataset.Tables {
		for m := range months {
			name := time.Date(2026, 2+time.Month(m), 1, 0, 0, 0, 0, time.UTC).Format("2006-01")
			at := filepath.Join(year, table, "months", name)
			if err := os.MkdirAll(at, 0o700); err != nil {
				return 0, err
			}
			done, err := db.ExecContext(ctx, fmt.Sprintf(`COPY (SELECT * EXCLUDE (k) REPLACE (vehicle || '-' || k AS vehicle, stay || '-%[1]d-' || k AS stay, sha256(id || '-%[1]d-' || k) AS id,
				(day + INTERVAL %[1]d MONTH)::DATE AS day, time + INTERVAL %[1]d MONTH AS time, received + INTERVAL %[1]d MONTH AS received)
				FROM read_parquet('%[2]s/%[3]s/months/*/*.parquet', hive_partitioning = false), range(%[4]d) AS r(k) ORDER BY vehicle, time)
				TO '%[5]s/all.parquet' (COMPRESSION zstd)`, m, one, table, copies, at))
			if err != nil {
				return 0, err
			}
			n, err := done.RowsAffected()
			if err != nil {
				return 0, err
			}
			rows += n
			fmt.Fprintf(os.Stderr, "\r%s of %s", table, name)
		}
	}
	fmt.Fprintln(os.Stderr)
	return rows, nil
}
