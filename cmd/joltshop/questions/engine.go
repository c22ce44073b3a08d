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
	var out Answers
	if out.HeldFrom, err = prepare(ctx, c, folder, tmp, a); err != nil {
		return nil, err
	}
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

// session is one connection to the engine, of which variables and temporary tables are.
type session struct {
	ctx context.Context
	c   *sql.Conn
}

func (s session) do(q string, args ...any) error {
	if _, err := s.c.ExecContext(s.ctx, q, args...); err != nil {
		return fmt.Errorf("query engine: %w", brief{err})
	}
	return nil
}

// run runs one of the files.
func (s session) run(name string) error {
	text, err := files.ReadFile(name)
	if err != nil {
		return err
	}
	return s.do(string(text))
}

// in runs a statement with some of a list of files at a time in a variable.
func (s session) in(variable, q string, list []string, done func(int)) error {
	for part := range slices.Chunk(list, atOnce) {
		var names strings.Builder
		for _, name := range part {
			names.WriteString(quote(filepath.ToSlash(name)) + ",")
		}
		if err := s.do("SET VARIABLE " + variable + " = [" + strings.TrimSuffix(names.String(), ",") + "]"); err != nil {
			return err
		}
		if err := s.do(q); err != nil {
			return err
		}
		done(len(part))
	}
	return nil
}

// prepare sets the variables, loads what is asked about, runs views.sql and says from
// which day on the dataset has rows.
func prepare(ctx context.Context, c *sql.Conn, folder, tmp string, a Asked) (heldFrom string, err error) {
	s := session{ctx, c}
	first, last := a.first(), a.last()
	if err := s.set(first, last, tmp, a.Groups); err != nil {
		return "", err
	}
	filed := map[string]dataset.Days{}
	lists, months, total := map[string][]string{}, []string{}, 0
	for _, table := range dataset.Tables {
		l, err := dataset.List(folder, table, first, last, filed)
		if err != nil {
			return "", err
		}
		lists[table] = append(l.Loose, l.Months...)
		months = append(append(months, l.Earlier...), l.Months...)
		total += len(lists[table])
	}
	if err := s.load(lists, total, a.Progress); err != nil {
		return "", err
	}
	for _, v := range a.Enrolled {
		if _, ok := filed[v]; !ok {
			filed[v] = dataset.Days{}
		}
	}
	if heldFrom, err = s.filed(filed, months); err != nil {
		return "", err
	}
	return heldFrom, s.run("views.sql")
}

// set sets the engine and what is asked about.
func (s session) set(first, last time.Time, tmp string, groups map[string]string) error {
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
		"CREATE TEMP TABLE filed (vehicle VARCHAR, first_day DATE, last_day DATE)",
	} {
		if err := s.do(q); err != nil {
			return err
		}
	}
	for _, vehicle := range slices.Sorted(maps.Keys(groups)) {
		if err := s.do("INSERT INTO grouping VALUES (?, ?)", vehicle, groups[vehicle]); err != nil {
			return err
		}
	}
	return nil
}

// load loads the tables from their files.
func (s session) load(lists map[string][]string, total int, progress func(done, total int)) error {
	read := 0
	for _, table := range dataset.Tables {
		text, err := files.ReadFile("load_" + table + ".sql")
		if err != nil {
			return err
		}
		create, insert, _ := strings.Cut(string(text), ");\n")
		if err := s.do(create + ")"); err != nil {
			return err
		}
		err = s.in(table+"_files", insert, lists[table], func(n int) {
			if read += n; progress != nil {
				progress(read, total)
			}
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// filed enters which days of each vehicle are filed, by name and in the months, and
// returns the first of all.
func (s session) filed(filed map[string]dataset.Days, months []string) (first string, err error) {
	for part := range slices.Chunk(slices.Sorted(maps.Keys(filed)), atOnce) {
		var rows strings.Builder
		for _, v := range part {
			fmt.Fprintf(&rows, "(%s, nullif(%s, '')::DATE, nullif(%s, '')::DATE),", quote(v), quote(filed[v].First), quote(filed[v].Last))
		}
		if err := s.do("INSERT INTO filed VALUES " + strings.TrimSuffix(rows.String(), ",")); err != nil {
			return "", err
		}
	}
	text, err := files.ReadFile("load_months.sql")
	if err != nil {
		return "", err
	}
	if err := s.in("months_files", string(text), months, func(int) {}); err != nil {
		return "", err
	}
	err = s.c.QueryRowContext(s.ctx, "SELECT coalesce(strftime(min(first_day), '%Y-%m-%d'), '') FROM filed").Scan(&first)
	return first, err
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
