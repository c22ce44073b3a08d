package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"strings"

	"golang.org/x/perf/benchfmt"

	"joltwatch/storage"
)

func (c *options) timeRows() ([]row, error) {
	cmd := exec.Command("go", "test", "-run", "^$", "-bench", "^Benchmark(Decode|Line)$", "-cpu", "1",
		"-count", fmt.Sprint(c.Count), "-benchtime", c.Time, "./stream", "./cmd/joltwatch")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("go test: %w\n%s", err, out)
	}
	best, err := readBest(bytes.NewReader(out))
	if err != nil {
		return nil, err
	}
	return timeTable(best)
}

// result is the best of one benchmark's runs, by the names of its values: processor
// time in ns a frame, and the most allocations.
type result map[string]float64

// readBest reads Go's benchmark format.
func readBest(in io.Reader) (map[string]result, error) {
	best := map[string]result{}
	r := benchfmt.NewReader(in, "go test")
	for r.Scan() {
		res, ok := r.Result().(*benchfmt.Result)
		if !ok {
			continue // a line that is no measurement
		}
		b := best[res.Name.String()]
		if b == nil {
			b = result{}
			best[res.Name.String()] = b
		}
		for _, v := range res.Values {
			was, seen := b[v.Unit]
			switch {
			case !seen:
				b[v.Unit] = v.Value
			case v.Unit == "allocs/op":
				b[v.Unit] = max(was, v.Value)
			default:
				b[v.Unit] = min(was, v.Value)
			}
		}
	}
	return best, r.Err()
}

// timeTable works out the rows from the benchmarks' results.
func timeTable(best map[string]result) ([]row, error) {
	var missing error
	of := func(name, unit string) float64 {
		v, ok := best[name][unit]
		if !ok {
			missing = errors.Join(missing, fmt.Errorf("no benchmark %s told its %s", name, unit))
			return math.NaN()
		}
		return v
	}
	var rows []row
	for _, traffic := range []struct{ name, what string }{{"mapped", "every frame mapped"}, {"busy", "few frames mapped"}} {
		ours := of("Decode/"+traffic.name, "ours")
		for _, other := range []struct{ name, what, aim string }{
			{"map", "a Go map", "at least 3"}, {"search", "its own search", ""}, {"by-hand", "", ""},
		} {
			theirs := of("Decode/"+traffic.name, other.name)
			what := "decoding against the library with " + other.what
			if other.what == "" {
				what = "decoding against a decoder by hand"
			}
			rows = append(rows, row{what + ", " + traffic.what,
				fmt.Sprintf("%.1f times as fast (%.1f against %.1f ns of processor time a frame)", theirs/ours, ours, theirs), other.aim, theirs/ours >= 3})
		}
	}
	// The aims are for traffic as a vehicle has it, real or a full bus. In the
	// embedded drive every frame is mapped and minutes apart something is wrong:
	// no bus is so, and its rows have no aim.
	for _, c := range []struct {
		name, what string
		aim        float64 // million frames a second, 0 for none
	}{
		{"Line/memory/truck", "whole line from memory, truck recording", 3},
		{"Line/memory/full-bus", "whole line from memory, full bus", 3},
		{"Line/memory/drive", "whole line from memory, mapped frames only", 0},
		{"Line/text/truck", "whole line from a text log, truck recording", 1},
		{"Line/text/full-bus", "whole line from a text log, full bus", 1},
		{"Line/text/drive", "whole line from a text log, mapped frames only", 0},
		{"Line/pipe/full-bus", "whole line from a pipe, full bus", 0},
	} {
		if _, ran := best[c.name]; !ran && strings.HasSuffix(c.name, "/truck") {
			rows = append(rows, row{what: c.what, value: "not measured: the recording is not here (JOLTWATCH_CAPTURES)"})
			continue
		}
		ns, allocations := of(c.name, "processor"), of(c.name, "allocs/op")
		aim := ""
		if c.aim > 0 {
			aim = fmt.Sprintf("at least %.0f", c.aim)
		}
		rows = append(rows,
			row{c.what, fmt.Sprintf("%.2f million frames a second of processor time (%.0f ns a frame)", 1e3/ns, ns), aim, 1e3/ns >= c.aim},
			row{c.what, fmt.Sprintf("%.0f allocations a frame", allocations), "0", allocations == 0})
	}
	for _, c := range []struct{ name, what string }{
		{"Line/memory/full-bus", "full 500 kbit/s bus, few frames of it mapped"},
		{"Line/memory/drive", "full 500 kbit/s bus, all of it mapped"},
	} {
		share := 100 * of(c.name, "processor") * 1e-9 * storage.FullLoad
		rows = append(rows, row{c.what, fmt.Sprintf("%.2f %% of this machine's core", share), "under 3 %", share < 3})
	}
	return rows, missing
}
