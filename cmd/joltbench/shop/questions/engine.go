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

	"joltwatch/cmd/joltbench/shop/dataset"
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
	if out.Chances, err = ask(ctx, c, "chances.sql", func(r *Chances) []any {
		return []any{&r.Vehicle, &r.Group, &r.Kind, zero(&r.Week.Seen), zero(&r.Week.Observable), zero(&r.Week.Hits),
			zero(&r.Before.Seen), zero(&r.Before.Observable), zero(&r.Before.Hits)}
	}); err != nil {
		return nil, err
	}
	if out.Design, err = ask(ctx, c, "design.sql", func(r *Design) []any { return []any{&r.Kind, &r.Effect, &r.Vehicles} }); err != nil {
		return nil, err
	}
	if out.Lags, err = ask(ctx, c, "lag.sql", func(r *Lag) []any {
		return []any{&r.Vehicle, &r.Group, &r.DaysWeek, &r.DaysBefore, &r.RankSumWeek, &r.Ties, &r.MedianWeekS, &r.MedianPastS, &r.Stops}
	}); err != nil {
		return nil, err
	}
	if out.Units, err = ask(ctx, c, "units.sql", func(r *Unit) []any {
		return []any{&r.Vehicle, &r.Group, micros{&r.Last}, &r.Reported, &r.Program, &r.StoreBytes, &r.QuotaBytes, &r.FreeBytes,
			&r.LeftFiles, &r.LeftBytes, &r.Runs, &r.Cut, &r.Troubles, &r.BytesADay}
	}); err != nil {
		return nil, err
	}
	out.Coverage, err = ask(ctx, c, "coverage.sql", func(r *Coverage) []any {
		return []any{&r.Vehicle, &r.Group, &r.Drives, &r.EngineOnS, &r.MovingS, &r.UnknownS, &r.Stops, &r.StopsObserved, &r.UnclockedDrives}
	})
	return &out, err
}

// prepare sets the variables and runs views.sql.
func prepare(ctx context.Context, c *sql.Conn, folder, tmp string, a Asked) error {
	do := func(q string, args ...any) error {
		if _, err := c.ExecContext(ctx, q, args...); err != nil {
			return fmt.Errorf("query engine: %w", err)
		}
		return nil
	}
	set := []string{
		// Nothing is fetched from a network, whatever a query asks for.
		"SET autoinstall_known_extensions = false",
		"SET autoload_known_extensions = false",
		"SET TimeZone = 'UTC'",
		"SET preserve_insertion_order = false", // each answer is sorted by itself
		"SET temp_directory = " + quote(tmp),
		"SET VARIABLE dataset = " + quote(filepath.ToSlash(folder)),
		"SET VARIABLE last_day = DATE " + quote(a.LastDay.UTC().Format(time.DateOnly)),
		fmt.Sprintf("SET VARIABLE history_days = %d", a.HistoryDays),
		"CREATE TEMP TABLE grouping (vehicle VARCHAR, vehicle_group VARCHAR)",
	}
	for _, table := range dataset.Tables {
		// The engine refuses a pattern that finds nothing, so a table that is
		// still empty is read from a file without rows.
		pattern := filepath.Join(folder, table, "*", "*", "*.parquet")
		there, err := filepath.Glob(filepath.Join(folder, table, "vehicle=*"))
		if err != nil {
			return err
		}
		if len(there) == 0 {
			if pattern, err = dataset.Empty(tmp, table); err != nil {
				return err
			}
		}
		set = append(set, fmt.Sprintf("SET VARIABLE %s_files = %s", table, quote(filepath.ToSlash(pattern))))
	}
	for _, q := range set {
		if err := do(q); err != nil {
			return err
		}
	}
	for _, vehicle := range slices.Sorted(maps.Keys(a.Groups)) {
		if err := do("INSERT INTO grouping VALUES (?, ?)", vehicle, a.Groups[vehicle]); err != nil {
			return err
		}
	}
	text, err := files.ReadFile("views.sql")
	if err != nil {
		return err
	}
	return do(string(text))
}

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
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var r T
		if err := rows.Scan(into(&r)...); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		list = append(list, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return list, nil
}

// null scans a number that is null where there was nothing to add up.
type null struct{ v *int64 }

func zero(v *int64) null { return null{v} }

func (n null) Scan(x any) error {
	var v sql.NullInt64
	if err := v.Scan(x); err != nil {
		return err
	}
	*n.v = v.Int64
	return nil
}

// micros scans microseconds since 1970 as a time.
type micros struct{ t *time.Time }

func (m micros) Scan(x any) error {
	v, ok := x.(int64)
	if !ok {
		return fmt.Errorf("a time of type %T", x)
	}
	*m.t = time.UnixMicro(v).UTC()
	return nil
}
