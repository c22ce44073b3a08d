package bus

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/klauspost/compress/zstd"
)

// readAll reads everything in batches of size.
func readAll(t testing.TB, l *TextLog, size int) []Frame {
	t.Helper()
	all, err := readSome(l, size)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func readSome(l *TextLog, size int) ([]Frame, error) {
	var all []Frame
	batch := make([]Frame, size)
	for {
		n, err := l.Read(batch)
		all = append(all, batch[:n]...)
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return all, err
		}
	}
}

func data(at Micros, id uint32, flags Flags, b ...byte) Frame {
	f := Frame{At: at, ID: id, Flags: flags, Len: uint8(len(b))}
	copy(f.Data[:], b)
	return f
}

func TestLineForms(t *testing.T) {
	up64 := make([]byte, 64)
	for i := range up64 {
		up64[i] = byte(i)
	}
	errFrame := data(1500000, 0x4, 0, 0, 4, 0, 0, 0, 0, 0, 0)
	errFrame.Kind = Error
	remote := Frame{At: 1500000, ID: 0x123, Kind: Remote}
	remote4 := Frame{At: 1500000, ID: 0x18FEF100, Kind: Remote, Flags: Extended, Len: 4}
	tests := []struct {
		line string
		want Frame
	}{
		{"(1.500000) can0 123#", data(1500000, 0x123, 0)},
		{"(1.5) can0 123#DEADBEEF", data(1500000, 0x123, 0, 0xDE, 0xAD, 0xBE, 0xEF)},
		{"(1.5) can0 123#deadbeef R", data(1500000, 0x123, 0, 0xDE, 0xAD, 0xBE, 0xEF)},
		{"(0000000001.500000) can0 00000123#01 T", data(1500000, 0x123, Extended, 1)},
		{"(1.5) can0 98FEF100#01", data(1500000, 0x18FEF100, Extended, 1)},
		{"(1.5) can0 18FEF100#0102030405060708", data(1500000, 0x18FEF100, Extended, 1, 2, 3, 4, 5, 6, 7, 8)},
		{"(1.5) can0 123#0102030405060708_E", data(1500000, 0x123, 0, 1, 2, 3, 4, 5, 6, 7, 8)},
		{"(1.5) can0 123##0", data(1500000, 0x123, FD)},
		{"(1.5) can0 123##101", data(1500000, 0x123, FD|BRS, 1)},
		{"(1.5) can0 123##3000102030405060708090A0B", data(1500000, 0x123, FD|BRS|ESI, up64[:12]...)},
		{"(1.5) can0 18FEF100##7" + fmt.Sprintf("%X", up64), data(1500000, 0x18FEF100, Extended|FD|BRS|ESI, up64...)},
		{"(1.5) can0 123#R", remote},
		{"(1.5) can0 18FEF100#R4", remote4},
		{"(1.5) can0 20000004#0004000000000000", errFrame},
		{" (1.5)  can0  123   [3]  01 02 0a", data(1500000, 0x123, 0, 1, 2, 10)},
		{" (1.5)  can0  18FEF100   [8]  01 02 03 04 05 06 07 08", data(1500000, 0x18FEF100, Extended, 1, 2, 3, 4, 5, 6, 7, 8)},
		{" (1.5)  can0  18FEF100   [8]  01 02 03 04 05 06 07 08   '........'", data(1500000, 0x18FEF100, Extended, 1, 2, 3, 4, 5, 6, 7, 8)},
		{" (1.5)  can0  RX - -  123   [2]  01 02", data(1500000, 0x123, 0, 1, 2)},
		{" (1.5)  can0  TX B E  123  [02]  01 02", data(1500000, 0x123, FD|BRS|ESI, 1, 2)},
		{" (1.5)  can0  123  [12]  00 01 02 03 04 05 06 07 08 09 0A 0B", data(1500000, 0x123, FD, up64[:12]...)},
		{" (1.5)  can0  123   [0] ", data(1500000, 0x123, 0)},
		{" (1.5)  can0  123   [0]  remote request", remote},
		{" (1.5)  can0  18FEF100   [4]  remote request", remote4},
		{" (1.5)  can0  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME", errFrame},
		{"(1.5)\tcan0\t123\t[1]\tFF\r", data(1500000, 0x123, 0, 0xFF)},
		{"(1.4999996) can0 123#", data(1500000, 0x123, 0)},
		{"(1.50000049) can0 123#", data(1500000, 0x123, 0)},
		{"(-1.5) can0 123#", data(-1500000, 0x123, 0)},
		{"(1700000000.123456) can0 7FF#01", data(1700000000123456, 0x7FF, 0, 1)},
	}
	for _, tt := range tests {
		var f Frame
		iface, reason := parseLogLine([]byte(strings.TrimSuffix(tt.line, "\r")), &f)
		if reason != "" || string(iface) != "can0" || f != tt.want {
			t.Errorf("%q\n got %+v %q %q\nwant %+v", tt.line, f, iface, reason, tt.want)
		}
	}
}

