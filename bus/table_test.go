package bus

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// readTable returns what a table gives as lines of time, channel and value.
func readTable(t *testing.T, text string, opt TableOptions) (string, *Table) {
	t.Helper()
	src, err := NewTable(strings.NewReader(text), "test.csv", opt)
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	batch := make([]Frame, 3)
	for {
		n, err := src.Read(batch)
		for _, f := range batch[:n] {
			if f.Kind == Notice {
				fmt.Fprintf(&out, "%v notice %d\n", f.At, f.Count())
				continue
			}
			fmt.Fprintf(&out, "%v %d %v\n", f.At, f.ID, f.Value())
		}
		if err == io.EOF {
			return out.String(), src
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestTable(t *testing.T) {
	two := []string{"Engine", "Road"}
	for _, c := range []struct {
		name, text string
		opt        TableOptions
		want       string
	}{
		{"commas", "time (s),Engine (rpm),Road (mph)\n0.0,1400,20.5\n0.1,1390,\n", TableOptions{Channels: two},
			"0 0 1400\n0 1 20.5\n100000 0 1390\n"},
		{"semicolons, decimal commas, units below", "Zeit;Engine;Road\ns;1/min;km/h\n0,00;1400;32,0\n0,10;1390;31,5\n", TableOptions{Channels: two},
			"0 0 1400\n0 1 32\n100000 0 1390\n100000 1 31.5\n"},
		{"tabs, a byte-order mark, quotes, CRLF", "\xEF\xBB\xBF\"t [ms]\"\t\"Engine\"\t\"Road\"\r\n10\t800\t0\r\n20\t810\t1\r\n", TableOptions{Channels: two},
			"0 0 800\n0 1 0\n10000 0 810\n10000 1 1\n"},
		{"lines before the headings", "Recorded by a device\nSerial, 12\n\nTime,Engine,Road\n1,800,2\n2,801,3\n", TableOptions{Channels: two},
			"0 0 800\n0 1 2\n1000000 0 801\n1000000 1 3\n"},
		{"clock times over midnight", "Time,Engine,Road\n23:59:59.9,800,1\n00:00:00.1,801,2\n", TableOptions{Channels: two},
			"0 0 800\n0 1 1\n200000 0 801\n200000 1 2\n"},
		{"a bad row, words, text", "Time,Engine,Road\n1,800,on\nx,801,3\n3,n/a,off\n", TableOptions{Channels: two},
			"0 0 800\n0 1 1\n2000000 notice 1\n2000000 1 0\n"},
		{"wall time in ms", "timestamp,Engine,Road\n1700000000000,800,1\n1700000000250,801,1\n", TableOptions{Channels: two},
			"1700000000000000 0 800\n1700000000000000 1 1\n1700000000250000 0 801\n1700000000250000 1 1\n"},
		{"dates", "Time;Engine;Road\n02.03.2026 10:00:00,5;800;1\n02.03.2026 10:00:01,0;801;1\n", TableOptions{Channels: two},
			"1772445600500000 0 800\n1772445600500000 1 1\n1772445601000000 0 801\n1772445601000000 1 1\n"},
		{"the time column named", "Sample,Mark,Engine,Road\n7,0.5,800,1\n8,0.7,801,2\n", TableOptions{Channels: two, Time: "Mark", TimeUnit: "min"},
			"0 0 800\n0 1 1\n12000000 0 801\n12000000 1 2\n"},
	} {
		if got, _ := readTable(t, c.text, c.opt); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", c.name, got, c.want)
		}
	}
}

func TestTableRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"":                                     "no table",
		"(0.1) can0 123#00\n(0.2) can0 123#01": "no table",
		"Time,Engine\n0,800\n":                 `no column "Road"`,
		"A,Engine,Road\n1,2,3\n":               "no column is known to be the time",
	} {
		_, err := NewTable(strings.NewReader(text), "x.csv", TableOptions{Channels: []string{"Engine", "Road"}})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// The two tables of the shared dialects, in a reader's own words: the head as seen.
func TestTableDialects(t *testing.T) {
	dir := os.Getenv("JOLTWATCH_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "shared", "captures")
	}
	for name, channels := range map[string][]string{
		"values.csv":          {"Engine speed", "Input shaft speed", "Vehicle speed", "TCC pressure", "Gear", "Brake"},
		"values-european.csv": {"Drehzahl", "Geschwindigkeit"},
	} {
		text, err := os.ReadFile(filepath.Join(dir, "dialects", name))
		if err != nil {
			t.Skipf("the tables are not here (%v); set JOLTWATCH_CAPTURES to their folder", err)
		}
		out, src := readTable(t, string(text), TableOptions{Channels: channels})
		if n := strings.Count(out, "\n"); n != 10*len(channels) || src.Stats().BadLines != 0 {
			t.Errorf("%s: %d values and %d bad lines, want %d and none", name, n, src.Stats().BadLines, 10*len(channels))
		}
	}
}

func TestTableAllocatesNothing(t *testing.T) {
	var text strings.Builder
	text.WriteString("Time;Engine;Road\n")
	for i := range 60000 {
		fmt.Fprintf(&text, "%d,%02d;%d;%d,5\n", i/100, i%100, 800+i%700, i%90)
	}
	src, err := NewTable(strings.NewReader(text.String()), "x.csv", TableOptions{Channels: []string{"Engine", "Road"}})
	if err != nil {
		t.Fatal(err)
	}
	batch := make([]Frame, 64)
	if n := testing.AllocsPerRun(1000, func() {
		if _, err := src.Read(batch); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations for 64 values", n)
	}
}

func FuzzTable(f *testing.F) {
	f.Add([]byte("time (s),Engine (rpm),Road\n0.0,1400,20.5\n0.1,1390,\n"))
	f.Add([]byte("Zeit;Engine;Road\ns;1/min;km/h\n0,00;1400;32,0\n"))
	f.Add([]byte("\"t\"\t\"Engine\nT\t\n12:00:01,5\t3"))
	f.Fuzz(func(t *testing.T, b []byte) {
		src, err := NewTable(strings.NewReader(string(b)), "x", TableOptions{Channels: []string{"Engine"}})
		if err != nil {
			return
		}
		batch := make([]Frame, 7)
		for {
			if _, err := src.Read(batch); err != nil {
				return
			}
		}
	})
}
