package main

import (
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream/vehicle"

	"github.com/rs/zerolog"
)

const vanDrive = "../../testdata/van/drive.log.zst"

const vanVehicle = "../../testdata/van/vehicle.toml"

// wholeLine is what run does with a frame, store included.
func wholeLine(tb testing.TB, vehicleFile, dir string) *line {
	tb.Helper()
	settings := detect.DefaultSettings()
	file, err := vehicle.Load(vehicleFile, &settings)
	if err != nil {
		tb.Fatal(err)
	}
	l, err := newLine(&host{log: zerolog.Nop()}, file.Plan, settings)
	if err != nil {
		tb.Fatal(err)
	}
	l.store, _, err = storage.Open(dir, storage.Options{Plan: file.Plan, Settings: file.Text, Boot: "speed", Quota: 256 << 20, Program: "speed"})
	if err != nil {
		tb.Fatal(err)
	}
	return l
}

// framesOf is a recording in memory.
func framesOf(tb testing.TB, log string) []bus.Frame {
	tb.Helper()
	src, err := bus.OpenLog(log, bus.LogOptions{Interfaces: []string{"can0"}})
	if err != nil {
		tb.Fatal(err)
	}
	defer src.Close()
	var all []bus.Frame
	for f, err := range bus.Frames(src) {
		if err != nil {
			tb.Fatal(err)
		}
		all = append(all, *f)
	}
	return all
}

// truckVehicle writes the vehicle file of the truck recording.
func truckVehicle(tb testing.TB) string {
	tb.Helper()
	toml := filepath.Join(tb.TempDir(), "truck.toml")
	if err := os.WriteFile(toml, []byte("label = \"truck\"\n[[bus]]\nname = \"can0\"\nj1939 = true\n"), 0o600); err != nil {
		tb.Fatal(err)
	}
	return toml
}

// fullBus puts frames that nobody wants between those of the drive until a bus
// of 500 kbit/s is full, as it is in a vehicle where a few identifiers of many
// matter.
func fullBus(drive []bus.Frame) []bus.Frame {
	const slot = bus.Second / storage.FullLoad
	var all []bus.Frame
	next := drive[0].At
	for i := range drive {
		for next+slot <= drive[i].At {
			f := bus.Frame{At: next, ID: uint32(0x500 + len(all)%120), Len: 8}
			for j := range f.Data[:8] {
				f.Data[j] = byte(len(all) * (j + 3))
			}
			all = append(all, f)
			next += slot
		}
		all = append(all, drive[i])
		next += slot
	}
	return all
}

// rounds is a source that gives out the same drive again and again, each later
// than the one before.
type rounds struct {
	frames []bus.Frame
	left   int
	next   int
	later  bus.Micros
}

func (r *rounds) Read(batch []bus.Frame) (int, error) {
	if r.left == 0 {
		return 0, io.EOF
	}
	n := copy(batch[:min(len(batch), r.left)], r.frames[r.next:])
	for i := range batch[:n] {
		batch[i].At += r.later
	}
	r.left -= n
	if r.next += n; r.next == len(r.frames) {
		r.next = 0
		r.later += r.frames[len(r.frames)-1].At - r.frames[0].At + bus.Second
	}
	return n, nil
}

func (r *rounds) Clock() bus.Clock { return bus.Clock{} }
func (r *rounds) Close() error     { return nil }

// logRounds gives out a text log again and again, through the reader of logs.
type logRounds struct {
	open  func() (*bus.TextLog, error)
	log   *bus.TextLog
	left  int
	later bus.Micros
	span  bus.Micros
}

func (r *logRounds) Read(batch []bus.Frame) (int, error) {
	if r.left == 0 {
		return 0, io.EOF
	}
	if r.log == nil {
		var err error
		if r.log, err = r.open(); err != nil {
			return 0, err
		}
	}
	n, err := r.log.Read(batch[:min(len(batch), r.left)])
	for i := range batch[:n] {
		batch[i].At += r.later
	}
	r.left -= n
	if errors.Is(err, io.EOF) {
		err = r.log.Close()
		r.log, r.later = nil, r.later+r.span
	}
	return n, err
}

func (r *logRounds) Clock() bus.Clock { return bus.Clock{} }
func (r *logRounds) Close() error     { return nil }

