package storage_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"text/tabwriter"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"

	"github.com/klauspost/compress/zstd"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
)

// drive is a recording decoded by its plan.
type drive struct {
	name    string
	plan    *stream.Plan
	frames  []bus.Frame // mapped frames and what is no data
	samples []stream.Sample
}

func (d *drive) Frame(f *bus.Frame) {
	if f.Kind == bus.Data || f.Kind == bus.Reading {
		d.frames = append(d.frames, *f)
	}
}
func (d *drive) Samples(x []stream.Sample) { d.samples = append(d.samples, x...) }
func (d *drive) Row(*stream.Row)           {}

// load decodes a log; it skips the test where the file is absent.
func load(t testing.TB, name, log string, vehicleFile string, vehicleText []byte) *drive {
	t.Helper()
	if _, err := os.Stat(log); err != nil {
		t.Skipf("%s is not here (the truck recording: set JOLTWATCH_CAPTURES to its folder)", log)
	}

	file, err := vehicle.Parse(vehicleFile, vehicleText, &struct{}{})
	must(t, err)
	src, err := bus.OpenLog(log, bus.LogOptions{Interfaces: file.Interfaces()})
	must(t, err)
	defer src.Close()
	s, err := stream.New(file.Plan)
	must(t, err)
	d := &drive{name: name, plan: file.Plan}
	for f, err := range bus.Frames(src) {
		must(t, err)
		s.Push(f, d)
	}
	s.Flush(d)
	return d
}

func truck(t testing.TB) *drive {
	dir := os.Getenv("JOLTWATCH_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "shared", "captures")
	}
	return load(t, "truck recording", filepath.Join(dir, "truck-drive.log.gz"), "truck.toml",
		[]byte("label = \"truck\"\n[[bus]]\nname = \"can0\"\nj1939 = true\n"))
}

func embedded(t testing.TB, name string) *drive {
	dir := filepath.Join("..", "testdata", name)
	text, err := os.ReadFile(filepath.Join(dir, "vehicle.toml"))
	if err != nil {
		t.Skipf("%s has no vehicle file yet", dir)
	}
	return load(t, "embedded drive "+name, filepath.Join(dir, "drive.log.zst"), filepath.Join(dir, "vehicle.toml"), text)
}

// ours stores all frames of a drive as the unit does, one event after the
// other, and returns the size of the evidence files, headers and all.
func ours(t testing.TB, d *drive) int64 {
	dir := t.TempDir()
	w, _, err := storage.Open(dir, storage.Options{Plan: d.plan, Program: "test", Boot: "b"})
	must(t, err)
	start := d.frames[0].At
	next := start + storage.DefaultLookBack
	for i := range d.frames {
		f := &d.frames[i]
		w.Frame(f)
		// An event whenever the last look-on is over and a whole look-back
		// has come, so that all is stored and nothing twice.
		if f.At >= next {
			must(t, w.Event(finding(detect.KindReleaseLag, f.At-600_000, 1, true), nil))
			next = f.At + storage.DefaultLookOn + storage.DefaultLookBack
		}
	}
	must(t, w.Event(finding(detect.KindReleaseLag, d.frames[len(d.frames)-1].At, 1, true), nil))
	must(t, w.Close())
	v, err := storage.Verify(dir)
	must(t, err)
	if v.Frames != uint64(len(d.frames)) {
		t.Fatalf("%s: %d frames stored, expected %d", d.name, v.Frames, len(d.frames))
	}
	var total int64
	for _, f := range v.Files {
		if f.Kind == "evidence" {
			total += f.Size
		}
	}
	return total
}

// xorChunks encodes each role's samples as the time series database does: 120
// samples a chunk, the smaller of physical values and raw integers.
func xorChunks(t testing.TB, d *drive) int64 {
	size := func(value func(*stream.Sample) float64) int64 {
		type series struct {
			app chunkenc.Appender
			c   *chunkenc.XORChunk
			n   int
		}
		all := map[stream.Role]*series{}
		var total int64
		for i := range d.samples {
			s := &d.samples[i]
			x := all[s.Role]
			if x == nil || x.n == 120 {
				if x != nil {
					total += int64(len(x.c.Bytes()))
				}
				x = &series{c: chunkenc.NewXORChunk()}
				app, err := x.c.Appender()
				must(t, err)
				x.app, all[s.Role] = app, x
			}
			x.app.Append(0, int64(s.At), value(s))
			x.n++
		}
		for _, x := range all {
			total += int64(len(x.c.Bytes()))
		}
		return total
	}
	return min(size(func(s *stream.Sample) float64 { return s.Value }), size(func(s *stream.Sample) float64 { return float64(s.Raw) }))
}

func zstdSize(t testing.TB, b []byte) int64 {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBestCompression))
	must(t, err)
	return int64(len(enc.EncodeAll(b, nil)))
}

func csv(d *drive) []byte {
	var b bytes.Buffer
	b.WriteString("at_us,role,raw\n")
	for i := range d.samples {
		s := &d.samples[i]
		fmt.Fprintf(&b, "%d,%s,%d\n", s.At, s.Role, s.Raw)
	}
	return b.Bytes()
}

func textLog(d *drive) []byte {
	var b []byte
	for i := range d.frames {
		b = bus.AppendLogLine(b, &d.frames[i], "can0")
	}
	return b
}

// The evidence is at most half as large as what a time series database's
// encoder makes of the same samples, though it holds the whole frames.
func TestSizes(t *testing.T) {
	for _, get := range []func(testing.TB) *drive{truck, func(t testing.TB) *drive { return embedded(t, "van") }} {
		t.Run("", func(t *testing.T) {
			d := get(t)
			n := float64(len(d.samples))
			xor, own := xorChunks(t, d), ours(t, d)
			var out strings.Builder
			fmt.Fprintf(&out, "%s: %d samples of %d roles in %d frames\n", d.name, len(d.samples), roles(d), len(d.frames))
			w := tabwriter.NewWriter(&out, 0, 0, 2, ' ', tabwriter.AlignRight)
			fmt.Fprintf(w, "bytes\ta sample\ta frame\t\t\n")
			row := func(name string, size int64) {
				fmt.Fprintf(w, "%d\t%s\t%s\t  %s\t\n", size, per(float64(size), n), per(float64(size), float64(len(d.frames))), name)
			}
			row("ours: samples and whole frames", own)
			row("XOR chunks of the samples", xor)
			row("zstd of the samples as CSV", zstdSize(t, csv(d)))
			row("zstd of the frames as a text log", zstdSize(t, textLog(d)))
			w.Flush()
			fmt.Println(out.String())
			if 2*own > xor {
				t.Errorf("%s: %d bytes, the aim is at most half of %d", d.name, own, xor)
			}
		})
	}
}

func per(size, n float64) string { return strconv.FormatFloat(size/n, 'f', 2, 64) }

func roles(d *drive) int {
	seen := map[stream.Role]bool{}
	for i := range d.samples {
		seen[d.samples[i].Role] = true
	}
	return len(seen)
}
