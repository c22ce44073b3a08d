package export

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"joltwatch/bus"
	"joltwatch/cmd/develop/invented"
	"joltwatch/cmd/develop/lot"
	"joltwatch/storage/review"
)

func week(t *testing.T) *review.Stay {
	t.Helper()
	s, err := invented.Week(30, 3)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// collect keeps the cells of a table as text, to hold what is read back
// against.
func collect(t *testing.T, table *Table) [][]string {
	t.Helper()
	var rows [][]string
	err := table.Rows(func(row []any) error {
		out := make([]string, len(row))
		for i, c := range row {
			s, err := text(c)
			if err != nil {
				return err
			}
			out[i] = s
		}
		rows = append(rows, out)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func tables(s *review.Stay) []*Table {
	x := s.Stretches(60 * bus.Second)[:2]
	return []*Table{Events(s), Drives(s), Samples(s, x, nil), Rows(s, x, nil)}
}

func TestCSV(t *testing.T) {
	s := week(t)
	s.Events[0].ID = "=HYPERLINK(1)" // from a hostile store
	for _, table := range tables(s) {
		var b bytes.Buffer
		if err := CSV(&b, table); err != nil {
			t.Fatal(err)
		}
		got, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		want := collect(t, table)
		if len(got) != len(want)+1 || len(want) < 10 {
			t.Fatalf("%s: %d rows, want %d", table.Name, len(got)-1, len(want))
		}
		for i := range want {
			for j := range want[i] {
				w := want[i][j]
				if w == "=HYPERLINK(1)" {
					w = "'" + w
				}
				if got[i+1][j] != w {
					t.Fatalf("%s row %d %s: %q, want %q", table.Name, i, table.Columns[j].Name, got[i+1][j], w)
				}
			}
		}
		if table.Name == "samples" && !strings.Contains(strings.Join(got[0], ","), "engine_speed [rpm]") {
			t.Errorf("no units in %v", got[0])
		}
	}
}

func TestParquet(t *testing.T) {
	s := week(t)
	for _, table := range tables(s) {
		var b bytes.Buffer
		if err := Parquet(&b, table); err != nil {
			t.Fatal(err)
		}
		f, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil {
			t.Fatal(err)
		}
		want := collect(t, table)
		if f.NumRows() != int64(len(want)) {
			t.Fatalf("%s: %d rows, want %d", table.Name, f.NumRows(), len(want))
		}
		place := map[string]int{}
		for i, c := range f.Schema().Columns() {
			place[c[0]] = i
		}
		r := parquet.NewReader(f)
		rows := make([]parquet.Row, len(want))
		if n, err := r.ReadRows(rows); n != len(want) && err != nil && err != io.EOF {
			t.Fatal(n, err)
		}
		for i, row := range rows {
			if row == nil {
				t.Fatalf("%s: row %d was not read", table.Name, i)
			}
			for j, c := range table.Columns {
				v := row[place[c.Name]]
				got := ""
				if !v.IsNull() {
					switch c.Type {
					case Int:
						got = fmt.Sprint(v.Int64())
					case Float:
						got = fmt.Sprint(v.Double())
					case Text:
						got = string(v.ByteArray())
					case Time:
						at, _ := review.Wall(bus.Clock{Known: true}, bus.Micros(v.Int64()))
						got = at.Format(timeText)
					}
				}
				if got != want[i][j] {
					t.Fatalf("%s row %d %s: %q, want %q", table.Name, i, c.Name, got, want[i][j])
				}
			}
		}
		for _, g := range f.Metadata().RowGroups {
			for _, c := range g.Columns {
				for _, col := range table.Columns {
					if col.Name != c.MetaData.PathInSchema[0] || col.Unit == "" {
						continue
					}
					if kv := c.MetaData.KeyValueMetadata; len(kv) != 1 || kv[0].Key != "unit" || kv[0].Value != col.Unit {
						t.Errorf("%s: metadata %v, want unit %s", col.Name, kv, col.Unit)
					}
				}
			}
		}
	}
}

// What is written must be read back frame by frame by the program's own reader
// of text logs, which is tested against other writers.
func TestTextLog(t *testing.T) {
	r := lot.Draw(t, 5, 6)
	var frames []bus.Frame
	at := bus.Micros(0)
	for range 2000 {
		at += bus.Micros(1 + r.IntN(5000))
		f := bus.Frame{At: at, Bus: uint8(r.IntN(2)), ID: r.Uint32() & 0x7FF}
		if r.IntN(2) == 0 {
			f.ID, f.Flags = r.Uint32()&0x1FFFFFFF, bus.Extended
		}
		switch r.IntN(10) {
		case 0:
			f.Kind, f.Len = bus.Remote, uint8(r.IntN(9))
		case 1:
			f.Flags |= bus.FD | bus.BRS
			f.Len = []uint8{12, 16, 64}[r.IntN(3)]
		case 2:
			f.Kind, f.Flags, f.ID, f.Len = bus.Error, 0, 1<<r.IntN(9), 8
		default:
			f.Len = uint8(r.IntN(9))
		}
		if f.Kind != bus.Remote {
			for i := range f.Data[:f.Len] {
				f.Data[i] = byte(r.Uint32())
			}
		}
		frames = append(frames, f)
	}
	clock := bus.Clock{Known: true, Zero: 1_760_000_000 * bus.Second}
	var b bytes.Buffer
	withNotice := append([]bus.Frame{bus.NewNotice(0, 0, bus.NoticeMark, 1)}, frames...)
	left, err := TextLog(&b, withNotice, clock, []string{"can0", "bad name"})
	if err != nil || left != 1 {
		t.Fatal(left, err)
	}
	log, err := bus.NewTextLog(&b, "exported", bus.LogOptions{Interfaces: []string{"can0", "bus1"}})
	if err != nil {
		t.Fatal(err)
	}
	batch := make([]bus.Frame, 4000)
	n := 0
	for {
		k, err := log.Read(batch[n:])
		n += k
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if n != len(frames) {
		t.Fatalf("%d frames, want %d; %+v", n, len(frames), log.Stats())
	}
	zero := clock.Zero - log.Clock().Zero
	for i := range frames {
		want := frames[i]
		want.At += zero
		if batch[i] != want {
			t.Fatalf("frame %d: %+v, want %+v", i, batch[i], want)
		}
	}
}

// A table without rows is still a table.
func TestEmpty(t *testing.T) {
	s := (&review.Stay{}).Build(nil)
	for _, table := range []*Table{Events(s), Drives(s), Samples(s, nil, nil), Rows(s, nil, nil)} {
		var b bytes.Buffer
		if err := Parquet(&b, table); err != nil {
			t.Fatal(err)
		}
		if f, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len())); err != nil || f.NumRows() != 0 {
			t.Fatal(err)
		}
		b.Reset()
		if err := CSV(&b, table); err != nil {
			t.Fatal(err)
		}
	}
}

func TestNumber(t *testing.T) {
	if number(math.NaN()) != nil || number(math.Inf(1)) != nil || number(1) != 1.0 {
		t.Error("what is no number is empty")
	}
}