// processorTime is what this process has had of all processors.
func processorTime(tb testing.TB) time.Duration {
	tb.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		tb.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkLine is the whole line as run has it, one operation a frame. With
// -cpu 1 it is what one core does; the time that counts is the processor's. Memory is counted over all frames, findings
// and files included, so a steady state without any shows as 0.
func BenchmarkLine(b *testing.B) {
	drive := framesOf(b, vanDrive) // every frame of it is mapped
	full := fullBus(drive)
	dir := b.TempDir()
	driveLog, fullLog := filepath.Join(dir, "drive.log"), filepath.Join(dir, "full.log")
	writeLog(b, driveLog, drive)
	writeLog(b, fullLog, full)
	span := drive[len(drive)-1].At - drive[0].At + bus.Second
	options := bus.LogOptions{Interfaces: []string{"can0"}}
	text := func(path string, span bus.Micros) func(int) source {
		return func(n int) source {
			return &logRounds{left: n, span: span, open: func() (*bus.TextLog, error) { return bus.OpenLog(path, options) }}
		}
	}
	type workload struct {
		name, vehicle string
		src           func(n int) source
	}
	workloads := []workload{
		{"memory/full-bus", vanVehicle, func(n int) source { return &rounds{frames: full, left: n} }},
		{"memory/drive", vanVehicle, func(n int) source { return &rounds{frames: drive, left: n} }},
		{"text/full-bus", vanVehicle, text(fullLog, span)},
		{"text/drive", vanVehicle, text(driveLog, span)},
		{"pipe/full-bus", vanVehicle, func(n int) source {
			return &logRounds{left: n, span: span, open: func() (*bus.TextLog, error) {
				r, w, err := os.Pipe()
				if err != nil {
					return nil, err
				}
				cat := exec.Command("cat", fullLog)
				cat.Stdout = w
				if err := cat.Start(); err != nil {
					return nil, err
				}
				w.Close()
				go cat.Wait() //nolint:errcheck // it ends early where the benchmark does
				return bus.NewTextLog(r, "pipe", options)
			}}
		}},
	}
	if log, err := findTruckLog(); err == nil {
		truck := framesOf(b, log)
		file, span := filepath.Join(dir, "truck.log"), truck[len(truck)-1].At-truck[0].At+bus.Second
		writeLog(b, file, truck)
		workloads = append(workloads,
			workload{"memory/truck", truckVehicle(b), func(n int) source { return &rounds{frames: truck, left: n} }},
			workload{"text/truck", truckVehicle(b), text(file, span)})
	}
	for _, c := range workloads {
		b.Run(c.name, func(b *testing.B) {
			l := wholeLine(b, c.vehicle, b.TempDir())
			src := c.src(b.N)
			b.ReportAllocs()
			b.ResetTimer()
			spent := -processorTime(b)
			err := pump(context.Background(), src, l.Push, func() (time.Duration, error) { return time.Second, nil })
			b.StopTimer()
			spent += processorTime(b)
			if err != nil {
				b.Fatal(err)
			}
			if l.counted.Frames != uint64(b.N) {
				b.Fatalf("%d of %d frames", l.counted.Frames, b.N)
			}
			b.ReportMetric(float64(spent)/float64(b.N), "processor")
			if err := l.Finish(); err != nil {
				b.Fatal(err)
			}
		})
	}
}

func writeLog(tb testing.TB, path string, frames []bus.Frame) {
	tb.Helper()
	var text []byte
	for i := range frames {
		text = bus.AppendLogLine(text, &frames[i], "can0")
	}
	if err := os.WriteFile(path, text, 0o644); err != nil {
		tb.Fatal(err)
	}
}

// countedSource is n frames of a workload: every frame of the embedded drive mapped,
// from memory and from a text log, and a full bus of which few frames are. It is made
// as it was for fewer: what more frames cost does not contain it.
func countedSource(t *testing.T, name string, n int) source {
	drive := framesOf(t, vanDrive)[:50000]
	span := drive[len(drive)-1].At - drive[0].At + bus.Second
	if name == "memory" {
		return &rounds{frames: drive, left: n}
	}
	if name == "full-text" {
		drive = fullBus(drive[:8000])
		span = drive[len(drive)-1].At - drive[0].At + bus.Second
	}
	log := filepath.Join(t.TempDir(), "drive.log")
	writeLog(t, log, drive)
	return &logRounds{left: n, span: span, open: func() (*bus.TextLog, error) {
		return bus.OpenLog(log, bus.LogOptions{Interfaces: []string{"can0"}})
	}}
}

// TestLineWorkload is run by cmd/develop/speed, which counts its instructions.
func TestLineWorkload(t *testing.T) {
	name, frames, _ := strings.Cut(os.Getenv("JOLTWATCH_WORKLOAD"), " ")
	n, err := strconv.Atoi(frames)
	if err != nil {
		t.Skip("a part of make speed")
	}
	l := wholeLine(t, vanVehicle, t.TempDir())
	src := countedSource(t, name, n)
	batch := make([]bus.Frame, batchFrames)
	for {
		m, err := src.Read(batch)
		for i := range batch[:m] {
			if err := l.Push(&batch[i]); err != nil {
				t.Fatal(err)
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
	}
	if err := l.Finish(); err != nil {
		t.Fatal(err)
	}
}
