package stream_test

import (
	"bufio"
	"compress/gzip"
	"encoding/hex"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// truckFrames reads the recording of a real truck, or skips where it is
// absent. It parses the log by itself, so that this package's tests do not
// lean on another's.
func truckFrames(t testing.TB) []bus.Frame {
	t.Helper()
	dir := os.Getenv("JOLTWATCH_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "shared", "captures")
	}
	f, err := os.Open(filepath.Join(dir, "truck-drive.log.gz"))
	if err != nil {
		t.Skip("the truck recording is not here; set JOLTWATCH_CAPTURES to its folder")
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var frames []bus.Frame
	sc := bufio.NewScanner(z)
	for sc.Scan() {
		w := strings.Fields(sc.Text())
		at, err := strconv.ParseFloat(strings.Trim(w[0], "()"), 64)
		if err != nil {
			t.Fatal(err)
		}
		id, err := strconv.ParseUint(w[2], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		data, err := hex.DecodeString(strings.Join(w[4:], ""))
		if err != nil {
			t.Fatal(err)
		}
		fr := bus.Frame{At: bus.Micros(math.Round(at * 1e6)), ID: uint32(id), Flags: bus.Extended, Len: uint8(len(data))}
		copy(fr.Data[:], data)
		frames = append(frames, fr)
	}
	if err := sc.Err(); err != nil {
		t.Fatal(err)
	}
	return frames
}

// gather keeps what a stream makes.
type gather struct {
	frames  int
	samples []stream.Sample
	rows    []stream.Row
}

func (g *gather) Frame(*bus.Frame)         { g.frames++ }
func (g *gather) Sample(s *stream.Sample) { g.samples = append(g.samples, *s) }
func (g *gather) Row(r *stream.Row)       { g.rows = append(g.rows, *r) }

func truckPlan(t testing.TB) *stream.Plan {
	t.Helper()
	f, err := vehicle.Parse("truck.toml", []byte("label = \"truck\"\n[[bus]]\nname = \"can0\"\nj1939 = true\n"), &struct{}{})
	if err != nil {
		t.Fatal(err)
	}
	return f.Plan
}

func TestTruckLook(t *testing.T) {
	frames := truckFrames(t)
	s, err := stream.New(truckPlan(t))
	if err != nil {
		t.Fatal(err)
	}
	g := &gather{}
	for i := range frames {
		s.Push(&frames[i], g)
	}
	s.Flush(g)
	t.Logf("%d frames %d mapped %d samples %d rows %+v", len(frames), g.frames, len(g.samples), len(g.rows), s.Stats())
	for _, c := range s.Cover() {
		t.Logf("%v %+v", c.Role, c)
	}
	for i, r := range g.rows {
		if i%60 == 0 || i < 5 {
			t.Logf("%.3f known %x e %.1f t %.1f o %.1f v %.1f g %v l %v sh %v acc %v temp %.1f brk %v V %.2f prev %d next %d", r.At.Seconds(), r.Known, r.V[0], r.V[1], r.V[2], r.V[3], r.V[10], r.V[7], r.V[11], r.V[12], r.V[15], r.V[14], r.V[19], r.At-r.Prev[1], r.Next[1]-r.At)
		}
	}
}
