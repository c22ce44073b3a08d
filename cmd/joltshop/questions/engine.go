//go:build cgo && engine

package questions

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/duckdb/duckdb-go/v2"

	"joltwatch/cmd/joltshop/dataset"
)

// Ask puts every question to the dataset in a local folder.
func Ask(ctx context.Context, folder string, a Asked) (*Answers, error) {
	if strings.ContainsAny(folder, "*?[") {
		return nil, fmt.Errorf("%s: the query engine takes * ? and [ in the name of a folder for a pattern; rename it", folder)
	}
	for tries := 3; ; tries-- {
		out, err := once(ctx, folder, a)
		// The server may put a file in the place of others while they are read.
		if err == nil || tries == 1 || ctx.Err() != nil {
			return out, err
		}
	}
}

func once(ctx context.Context, folder string, a Asked) (*Answers, error) {
	tmp, err := os.MkdirTemp("", "joltbench-shop-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(tmp)
	connector, err := duckdb.NewConnector("", nil)
	if err != nil {
		return nil, fmt.Errorf("query engine: %w", err)
	}
	db := sql.OpenDB(connector)
	defer db.Close()
	c, err := db.Conn(ctx) // variables and temporary tables belong to one connection
	if err != nil {
		return nil, fmt.Errorf("query engine: %w", err)
	}
	defer c.Close()
	if err := prepare(ctx, c, folder, tmp, a); err != nil {
		return nil, err
	}
	var out Answers
	if err := opportunities(ctx, c, &out); err != nil {
		return nil, err
	}
	if out.Days, err = ask(ctx, c, "lag.sql", func(r *Day) []any {
		return []any{&r.Vehicle, &r.Group, &r.Ago, &r.LagS, &r.FluidC, &r.Stops}
	}); err != nil {
		return nil, err
	}
	if out.Severe, err = ask(ctx, c, "severe.sql", func(r *Severe) []any {
		return []any{&r.Vehicle, &r.Group, &r.Kind, &r.Class, &r.Stay, &r.Event, &r.Ago, &r.LagS, &r.MarkAfterS}
	}); err != nil {
		return nil, err
	}
	if out.Units, err = ask(ctx, c, "units.sql", func(r *Unit) []any {
		return []any{&r.Vehicle, &r.Group, micros{&r.Last}, micros{&r.Told}, micros{&r.Arrived}, &r.Reported, &r.Program, &r.StoreBytes, &r.QuotaBytes, &r.FreeBytes,
			&r.LeftFiles, &r.LeftBytes, &r.Runs, &r.Cut, &r.Troubles, &r.BytesADay}
	}); err != nil {
		return nil, err
	}
	out.Coverage, err = ask(ctx, c, "coverage.sql", func(r *Coverage) []any {
		return []any{&r.Vehicle, &r.Group, &r.Drives, &r.EngineOnS, &r.MovingS, &r.UnknownS, &r.Stops, &r.StopsObserved, &r.UnclockedDrives}
	})
	return &out, err
}

// opportunities puts the weeks of each vehicle and kind together.
func opportunities(ctx context.Context, c *sql.Conn, out *Answers) error {
	type week struct {
		Opportunities
		ago int64
		Count
	}
	weeks, err := ask(ctx, c, "opportunities.sql", func(r *week) []any {
		return []any{&r.Vehicle, &r.Group, &r.Kind, &r.ago, &r.Seen, &r.Observable, &r.Hits}
	})
	if err != nil {
		return err
	}
	for _, w := range weeks {
		n := len(out.Opportunities)
		if n == 0 || out.Opportunities[n-1].Vehicle != w.Vehicle || out.Opportunities[n-1].Kind != w.Kind {
			out.Opportunities = append(out.Opportunities, w.Opportunities)
			n++
		}
		to := &out.Opportunities[n-1]
		for int64(len(to.Weeks)) <= w.ago {
			to.Weeks = append(to.Weeks, Count{})
		}
		to.Weeks[w.ago].Add(w.Count)
	}
	return nil
}

// prepare sets the variables, loads what is asked about and runs views.sql.
func prepare(ctx context.Context, c *sql.Conn, folder, tmp string, a Asked) error {
	do := func(q string, args ...any) error {
		if _, err := c.ExecContext(ctx, q, args...); err != nil {
			return fmt.Errorf("query engine: %w", brief{err})
		}
		return nil
	}
	last := a.LastDay.UTC().Truncate(24 * time.Hour)
	first := last.AddDate(0, 0, -6-a.HistoryDays)
	for _, q := range []string{
		// Nothing is fetched from a network, whatever a query asks for.
		"SET autoinstall_known_extensions = false",
		"SET autoload_known_extensions = false",
		"SET TimeZone = 'UTC'",
		"SET preserve_insertion_order = false",   // each answer is sorted by itself
		"SET enable_external_file_cache = false", // each file is read once
		"SET temp_directory = " + quote(tmp),
		"SET VARIABLE last_day = DATE " + quote(last.Format(time.DateOnly)),
		"SET VARIABLE first_day = DATE " + quote(first.Format(time.DateOnly)),
		"SET VARIABLE week_first = DATE " + quote(last.AddDate(0, 0, -6).Format(time.DateOnly)),
		"CREATE TEMP TABLE grouping (vehicle VARCHAR, vehicle_group VARCHAR)",
		"CREATE TEMP TABLE filed (vehicle VARCHAR, last_day DATE)",
	} {
		if err := do(q); err != nil {
			return err
		}
	}
	for _, vehicle := range slices.Sorted(maps.Keys(a.Groups)) {
		if err := do("INSERT INTO grouping VALUES (?, ?)", vehicle, a.Groups[vehicle]); err != nil {
			return err
		}
	}
	filed := map[string]string{} // the last day of each vehicle, up to the last asked about
	lists, total, read := map[string][]string{}, 0, 0
	for _, table := range dataset.Tables {
		list, err := dataset.List(folder, table, first, last, filed)
		if err != nil {
			return err
		}
		lists[table] = list
		total += len(list)
	}
	for _, table := range dataset.Tables {
		text, err := files.ReadFile("load_" + table + ".sql")
		if err != nil {
			return err
		}
		create, insert, _ := strings.Cut(string(text), ");\n")
		if err := do(create + ")"); err != nil {
			return err
		}
		for part := range slices.Chunk(lists[table], atOnce) {
			var names strings.Builder
			for _, name := range part {
				names.WriteString(quote(filepath.ToSlash(name)) + ",")
			}
			if err := do("SET VARIABLE " + table + "_files = [" + strings.TrimSuffix(names.String(), ",") + "]"); err != nil {
				return err
			}
			if err := do(insert); err != nil {
				return err
			}
			if read += len(part); a.Progress != nil {
				a.Progress(read, total)
			}
		}
	}
	for _, v := range a.Enrolled {
		if _, ok := filed[v]; !ok {
			filed[v] = ""
		}
	}
	names := slices.Sorted(maps.Keys(filed))
	for part := range slices.Chunk(names, atOnce) {
		var rows strings.Builder
		for _, v := range part {
			fmt.Fprintf(&rows, "(%s, nullif(%s, '')::DATE),", quote(v), quote(filed[v]))
		}
		if err := do("INSERT INTO filed VALUES " + strings.TrimSuffix(rows.String(), ",")); err != nil {
			return err
		}
	}
	text, err := files.ReadFile("views.sql")
	if err != nil {
		return err
	}
	return do(string(text))
}

// atOnce is how many files one statement reads: the engine keeps some 70 kB of
// each until the statement has ended.
const atOnce = 2000

// brief is an error of the engine without the lines that show the query.
type brief struct{ error }

func (b brief) Error() string {
	text, _, _ := strings.Cut(b.error.Error(), "\n")
	return text
}

func (b brief) Unwrap() error { return b.error }

// quote writes a literal of SQL.
func quote(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

// ask runs one question and scans each row into where into says.
func ask[T any](ctx context.Context, c *sql.Conn, name string, into func(*T) []any) (list []T, err error) {
	text, err := files.ReadFile(name)
	if err != nil {
		return nil, err
	}
	rows, err := c.QueryContext(ctx, string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, brief{err})
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var r T
		if err := rows.Scan(into(&r)...); err != nil {
			return nil, fmt.Errorf("%s: %w", name, brief{err})
		}
		list = append(list, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, brief{err})
	}
	return list, nil
}

// micros scans microseconds since 1970 as a time.
type micros struct{ t *time.Time }

func (m micros) Scan(x any) error {
	v, ok := x.(int64)
	if !ok {
		return fmt.Errorf("a time of type %T", x)
	}
	if v != 0 {
		*m.t = time.UnixMicro(v).UTC()
	}
	return nil
}
