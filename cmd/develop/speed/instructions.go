package main

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"

	"joltwatch/storage"
)

// board is a kind of processor and what emulates it.
type board struct {
	name, arch string
	emulator   []string
}

// The last is the first processor of small boards: ARMv6 with a floating-point unit.
var boards = []board{
	{"amd64", "amd64", []string{"qemu-x86_64", "-cpu", "max"}},
	{"arm64", "arm64", []string{"qemu-aarch64", "-cpu", "max"}},
	{"ARMv6", "arm", []string{"qemu-arm", "-cpu", "arm1176"}},
}

// workload is a test that does something for a number of frames.
type workload struct{ pkg, test, name string }

// line are the workloads of the whole line; sockets what it costs to take frames from
// the kernel, less what sending them costs there; decoding the contestants.
var (
	line = []workload{
		{"./cmd/joltwatch", "TestLineWorkload", "memory"},
		{"./cmd/joltwatch", "TestLineWorkload", "text"},
		{"./cmd/joltwatch", "TestLineWorkload", "full-text"},
	}
	sockets = []workload{
		{"./bus", "TestSocketWorkload", "receive"},
		{"./bus", "TestSocketWorkload", "send"},
	}
	decoding = []workload{
		{"./stream", "TestDecodeWorkload", "mapped ours"},
		{"./stream", "TestDecodeWorkload", "mapped map"},
		{"./stream", "TestDecodeWorkload", "mapped search"},
		{"./stream", "TestDecodeWorkload", "mapped by-hand"},
		{"./stream", "TestDecodeWorkload", "busy ours"},
		{"./stream", "TestDecodeWorkload", "busy map"},
		{"./stream", "TestDecodeWorkload", "busy search"},
	}
)

// countFrames is how many frames are counted, after as many that are not; where a frame
// is only decoded ten times as many, for what the runtime does beside the work, some
// 200,000 instructions more or less, would be two of the fifty of a frame.
const (
	countFrames  = 100 * 1024
	decodeFrames = 10 * countFrames
)

// counts are the instructions a frame of each workload on each board, under the Go
// release that compiled them.
type counts struct {
	release string
	of      map[string][]float64 // by what was counted, one for each board
}

// recorded are the values on file, in their order.
var recorded = []string{
	"embedded drive, every frame mapped, from memory",
	"the same from a text log",
	"the same from a kernel's socket",
	"full bus with that drive on it, from a text log",
	"decoding, every frame mapped",
	"decoding by the library with a Go map, every frame mapped",
	"decoding by the library with its own search, every frame mapped",
	"decoding by hand, every frame mapped",
	"decoding, few frames mapped",
	"decoding by the library with a Go map, few frames mapped",
	"decoding by the library with its own search, few frames mapped",
}

// countAll counts everything on every board.
func countAll() (*counts, error) {
	work, err := os.MkdirTemp("", "speed")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(work)
	plugin := filepath.Join(work, "count.so")
	if out, err := exec.Command("gcc", "-shared", "-fPIC", "-O2", "-o", plugin, "cmd/develop/speed/testdata/count.c").CombinedOutput(); err != nil {
		return nil, fmt.Errorf("gcc: %w\n%s", err, out)
	}
	release := strings.Join(strings.SplitN(runtime.Version(), ".", 3)[:2], ".")
	all := &counts{release: release, of: map[string][]float64{}}
	for _, b := range boards {
		if _, err := exec.LookPath(b.emulator[0]); err != nil {
			return nil, fmt.Errorf("%s is not here to count instructions: apt-get install qemu-user", b.emulator[0])
		}
		var got []float64
		for _, w := range append(append(append([]workload{}, line...), sockets...), decoding...) {
			n, err := b.count(w, plugin, work)
			if err != nil {
				return nil, err
			}
			got = append(got, n)
		}
		socket := got[0] + got[3] - got[4]
		for i, n := range append([]float64{got[0], got[1], socket, got[2]}, got[5:]...) {
			all.of[recorded[i]] = append(all.of[recorded[i]], n)
		}
	}
	return all, nil
}

// count is what one more frame of the workload costs.
func (b *board) count(w workload, plugin, work string) (float64, error) {
	program := filepath.Join(work, b.name+filepath.Base(w.pkg)+".test")
	if _, err := os.Stat(program); err != nil {
		cmd := exec.Command("go", "test", "-c", "-trimpath", "-o", program, w.pkg)
		cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+b.arch, "GOARM=6", "CGO_ENABLED=0")
		if out, err := cmd.CombinedOutput(); err != nil {
			return 0, fmt.Errorf("go test -c %s: %w\n%s", w.pkg, err, out)
		}
	}
	frames := countFrames
	if w.test == "TestDecodeWorkload" {
		frames = decodeFrames
	}
	once, err := b.instructions(w, plugin, program, frames)
	if err != nil {
		return 0, err
	}
	twice, err := b.instructions(w, plugin, program, 2*frames)
	return (twice - once) / float64(frames), err
}

