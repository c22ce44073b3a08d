package main

import (
	"bytes"
	"encoding/json"
	commandline "flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"joltwatch/bus"
)

var loadSeconds = commandline.Int("load.seconds", 2, "how many seconds TestPipeLoad lasts")

// Two saturated buses of 1 Mbit/s on a pipe, at the pace of the clock: every
// frame arrives, and memory stays where it was. A pipe loses nothing by itself;
// a program that is too slow makes the sender fall behind, which is told.
//
// A frame with an 11-bit identifier and eight bytes takes 111 bits with the
// space after it, without stuff bits, which only make it longer (Linux,
// include/linux/can/length.h: 47 and the data): 9009 frames/s saturate a bus.
func TestPipeLoad(t *testing.T) {
	const rate = 2 * (1_000_000 / 111)
	dir := t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "joltwatch")
	if err := os.Symlink(self, program); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(vanVehicle)
	if err != nil {
		t.Fatal(err)
	}
	definitions, err := filepath.Abs("../../testdata/van/van.dbc")
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte(`"van.dbc"`), []byte(strconv.Quote(definitions)), 1)
	text = append(text, "\n[[bus]]\nname = \"can1\"\nbitrate = 1000000\n"...)
	text = regexp.MustCompile(`(?m)^signal = .*`).ReplaceAll(text, []byte("$0\nbus = \"can0\""))
	vehicleFile := filepath.Join(dir, "vehicle.toml")
	if err := os.WriteFile(vehicleFile, text, 0o600); err != nil {
		t.Fatal(err)
	}

	cmd := exec.Command(program, "run", "--json", "--vehicle", vehicleFile, "--from", "-", "--store", filepath.Join(dir, "stay"))
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	resident := func() (kib int) {
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
		if err != nil {
			t.Fatal(err)
		}
		if m := regexp.MustCompile(`VmHWM:\s*(\d+) kB`).FindSubmatch(b); m != nil {
			kib, _ = strconv.Atoi(string(m[1]))
		}
		return kib
	}

	// The embedded drive on the first bus, and frames that nobody wants between
	// its frames and on the other bus.
	drive := framesOf(t, vanDrive)
	total, half := *loadSeconds*rate, 0
	var lines []byte
	var behind time.Duration
	start := time.Now()
	next, later := 0, bus.Micros(0)
	for sent := 0; sent < total; {
		due := min(int(time.Since(start).Seconds()*rate), total)
		lines = lines[:0]
		for ; sent < due; sent++ {
			at := drive[0].At + bus.Micros(int64(sent)*1_000_000/rate)
			name := "can0"
			f := bus.Frame{At: at, ID: uint32(0x500 + sent/2%128), Len: 8}
			for i := range f.Data[:8] {
				f.Data[i] = byte(sent * (i + 3))
			}
			if sent%2 != 0 {
				name = "can1"
			} else if drive[next].At+later <= at {
				f = drive[next]
				f.At = at
				if next++; next == len(drive) {
					next, later = 0, at-drive[0].At+bus.Second
				}
			}
			lines = bus.AppendLogLine(lines, &f, name)
		}
		if _, err := in.Write(lines); err != nil {
			t.Fatalf("after %d frames: %v; it said %s", sent, err, errs.String())
		}
		behind = max(behind, time.Since(start)-time.Duration(int64(sent)*int64(time.Second)/rate))
		if half == 0 && sent > total/2 {
			half = resident()
		}
		time.Sleep(time.Millisecond)
	}
	took := time.Since(start)
	end := resident()
	in.Close()
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v: %s", err, errs.String())
	}
	var said struct {
		Frames   int `json:"frames"`
		BadLines int `json:"bad_lines"`
	}
	if err := json.Unmarshal(out.Bytes(), &said); err != nil {
		t.Fatalf("%v in %s", err, out.String())
	}
	t.Logf("%d frames in %.1f s, %.0f frames/s; received %d; the sender was behind by at most %.3f s; resident %d KiB half-way, %d KiB at the end",
		total, took.Seconds(), float64(total)/took.Seconds(), said.Frames, behind.Seconds(), half, end)
	if said.Frames != total || said.BadLines != 0 {
		t.Errorf("%d frames sent, %d received, %d bad lines", total, said.Frames, said.BadLines)
	}
	// In the first minute the look-back still fills.
	if *loadSeconds >= 120 && end > half+2048 {
		t.Errorf("resident grew from %d to %d KiB", half, end)
	}
}
