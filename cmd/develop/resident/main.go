// Resident measures the memory that the recorder takes at its worst, for simulated
// hours: a 500 kbit/s bus that is full all the time, every frame of it mapped and
// incompressible, a look-back of 60 s, events to write, and a store that is full: the first
// hour begins as it makes room. The embedded drive is on that bus, again and again. It is
// run from the repository's root:
//
//	go run ./cmd/develop/resident -hours 24
//
// It exits with 1 where the recorder takes more than it may, or more from hour to hour.
package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/storage"
)

const (
	limitKiB  = 32 << 10              // resident, at any time
	growthKiB = 1 << 10               // above the most of the first hour
	fillsIn   = 6 * 3600 * bus.Second // by then the store is full
)

func main() {
	hours := flag.Float64("hours", 24, "simulated hours")
	flag.Parse()
	cli.Tool("resident", func(context.Context) error {
		if flag.NArg() > 0 || *hours <= 0 {
			return cli.Usage("expected -hours N, more than 0, and nothing else")
		}
		return run(*hours)
	})
}

func run(hours float64) error {
	work, err := os.MkdirTemp("", "resident")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	vehicle, err := fullVehicle(work)
	if err != nil {
		return err
	}
	program := filepath.Join(work, "joltwatch")
	build := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", program, "./cmd/joltwatch")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("go build: %w\n%s", err, out)
	}
	drive, err := frames("testdata/van/drive.log.zst")
	if err != nil {
		return err
	}
	store := filepath.Join(work, "store")
	cmd := exec.Command(program, "run", "--json", "--vehicle", vehicle, "--from", "-", "--store", store)
	cmd.Stderr = io.Discard
	var said strings.Builder
	cmd.Stdout = &said
	in, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	peaks, err := feed(in, drive, hours, cmd.Process.Pid, store)
	if err = errors.Join(err, in.Close(), cmd.Wait()); err != nil {
		return err
	}
	fmt.Print(said.String())
	return judge(peaks)
}

// judge holds the most of each hour, in KiB, against what is allowed.
func judge(peaks []int) error {
	var failed error
	for i, kib := range peaks {
		if kib > limitKiB {
			failed = errors.Join(failed, fmt.Errorf("hour %d: %d KiB are more than %d", i+1, kib, limitKiB))
		}
		if kib > peaks[0]+growthKiB {
			failed = errors.Join(failed, fmt.Errorf("hour %d: %d KiB are more than 1 MiB above the first hour's %d", i+1, kib, peaks[0]))
		}
	}
	return failed
}

// say prints the most of the latest hour.
func say(peaks []int) {
	if n := len(peaks); n > 0 {
		fmt.Printf("hour %d: resident at most %d KiB of %d (full 500 kbit/s bus, all frames mapped, look-back 60 s)\n", n, peaks[n-1], limitKiB)
	}
}

const fillers = 8

// fullVehicle writes the vehicle file of the drive with messages that fill the bus,
// each mapped as one more source of a role.
func fullVehicle(dir string) (string, error) {
	text, err := os.ReadFile("testdata/van/vehicle.toml")
	if err != nil {
		return "", err
	}
	definitions, err := filepath.Abs("testdata/van/van.dbc")
	if err != nil {
		return "", err
	}
	filler := "VERSION \"\"\nBU_: Other\n"
	roles := ""
	for i := range fillers {
		filler += fmt.Sprintf("\nBO_ %d Filler%d: 8 Other\n SG_ Supply : 0|8@1+ (0.1,0) [0|25] \"V\" Other\n", 0x500+i, i)
		roles += fmt.Sprintf("\n[[role]]\nname = \"supply_voltage\"\nsignal = \"Filler%d.Supply\"\n", i)
	}
	line := regexp.MustCompile(`(?m)^definitions = .*`)
	text = line.ReplaceAll(text, []byte(fmt.Sprintf("definitions = [%q, \"filler.dbc\"]", definitions)))
	text = append(text, roles+"\n[store]\nlook_back_s = 60\nquota_mb = 32\n"...)
	vehicle := filepath.Join(dir, "vehicle.toml")
	return vehicle, errors.Join(os.WriteFile(filepath.Join(dir, "filler.dbc"), []byte(filler), 0o600), os.WriteFile(vehicle, text, 0o600))
}

func frames(log string) (all []bus.Frame, err error) {
	src, err := bus.OpenLog(log, bus.LogOptions{Interfaces: []string{"can0"}})
	if err != nil {
		return nil, err
	}
	defer src.Close()
	for f, err := range bus.Frames(src) {
		if err != nil {
			return nil, err
		}
		all = append(all, *f)
	}
	return all, nil
}

// feed writes the hours to the recorder, from where its store is full on, and returns the
// most that it had resident in each.
func feed(to io.Writer, drive []bus.Frame, hours float64, pid int, store string) (peaks []int, err error) {
	const slot = bus.Second / storage.FullLoad
	out := bufio.NewWriterSize(to, 64<<10)
	rnd := rand.New(rand.NewPCG(1, 1))
	span := drive[len(drive)-1].At - drive[0].At + slot
	total := bus.Micros(hours * 3600e6)
	var line []byte
	var later, looked, full bus.Micros
	var stored int64
	next := drive[0].At
	for i, n := 0, 0; ; {
		f := drive[i]
		if f.At += later; next+slot <= f.At {
			f = bus.Frame{At: next, ID: uint32(0x500 + n%fillers), Len: 8}
			n++
			a, b := rnd.Uint64(), uint64(0x8c) // a voltage that it can have
			for j := range f.Data[:8] {
				f.Data[j] = byte(b)
				a, b = a>>8, a
			}
		} else if i++; i == len(drive) {
			i, later = 0, later+span
		}
		next += slot // a frame of the drive takes the place of one
		line = bus.AppendLogLine(line[:0], &f, "can0")
		if _, err := out.Write(line); err != nil {
			return peaks, fmt.Errorf("the recorder ended early: %w", err)
		}
		at := f.At - drive[0].At
		if at >= looked+5*bus.Second {
			looked = at
			kib, err := resident(pid)
			if err != nil {
				return peaks, err
			}
			if n := size(store); full == 0 && n < stored {
				full = at // it has made room
				fmt.Printf("the store is full after %d s, with %d KiB resident\n", at/bus.Second, kib)
			} else if stored = n; full == 0 && at > fillsIn {
				return nil, fmt.Errorf("the store has %d bytes after %d s and was never full, so the worst was not measured", n, at/bus.Second)
			}
			if full == 0 {
				continue
			}
			if int((at-full)/(3600*bus.Second)) == len(peaks) {
				say(peaks)
				peaks = append(peaks, 0)
			}
			last := &peaks[len(peaks)-1]
			*last = max(*last, kib)
		}
		if full > 0 && at-full >= total {
			say(peaks)
			return peaks, out.Flush()
		}
	}
}

var residentLine = regexp.MustCompile(`VmRSS:\s*(\d+) kB`)

// resident is what a process has resident, in KiB (proc(5)).
func resident(pid int) (int, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, err
	}
	m := residentLine.FindSubmatch(b)
	if m == nil {
		return 0, fmt.Errorf("/proc/%d/status has no VmRSS", pid)
	}
	return strconv.Atoi(string(m[1]))
}

func size(dir string) (n int64) {
	files, _ := os.ReadDir(dir)
	for _, f := range files {
		if i, err := f.Info(); err == nil {
			n += i.Size()
		}
	}
	return n
}