func TestMalformedLines(t *testing.T) {
	for _, line := range []string{
		"garbage",
		"1.5 can0 123#01",
		"(1.5 can0 123#01",
		"(x) can0 123#01",
		"(1.5e3) can0 123#01",
		"(12345678901234567890) can0 123#01",
		"(1.5)",
		"(1.5) can0",
		"(1.5) can0 #01",
		"(1.5) can0 12#01",
		"(1.5) can0 8FF#01",
		"(1.5) can0 1234#01",
		"(1.5) can0 123456789#01",
		"(1.5) can0 40000123#01",
		"(1.5) can0 123",
		"(1.5) can0 123#0",
		"(1.5) can0 123#0X",
		"(1.5) can0 123#010203040506070809",
		"(1.5) can0 123#01 02",
		"(1.5) can0 123#R9",
		"(1.5) can0 123#R12",
		"(1.5) can0 123##",
		"(1.5) can0 123##0010203040506070809", // nine bytes
		"(1.5) can0 123 [2] 01",
		"(1.5) can0 123 [2] 01 02 03",
		"(1.5) can0 123 [2] 0102",
		"(1.5) can0 123 [2] 01 2",
		"(1.5) can0 123 [9] 01 02 03 04 05 06 07 08 09",
		"(1.5) can0 123 [10] 01 02 03 04 05 06 07 08 09 0A",
		"(1.5) can0 123 [] 01",
		"(1.5) can0 123 [2 01 02",
		"(1.5) can0 123 01 02",
	} {
		var f Frame
		if _, reason := parseLogLine([]byte(line), &f); reason == "" {
			t.Errorf("%q passed as %+v", line, f)
		}
	}
}

const smallLog = `(1700000000.000000) can0 101#01
this is no frame
nor this
(1700000000.010000) can1 18FEF100#0102030405060708

(1700000000.020000) can7 102#02
(1700000000.030000) can0 103 [1] 03
trailing nonsense
`

func TestLogInterfacesNoticesAndReports(t *testing.T) {
	for _, size := range []int{1, 2, 3, 100} {
		var reports []string
		l, err := NewTextLog(iotest.OneByteReader(strings.NewReader(smallLog)), "small", LogOptions{
			Interfaces: []string{"can1", "can0"},
			Report:     func(line int, reason string) { reports = append(reports, fmt.Sprint(line)) },
		})
		if err != nil {
			t.Fatal(err)
		}
		const base = 1700000000 * Second
		at := func(f Frame, at Micros, bus uint8) Frame { f.At, f.Bus = at, bus; return f }
		want := []Frame{
			at(data(0, 0x101, 0, 1), base, 1),
			NewNotice(base, 0, NoticeBadInput, 2),
			at(data(0, 0x18FEF100, Extended, 1, 2, 3, 4, 5, 6, 7, 8), base+10000, 0),
			at(data(0, 0x103, 0, 3), base+30000, 1),
			NewNotice(base+30000, 0, NoticeBadInput, 1),
		}
		got := readAll(t, l, size)
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("batch of %d:\n got %v\nwant %v", size, got, want)
		}
		if s := fmt.Sprint(reports); s != "[2 3 8]" {
			t.Errorf("reported lines %s, want [2 3 8]", s)
		}
		if c := l.Clock(); !c.Known || c.Zero != 0 {
			t.Errorf("clock %+v, want the epoch", c)
		}
		if s := l.Stats(); s != (Stats{Frames: 3, BadLines: 3}) {
			t.Errorf("stats %+v", s)
		}
		if n, names := l.Foreign(); n != 1 || fmt.Sprint(names) != "[can7]" {
			t.Errorf("foreign %d %v", n, names)
		}
	}
}

