package find

import (
	"bufio"
	"os"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
)

// traffic returns the frames of a scrambled two-minute drive.
func scrambledFrames(tb testing.TB, seed uint64, answers bool) *drive.Result {
	tb.Helper()
	sc := drive.Recipe("van", seed)
	sc.NoLog, sc.NoTrace = true, true
	r, err := drive.Scramble(sc, seed, answers)
	if err != nil {
		tb.Fatal(err)
	}
	return r
}

// fullBus is an hour of a 500 kbit/s bus with nothing between the frames:
// 4000 frames a second of eight bytes with stuffing, from a drive repeated and
// sped up. It calls f with each.
func fullBus(frames []bus.Frame, f func(*bus.Frame)) (n int) {
	span := frames[len(frames)-1].At - frames[0].At + 1000
	speed := float64(len(frames)) / span.Seconds() / 4000
	for lap := bus.Micros(0); ; lap++ {
		for i := range frames {
			x := frames[i]
			if x.Kind != bus.Data {
				continue
			}
			x.At = bus.Micros(float64(x.At-frames[0].At+lap*span) * speed)
			if x.At > 3600*bus.Second {
				return n
			}
			f(&x)
			n++
		}
	}
}

// BenchmarkHour surveys and analyses an hour of a full bus from memory.
func BenchmarkHour(b *testing.B) {
	r := scrambledFrames(b, 3, true)
	for b.Loop() {
		s := NewSurvey(Options{})
		n := fullBus(r.Frames, s.Add)
		b.ReportMetric(float64(n), "frames")
		s.Analyse(nil)
	}
}

// BenchmarkSurvey is the cost of one frame on the way in.
func BenchmarkSurvey(b *testing.B) {
	r := scrambledFrames(b, 3, true)
	s := NewSurvey(Options{})
	i, lap := 0, bus.Micros(0)
	span := r.Frames[len(r.Frames)-1].At - r.Frames[0].At + 1000
	b.ReportAllocs()
	for b.Loop() {
		f := r.Frames[i]
		f.At += lap * span
		s.Add(&f)
		if i++; i == len(r.Frames) {
			i = 0
			lap++
		}
	}
}

// TestWriteHour writes the hour as a log for measuring the program, where
// JOLTBENCH_HOUR names the file.
func TestWriteHour(t *testing.T) {
	path := os.Getenv("JOLTBENCH_HOUR")
	if path == "" {
		t.Skip("JOLTBENCH_HOUR names no file to write")
	}
	r := scrambledFrames(t, 3, true)
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriterSize(f, 1<<20)
	var line []byte
	fullBus(r.Frames, func(x *bus.Frame) {
		line = drive.AppendLog(line[:0], []bus.Frame{*x}, r.Layout.Buses)
		w.Write(line)
	})
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}
