package main

import (
	"strings"
	"testing"
)

const ran = `goos: linux
pkg: joltwatch/stream
BenchmarkDecode/mapped 	 100	 99.00 ns/op	 4.0 by-hand	 45.0 map	 20.0 ours	 50.0 search
BenchmarkDecode/mapped 	 100	 99.00 ns/op	 4.0 by-hand	 25.0 map	 10.0 ours	 50.0 search
BenchmarkDecode/busy 	 100	 99.00 ns/op	 4.0 by-hand	 30.0 map	 10.0 ours	 50.0 search
PASS
pkg: joltwatch/cmd/joltwatch
BenchmarkLine/memory/truck 	 100	 1.0 ns/op	 400.0 processor	 0 B/op	 0 allocs/op
BenchmarkLine/memory/full-bus 	 100	 1.0 ns/op	 250.0 processor	 0 B/op	 0 allocs/op
BenchmarkLine/memory/drive 	 100	 1.0 ns/op	 10000 processor	 0 B/op	 1 allocs/op
BenchmarkLine/memory/drive 	 100	 1.0 ns/op	 10000 processor	 0 B/op	 0 allocs/op
BenchmarkLine/text/full-bus 	 100	 1.0 ns/op	 990.0 processor	 0 B/op	 0 allocs/op
BenchmarkLine/text/drive 	 100	 1.0 ns/op	 1001 processor	 0 B/op	 0 allocs/op
BenchmarkLine/pipe/full-bus 	 100	 1.0 ns/op	 500 processor	 0 B/op	 0 allocs/op
PASS
`

func missed(rows []row) string {
	var lines []string
	for _, r := range rows {
		if r.aim != "" && !r.met {
			lines = append(lines, r.what+": "+r.value)
		}
	}
	return strings.Join(lines, "\n")
}

func TestTimeTable(t *testing.T) {
	best, err := readBest(strings.NewReader(ran))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := timeTable(best)
	if err != nil {
		t.Fatal(err)
	}
	// 10 µs a frame times 4504 frames a second is 4.5 % of a core.
	want := strings.Join([]string{
		"decoding against the library with a Go map, every frame mapped: 2.5 times as fast (10.0 against 25.0 ns of processor time a frame)",
		"whole line from memory, truck recording: 2.50 million frames a second of processor time (400 ns a frame)",
		"whole line from memory, mapped frames only: 1 allocations a frame",
		"full 500 kbit/s bus, all of it mapped: 4.50 % of this machine's core",
	}, "\n")
	if got := missed(rows); got != want {
		t.Errorf("missed:\n%s\nwant:\n%s", got, want)
	}
	delete(best, "Line/pipe/full-bus")
	if _, err := timeTable(best); err == nil {
		t.Error("a benchmark that did not run was not noticed")
	}
}

// alike are counts of n instructions for everything.
func alike(n float64) *counts {
	c := &counts{release: "go1", of: map[string][]float64{}}
	for _, what := range recorded {
		for range boards {
			c.of[what] = append(c.of[what], n)
		}
	}
	return c
}

// A count outside 3 % of the record and more than 3 from it fails, up or down, and so
// does one that the record does not have.
func TestRecordRows(t *testing.T) {
	for _, c := range []struct {
		was, n float64
		fails  bool
	}{{1000, 1000, false}, {1000, 1029, false}, {1000, 971, false}, {1000, 1031, true}, {1000, 969, true},
		{50, 53, false}, {50, 47, false}, {50, 54, true}, {50, 46, true}} {
		got := alike(c.was)
		got.of[recorded[0]][2] = c.n
		old, err := readRecord(alike(c.was).text())
		if err != nil {
			t.Fatal(err)
		}
		rows, err := recordRows(got, old)
		if err != nil {
			t.Fatal(err)
		}
		if failed := missed(rows) != ""; failed != c.fails {
			t.Errorf("%v against %v: failed %v: %s", c.n, c.was, failed, missed(rows))
		}
	}
	old := alike(1000)
	delete(old.of, recorded[0])
	if _, err := recordRows(alike(1000), old); err == nil {
		t.Error("a value that the record lacks passed")
	}
	old = alike(1000)
	old.release = "go2"
	if _, err := recordRows(alike(1000), old); err == nil {
		t.Error("the record of another release was taken")
	}
}

// All counts alike miss every ratio that has to be above 1, and keep the others.
func TestAimRows(t *testing.T) {
	if n := strings.Count(missed(aimRows(alike(1000))), "\n") + 1; n != 2*len(boards) {
		t.Errorf("%d aims missed:\n%s", n, missed(aimRows(alike(1000))))
	}
}