func TestLogWithoutListNumbersInterfaces(t *testing.T) {
	l, _ := NewTextLog(strings.NewReader(smallLog), "small", LogOptions{})
	readAll(t, l, 10)
	if got := fmt.Sprint(l.Interfaces()); got != "[can0 can1 can7]" {
		t.Error(got)
	}
}

func TestLogWithoutEpochCountsFromItsFirstFrame(t *testing.T) {
	l, _ := NewTextLog(strings.NewReader("(1000.25) can0 101#01\n(1000.75) can0 101#02"), "small", LogOptions{})
	got := readAll(t, l, 10)
	if len(got) != 2 || got[0].At != 0 || got[1].At != 500000 {
		t.Errorf("got %v", got)
	}
	if l.Clock().Known {
		t.Error("the clock passes for known")
	}
}

func TestCompressedLogs(t *testing.T) {
	var gz, zs bytes.Buffer
	w := gzip.NewWriter(&gz)
	io.WriteString(w, smallLog)
	w.Close()
	e, _ := zstd.NewWriter(&zs)
	io.WriteString(e, smallLog)
	e.Close()
	l, _ := NewTextLog(strings.NewReader(smallLog), "plain", LogOptions{})
	want := fmt.Sprint(readAll(t, l, 10))
	for name, b := range map[string][]byte{"gzip": gz.Bytes(), "zstd": zs.Bytes()} {
		path := filepath.Join(t.TempDir(), "log")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := OpenLog(path, LogOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprint(readAll(t, l, 10)); got != want {
			t.Errorf("%s:\n got %s\nwant %s", name, got, want)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A recording whose end is missing gives what it has and says that it ends
// early.
func TestBrokenOffLog(t *testing.T) {
	var text, gz bytes.Buffer
	for i := range 20000 {
		f := data(Micros(i)*1000, uint32(i)%0x700, 0, byte(i), byte(i*7), byte(i*i))
		text.Write(AppendLogLine(nil, &f, "can0"))
	}
	w := gzip.NewWriter(&gz)
	w.Write(text.Bytes())
	w.Close()
	for _, size := range []int{1, 7, 512} {
		l, _ := NewTextLog(bytes.NewReader(gz.Bytes()[:gz.Len()/2]), "broken", LogOptions{})
		got := readAll(t, l, size)
		if len(got) < 5000 {
			t.Fatalf("only %d frames of half the file", len(got))
		}
		if last := got[len(got)-1]; last.Kind != Notice || NoticeCode(last.ID) != NoticeDown {
			t.Errorf("the last frame is %+v, want a NoticeDown", last)
		}
		if l.Stats().BadLines == 0 {
			t.Error("nothing counted")
		}
	}
}

func TestNoLog(t *testing.T) {
	tests := []struct{ name, text, want string }{
		{"empty", "", "empty, so not a log"},
		{"blank", "\n\n \n", "empty, so not a log"},
		{"prose", "one\ntwo\nthree\n", "none of its first 3 lines is a frame"},
		{"long prose", strings.Repeat("some text\n", 5000), "none of its first 200 lines is a frame"},
		{"bytes", strings.Repeat("\x00\x01\x02", 400000), "none of its first 1 lines is a frame"},
		{"broken gzip", "\x1f\x8b\x08\x00nonsense", "cannot be read as a log"},
		{"broken zstd", "\x28\xb5\x2f\xfdnonsense", "cannot be read as a log"},
	}
	for _, tt := range tests {
		l, _ := NewTextLog(strings.NewReader(tt.text), "some/file", LogOptions{})
		got, err := readSome(l, 16)
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "some/file: ") || len(got) > 0 {
			t.Errorf("%s: %d frames, error %v, want ... %s", tt.name, len(got), err, tt.want)
		}
	}
	if _, err := OpenLog(filepath.Join(t.TempDir(), "absent"), LogOptions{}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("absent file: %v", err)
	}
	if _, err := OpenLog(t.TempDir(), LogOptions{}); err == nil || !strings.Contains(err.Error(), "directory") {
		t.Errorf("directory: %v", err)
	}
}

// A line longer than the buffer is one malformed line and hides nothing after
// it.
func TestOverlongLine(t *testing.T) {
	text := "(1) can0 101#01\n" + strings.Repeat("x", 700000) + "\n(2) can0 101#02\n"
	var lines []int
	l, _ := NewTextLog(strings.NewReader(text), "long", LogOptions{Report: func(n int, _ string) { lines = append(lines, n) }})
	got := readAll(t, l, 10)
	if len(got) != 3 || got[1].Count() != 1 || got[2].Data[0] != 2 || fmt.Sprint(lines) != "[2]" {
		t.Errorf("got %v, lines %v", got, lines)
	}
}

// A live pipe must hand over what it has instead of waiting for a full batch.
func TestLogReadReturnsBetweenBatches(t *testing.T) {
	r, w := io.Pipe()
	l, _ := NewTextLog(r, "pipe", LogOptions{})
	go io.WriteString(w, "(1) can0 101#01\n(2) can0 101#02\n(3) can")
	batch := make([]Frame, 100)
	n, err := l.Read(batch)
	if n != 2 || err != nil {
		t.Fatalf("%d %v", n, err)
	}
	go func() {
		io.WriteString(w, "0 101#03\n")
		w.Close()
	}()
	if n, err = l.Read(batch); n != 1 || batch[0].At != 2*Second || err != nil {
		t.Fatalf("%d %v %+v", n, err, batch[0])
	}
	if n, err = l.Read(batch); n != 0 || err != io.EOF {
		t.Fatalf("%d %v", n, err)
	}
}

// The recording of a real truck: 19,957 frames of 90 identifiers in 30 s, as
// its description says.
func TestTruckLog(t *testing.T) {
	l, err := OpenLog(truckLog(t), LogOptions{Interfaces: []string{"can0"}})
	if err != nil {
		t.Fatal(err)
	}
	got := readAll(t, l, 512)
	ids := map[uint32]bool{}
	for i := range got {
		ids[got[i].ID] = true
		if got[i].Flags != Extended || got[i].Kind != Data {
			t.Fatalf("frame %d: %+v", i, got[i])
		}
	}
	if len(got) != 19957 || len(ids) != 90 || l.Clock().Known {
		t.Errorf("%d frames, %d identifiers", len(got), len(ids))
	}
	if end := got[len(got)-1].At.Seconds(); end < 29 || end > 31 {
		t.Errorf("ends at %v s", end)
	}
}

// truckLog finds the recording or skips.
func truckLog(t testing.TB) string {
	t.Helper()
	dir := os.Getenv("JOLTWATCH_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "shared", "captures")
	}
	path := filepath.Join(dir, "truck-drive.log.gz")
	if _, err := os.Stat(path); err != nil {
		t.Skip("the truck recording is not here; set JOLTWATCH_CAPTURES to its folder")
	}
	return path
}

func FuzzTextLog(f *testing.F) {
	f.Add([]byte(smallLog), uint8(3))
	f.Add([]byte("(1.5) can0 123##3000102030405060708090A0B\n(1.5)  can0  RX B E  123  [02]  01 02\n"), uint8(1))
	f.Add([]byte("(1.5) can0 20000004#0004000000000000\n (1)  can0  18FEF100   [4]  remote request"), uint8(1))
	f.Fuzz(func(t *testing.T, text []byte, size uint8) {
		l, _ := NewTextLog(bytes.NewReader(text), "fuzz", LogOptions{})
		got, err := readSome(l, int(size)+1)
		whole, _ := NewTextLog(bytes.NewReader(text), "fuzz", LogOptions{})
		want, wantErr := readSome(whole, 1000)
		if fmt.Sprint(got, err) != fmt.Sprint(want, wantErr) {
			t.Fatalf("batches of %d and 1000 differ:\n%v %v\n%v %v", size, got, err, want, wantErr)
		}
		// What was read can be written and read again.
		for i := range got {
			if got[i].Kind > Error {
				continue
			}
			line := AppendLogLine(nil, &got[i], "can0")
			var back Frame
			if _, reason := parseLogLine(line[:len(line)-1], &back); reason != "" {
				t.Fatalf("%s: %s", line, reason)
			}
			back.Bus = got[i].Bus
			if back != got[i] {
				t.Fatalf("%s\n got %+v\nwant %+v", line, back, got[i])
			}
		}
	})
}

func BenchmarkTextLog(b *testing.B) {
	forms := map[string]string{
		"compact": "(1700000000.123456) can0 18FEF100#0102030405060708\n",
		"spaced":  " (1700000000.123456)  can0  18FEF100   [8]  01 02 03 04 05 06 07 08\n",
	}
	for name, line := range forms {
		b.Run(name, func(b *testing.B) {
			text := strings.Repeat(line, 1<<14)
			batch := make([]Frame, 512)
			l, _ := NewTextLog(&loop{text: text}, "bench", LogOptions{})
			if _, err := l.Read(batch); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			b.SetBytes(int64(len(line)))
			b.ResetTimer()
			for done := 0; done < b.N; {
				n, err := l.Read(batch)
				if err != nil {
					b.Fatal(err)
				}
				done += n
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "frames/s")
		})
	}
}

// loop is a log without end.
type loop struct {
	text string
	at   int
}

func (l *loop) Read(p []byte) (int, error) {
	n := copy(p, l.text[l.at:])
	l.at = (l.at + n) % len(l.text)
	return n, nil
}

func BenchmarkAppendLogLine(b *testing.B) {
	f := data(1700000000*Second, 0x18FEF100, Extended, 1, 2, 3, 4, 5, 6, 7, 8)
	var dst []byte
	b.ReportAllocs()
	for b.Loop() {
		dst = AppendLogLine(dst[:0], &f, "can0")
	}
}

// Through a pipe, two buses of 1 Mbit/s that are saturated with full frames (at
// 111 bits each, 9009 frames/s; see frameBits) for a minute of traffic, as fast
// as the reader takes it: nothing is lost, and memory does not grow with it.
func TestLogPipeLoad(t *testing.T) {
	const rate, seconds = 2 * 1_000_000 / 111, 60
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		defer w.Close()
		var text []byte
		for i := range rate * seconds {
			f := data(Micros(i)*Second/rate, uint32(i/2)&0x7FF, 0, byte(i), byte(i>>8), byte(i>>16), 4, 5, 6, 7, 8)
			text = AppendLogLine(text, &f, [...]string{"can0", "can1"}[i&1])
			if len(text) > 32<<10 {
				if _, err := w.Write(text); err != nil {
					t.Error(err)
					return
				}
				text = text[:0]
			}
		}
		if _, err := w.Write(text); err != nil {
			t.Error(err)
		}
	}()
	l, _ := NewTextLog(r, "pipe", LogOptions{Interfaces: []string{"can0", "can1"}})
	batch := make([]Frame, 512)
	next := 0
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for {
		n, err := l.Read(batch)
		for i := range batch[:n] {
			f := &batch[i]
			if seen := int(f.Data[0]) | int(f.Data[1])<<8 | int(f.Data[2])<<16; seen != next || int(f.Bus) != next&1 {
				t.Fatalf("frame %d where %d was due", seen, next)
			}
			next++
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	runtime.ReadMemStats(&after)
	if next != rate*seconds {
		t.Errorf("%d frames of %d", next, rate*seconds)
	}
	if grown := int64(after.TotalAlloc) - int64(before.TotalAlloc); grown > 4<<20 {
		t.Errorf("%d bytes allocated while reading", grown)
	}
}