var counted = regexp.MustCompile(`(?m)^instructions: ([0-9]+)$`)

func (b *board) instructions(w workload, plugin, program string, frames int) (float64, error) {
	args := append(append([]string{}, b.emulator[1:]...), "-plugin", plugin, program, "-test.run=^"+w.test+"$")
	cmd := exec.Command(b.emulator[0], args...)
	cmd.Dir = w.pkg
	// One thread, no collection and no preemption: what is left is the work.
	cmd.Env = append(os.Environ(), "JOLTWATCH_WORKLOAD="+w.name+" "+strconv.Itoa(frames), "GOMAXPROCS=1", "GOGC=off", "GODEBUG=asyncpreemptoff=1")
	out, err := cmd.CombinedOutput()
	m := counted.FindSubmatch(out)
	if err != nil || m == nil {
		return 0, fmt.Errorf("%s, %s on %s: %v\n%s", w.test, w.name, b.name, err, out)
	}
	return strconv.ParseFloat(string(m[1]), 64)
}

// recordFile has the Go release, and a line for each value: what it is of, and the number
// for each board, with tabs between.
const recordFile = "cmd/develop/speed/testdata/instructions.tsv"

func (c *counts) text() string {
	text := c.release
	for _, b := range boards {
		text += "\t" + b.name
	}
	for _, what := range recorded {
		text += "\n" + what
		for _, n := range c.of[what] {
			text += fmt.Sprintf("\t%.0f", n)
		}
	}
	return text + "\n"
}

func readRecord(text string) (*counts, error) {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	release, _, _ := strings.Cut(lines[0], "\t")
	c := &counts{release: release, of: map[string][]float64{}}
	for i, l := range lines[1:] {
		f := strings.Split(l, "\t")
		if len(f) != 1+len(boards) {
			return nil, fmt.Errorf("%s: line %d: expected what it is of and %d numbers, with tabs between", recordFile, i+2, len(boards))
		}
		for _, x := range f[1:] {
			n, err := strconv.ParseFloat(x, 64)
			if err != nil {
				return nil, fmt.Errorf("%s: line %d: %q is no number", recordFile, i+2, x)
			}
			c.of[f[0]] = append(c.of[f[0]], n)
		}
	}
	return c, nil
}

// A count may lie this share of the record from it, or so many instructions where that
// is more: the smallest move by two from build to build. A gain has to be recorded
// too, so that it stays.
const (
	tolerance = 0.03
	waver     = 3
)

// recordRows holds what was counted against the record.
func recordRows(got, old *counts) ([]row, error) {
	if got.release != old.release {
		return nil, fmt.Errorf("the record is of %s, this is %s: record it anew with --record", old.release, got.release)
	}
	var rows []row
	for _, what := range recorded {
		was, n := old.of[what], got.of[what]
		if len(was) == 0 {
			return nil, fmt.Errorf("%s does not have %q: record it with --record", recordFile, what)
		}
		r := row{what: "instructions a frame: " + what, met: true}
		for i, b := range boards {
			sep := ""
			if i > 0 {
				sep = " / "
			}
			r.value += fmt.Sprintf("%s%s %.0f", sep, b.name, n[i])
			r.aim += fmt.Sprintf("%s%.0f", sep, was[i])
			r.met = r.met && math.Abs(n[i]-was[i]) <= max(tolerance*was[i], waver)
		}
		r.aim += " on file, within 3 % or 3"
		rows = append(rows, r)
	}
	return rows, nil
}

// aimRows holds what was counted against the aims.
func aimRows(got *counts) (rows []row) {
	for i, b := range boards {
		of := func(what string) float64 { return got.of[what][i] }
		for _, traffic := range []string{"every frame mapped", "few frames mapped"} {
			ratio := of("decoding by the library with a Go map, "+traffic) / of("decoding, "+traffic)
			rows = append(rows, row{b.name + ": decoding against the library with a Go map, " + traffic, fmt.Sprintf("%.1f times fewer instructions", ratio), "at least 3", ratio >= 3})
		}
		ratio := of("decoding, every frame mapped") / of("decoding by hand, every frame mapped")
		rows = append(rows, row{b.name + ": decoding against a decoder by hand", fmt.Sprintf("%.1f times the instructions", ratio), "at most 1.5", ratio <= 1.5})
		share := of("the same from a kernel's socket") * storage.FullLoad / 1e9 * 100
		rows = append(rows, row{b.name + ": full 500 kbit/s bus, all mapped, at 1000 million instructions a second", fmt.Sprintf("%.1f %% of a core", share), "below 2 %", share < 2})
	}
	n := got.of[recorded[0]][0]
	return append(rows, row{boards[0].name + ": instructions a frame: " + recorded[0], fmt.Sprintf("%.0f", n), "at most 2450", n <= 2450})
}
