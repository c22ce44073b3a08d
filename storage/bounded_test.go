package storage

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"runtime"
	"runtime/debug"
	"sync"
	"syscall"
	"testing"
	"time"

	"joltwatch/bus"

	"github.com/klauspost/compress/zstd"
)

// What a reader may take for any megabyte of input.
const (
	mostMemory = 64 << 20
	mostTime   = 2 * time.Second
	mostInput  = 1 << 20
)

// cost is the memory that do has in use at most, as far as looking once a
// millisecond tells, and its processor time.
func cost(do func()) (peak uint64, cpu time.Duration) {
	defer debug.SetGCPercent(debug.SetGCPercent(20))
	runtime.GC()
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before := heap()
	var wait sync.WaitGroup
	stop := make(chan bool)
	wait.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Millisecond):
				peak = max(peak, heap())
			}
		}
	})
	began := processor()
	do()
	cpu = processor() - began
	close(stop)
	wait.Wait()
	return max(peak, before) - before, cpu
}

func processor() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// uses are what a bench or a shop does with a stay.
var uses = map[string]func(*medium){
	"evidence": func(m *medium) {
		s, err := readFS("store", m)
		if err != nil {
			return
		}
		for _, b := range s.Boots() {
			if _, err := s.Evidence(b.Number, -1<<62, 1<<62); err != nil {
				return
			}
		}
	},
	"verify": func(m *medium) { verifyFS("store", m) }, //nolint:errcheck // only what it costs counts
	"replay": func(m *medium) {
		s, err := readFS("store", m)
		if err != nil {
			return
		}
		r := &Replay{store: s, boots: s.boots, boot: -1}
		batch := make([]bus.Frame, 64)
		for err == nil {
			_, err = r.Read(batch)
		}
	},
	"history": func(m *medium) { readHistory(m) }, //nolint:errcheck // as above
}

func bounded(t *testing.T, what string, m *medium) {
	t.Helper()
	size := 0
	for _, f := range m.files {
		size += len(f.data)
	}
	for use, do := range uses {
		peak, cpu := cost(func() { do(m) })
		t.Logf("%s, %s: %d bytes take %.1f MiB and %.2f s", what, use, size, float64(peak)/(1<<20), cpu.Seconds())
		if peak > mostMemory || cpu > mostTime {
			t.Errorf("%s, %s: %d bytes take %.1f MiB and %.2f s, at most %d MiB and %v", what, use, size, float64(peak)/(1<<20), cpu.Seconds(), mostMemory>>20, mostTime)
		}
	}
}

// file is a file of one kind with blocks until it is as large as may be.
func fileOf(kind fileKind, typ blockType, coding uint8, payload []byte, most int) []byte {
	b := header{version: Version, kind: kind, run: 1, part: 1}.append(nil)
	for n := uint16(0); len(b)+blockHead+len(payload) <= most; n++ {
		b = appendBlock(b, typ, coding, n, payload)
	}
	return b
}

func zipped(t testing.TB, b []byte) []byte {
	e, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	return e.EncodeAll(b, nil)
}

// constantSpan is a span of so many frames of one shape, with fields that never
// change: a few bytes each.
func constantSpan(t testing.TB, frames, fields int) []byte {
	var d []byte
	for _, v := range []int{1, 0, int(bus.Data), int(bus.FD), 64, 5, frames, 0, fields} {
		d = binary.AppendUvarint(d, uint64(v))
	}
	for range fields {
		d = append(d, 0, 64, 0) // from bit 0, 64 long
	}
	for range 64 {
		d = append(d, 0, 0)
	}
	d = append(d, 0) // no exceptions
	column := func(instants bool) {
		d = append(d, formDelta)
		if instants {
			d = append(d, 0)
		}
		d = append(d, 0, 0, 0, symbolsConstant, 1)
	}
	column(true)
	blob := []byte{1}
	for range fields {
		column(false)
		blob = append(blob, 1)
	}
	out := make([]byte, spanHead)
	binary.LittleEndian.PutUint32(out[8:], uint32(frames))
	z := zipped(t, d)
	out = append(binary.AppendUvarint(out, uint64(len(z))), z...)
	return append(out, blob...)
}

// Files that were made to be costly cost no more than their size allows.
func TestCostlyFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("reads megabytes with the collector at work")
	}
	u, err := newUnpacker(1 << 40)
	if err != nil {
		t.Fatal(err)
	}
	name := func(kind fileKind) string { return fileName(kind, 1, 1) }
	beside := func(kind fileKind, data []byte) *medium { return sample(t).with(name(kind), data) }
	zeros := zipped(t, make([]byte, maxUnpacked))
	bounded(t, "a million frames of 512 constant fields", beside(evidenceFile, fileOf(evidenceFile, blockSpan, codedRaw, constantSpan(t, 1<<20, 512), 2000)))
	for _, fields := range []int{0} {
		span := constantSpan(t, maxSpanFrames, fields)
		if _, frames, err := decodeSpan(u, span); err != nil || len(frames) != maxSpanFrames {
			t.Fatalf("the span is none: %v", err)
		}
		bounded(t, "spans of constant fields", beside(evidenceFile, fileOf(evidenceFile, blockSpan, codedRaw, span, mostInput)))
	}
	bounded(t, "groups of zeros", beside(journalFile, fileOf(journalFile, blockGroup, codedZstd, zeros, mostInput)))
	bounded(t, "settings of zeros", beside(journalFile, fileOf(journalFile, blockSettings, codedZstd, zeros, mostInput)))
	bounded(t, "empty blocks", beside(journalFile, fileOf(journalFile, blockEnd, codedRaw, nil, mostInput)))

	marks := header{version: Version, kind: journalFile, run: 1, part: 1}.append(nil)
	for len(marks) < mostInput {
		marks = append(marks, blockMark[:]...)
		marks = append(marks, byte(blockGroup), 0, 0, 0)
		marks = binary.LittleEndian.AppendUint32(marks, mostInput/2)
		marks = append(marks, 1, 2, 3, 4)
	}
	bounded(t, "false marks", beside(journalFile, marks))

	var many []byte
	for i := range 1 << 17 {
		n, err := parseNode(fmt.Appendf(nil, `{"n":%d,"start_us":1,"end_us":1,"evidence":"kept","finding":{"kind":"mark"}}`, i))
		if err != nil {
			t.Fatal(err)
		}
		many = appendRec(many, blockEvent, formCompact, compact(nil, &n, nil))
	}
	bounded(t, "events of nothing", beside(journalFile, fileOf(journalFile, blockGroup, codedZstd, zipped(t, many), mostInput)))
}

func FuzzCost(f *testing.F) {
	m := sample(f)
	for name := range m.files {
		f.Add(name, m.files[name].data)
	}
	f.Add(fileName(evidenceFile, 1, 1), fileOf(evidenceFile, blockSpan, codedRaw, constantSpan(f, 1<<14, 3), 4000))
	f.Add(fileName(journalFile, 1, 1), bytes.Repeat(blockMark[:], 1000))
	f.Fuzz(func(t *testing.T, name string, data []byte) {
		if _, _, _, ok := parseName(name); !ok && name != headName {
			name = fileName(journalFile, 1, 1)
		}
		if len(data) > mostInput {
			t.Skip()
		}
		for use, do := range uses {
			peak, cpu := cost(func() { do(m.with(name, data)) })
			if peak > mostMemory || cpu > mostTime {
				t.Fatalf("%s: %d bytes take %d bytes and %v", use, len(data), peak, cpu)
			}
		}
	})
}
