// Speed runs the benchmarks of decoding and of the whole line in one go, one
// core each, and prints each value beside its aim. It exits with 1 where an aim
// is missed. It is run from the repository's root:
//
//	go run ./cmd/develop/speed
//
// Each benchmark runs several times and the best counts: what else the machine
// does only ever makes it slower.
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
	"text/tabwriter"

	"github.com/alecthomas/kong"
	"golang.org/x/perf/benchfmt"

	"joltwatch/storage"
)

type cli struct {
	Count int    `default:"5" help:"How often each benchmark runs."`
	Time  string `default:"1s" help:"How long each run takes, or how many frames it has (100000x)."`
}

func main() {
	var c cli
	kong.Parse(&c, kong.Name("speed"), kong.Description("Print the speed of decoding and of the whole line beside the aims."))
	missed, err := c.run(os.Stdout)
	if err != nil {
		fmt.Fprintf(os.Stderr, "speed: %v\n", err)
		os.Exit(1)
	}
	if missed > 0 {
		fmt.Fprintf(os.Stderr, "speed: %d aims missed\n", missed)
		os.Exit(1)
	}
}

func (c *cli) run(w io.Writer) (missed int, err error) {
	cmd := exec.Command("go", "test", "-run", "^$", "-bench", "^Benchmark(Decode|Line)$", "-cpu", "1",
		"-count", fmt.Sprint(c.Count), "-benchtime", c.Time, "./stream", "./cmd/joltwatch")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return 0, fmt.Errorf("go test: %w\n%s", err, out)
	}
	best, err := readBest(bytes.NewReader(out))
	if err != nil {
		return 0, err
	}
	rows, err := table(best)
	if err != nil {
		return 0, err
	}
	if b, err := os.ReadFile("cmd/joltwatch/testdata/instructions.txt"); err == nil {
		lines := strings.Split(strings.TrimSpace(string(b)), "\n")
		for _, l := range lines[1:] {
			rows = append(rows, row{what: "whole line, by callgrind (on file, " + lines[0] + ")", value: l})
		}
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "what\tvalue\taim\t")
	for _, r := range rows {
		verdict := ""
		if r.aim != "" {
			verdict = "met"
			if !r.met {
				verdict = "MISSED"
				missed++
			}
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", r.what, r.value, r.aim, verdict)
	}
	return missed, t.Flush()
}

// result is the best of one benchmark's runs.
type result struct{ nanoseconds, allocations float64 } // for one frame

// readBest reads Go's benchmark format.
func readBest(in io.Reader) (map[string]result, error) {
	best := map[string]result{}
	r := benchfmt.NewReader(in, "go test")
	for r.Scan() {
		res, ok := r.Result().(*benchfmt.Result)
		if !ok {
			continue // a line that is no measurement
		}
		// In this format a time is in seconds.
		s, ok := res.Value("sec/op")
		if !ok {
			continue
		}
		allocs, _ := res.Value("allocs/op")
		name := res.Name.String()
		got := result{s * 1e9, allocs}
		if was, ok := best[name]; ok {
			got = result{min(was.nanoseconds, got.nanoseconds), max(was.allocations, got.allocations)}
		}
		best[name] = got
	}
	return best, r.Err()
}

// row is one line of the table; without an aim it is for information.
type row struct {
	what, value, aim string
	met              bool
}

// table works out the rows from the benchmarks' results.
func table(best map[string]result) ([]row, error) {
	var missing error
	of := func(name string) result {
		r, ok := best[name]
		if !ok {
			missing = errors.Join(missing, fmt.Errorf("no benchmark %s ran", name))
			return result{math.NaN(), math.NaN()}
		}
		return r
	}
	var rows []row
	for _, traffic := range []string{"mapped", "busy"} {
		ours := of("Decode/" + traffic + "/ours")
		for _, other := range []struct{ name, what, aim string }{
			{"generic-lookup", "decoding against the CAN library's generic path, ", "at least 2 times"},
			{"generic-map", "the same with a Go map in place of its search, ", ""},
		} {
			generic := of("Decode/" + traffic + "/" + other.name)
			ratio := generic.nanoseconds / ours.nanoseconds
			rows = append(rows, row{other.what + traffic + " frames",
				fmt.Sprintf("%.1f times (%.1f against %.1f ns a frame)", ratio, ours.nanoseconds, generic.nanoseconds), other.aim, ratio >= 2})
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
		r := of(c.name)
		rate := 1e3 / r.nanoseconds
		aim := ""
		if c.aim > 0 {
			aim = fmt.Sprintf("at least %.0f", c.aim)
		}
		rows = append(rows,
			row{c.what, fmt.Sprintf("%.2f million frames a second (%.0f ns a frame)", rate, r.nanoseconds), aim, rate >= c.aim},
			row{c.what, fmt.Sprintf("%.0f allocations a frame", r.allocations), "0", r.allocations == 0})
	}
	for _, c := range []struct{ name, what string }{
		{"Line/memory/full-bus", "full 500 kbit/s bus, few frames of it mapped"},
		{"Line/memory/drive", "full 500 kbit/s bus, all of it mapped"},
	} {
		share := 100 * of(c.name).nanoseconds * 1e-9 * storage.FullLoad
		rows = append(rows, row{c.what, fmt.Sprintf("%.2f %% of a core", share), "under 3 %", share < 3})
	}
	return rows, missing
}
