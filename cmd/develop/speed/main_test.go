package main

import (
	"strings"
	"testing"
)

const ran = `goos: linux
pkg: joltwatch/stream
BenchmarkDecode/mapped/ours 	 100	 20.00 ns/op	 0 B/op	 0 allocs/op
BenchmarkDecode/mapped/ours 	 100	 10.00 ns/op	 0 B/op	 0 allocs/op
BenchmarkDecode/mapped/generic-lookup 	 100	 15.00 ns/op
BenchmarkDecode/mapped/generic-map 	 100	 15.00 ns/op
BenchmarkDecode/busy/ours 	 100	 10.00 ns/op
BenchmarkDecode/busy/generic-lookup 	 100	 50.00 ns/op
BenchmarkDecode/busy/generic-map 	 100	 20.00 ns/op
PASS
pkg: joltwatch/cmd/joltwatch
BenchmarkLine/memory/truck 	 100	 400.0 ns/op	 2.5 Mframes/s	 0 B/op	 0 allocs/op
BenchmarkLine/memory/full-bus 	 100	 250.0 ns/op	 4.0 Mframes/s	 0 B/op	 0 allocs/op
BenchmarkLine/memory/drive 	 100	 10000 ns/op	 0.1 Mframes/s	 0 B/op	 1 allocs/op
BenchmarkLine/text/full-bus 	 100	 990.0 ns/op	 1.0 Mframes/s	 0 B/op	 0 allocs/op
BenchmarkLine/text/drive 	 100	 1001 ns/op	 1.0 Mframes/s	 0 B/op	 0 allocs/op
BenchmarkLine/pipe/full-bus 	 100	 500 ns/op	 2.0 Mframes/s	 0 B/op	 0 allocs/op
PASS
`

func TestTable(t *testing.T) {
	best, err := readBest(strings.NewReader(ran))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := table(best)
	if err != nil {
		t.Fatal(err)
	}
	var missed []string
	for _, r := range rows {
		if r.aim != "" && !r.met {
			missed = append(missed, r.what+": "+r.value)
		}
	}
	// 10 µs a frame times 4504 frames a second is 4.5 % of a core.
	want := []string{
		"decoding against the CAN library's generic path, mapped frames: 1.5 times (10.0 against 15.0 ns a frame)",
		"whole line from memory, truck recording: 2.50 million frames a second (400 ns a frame)",
		"whole line from memory, mapped frames only: 1 allocations a frame",
		"full 500 kbit/s bus, all of it mapped: 4.50 % of a core",
	}
	if strings.Join(missed, "\n") != strings.Join(want, "\n") {
		t.Errorf("missed:\n%s\nwant:\n%s", strings.Join(missed, "\n"), strings.Join(want, "\n"))
	}
	delete(best, "Line/pipe/full-bus")
	if _, err := table(best); err == nil {
		t.Error("a benchmark that did not run was not noticed")
	}
}
