package storage

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"joltwatch/bus"
	"joltwatch/cmd/develop/expense"
	"joltwatch/detect"

	"github.com/klauspost/compress/zstd"
)

// What a reader may take for any megabyte of input.
const (
	mostMemory = 64 << 20
	mostTime   = 2 * time.Second
	mostInput  = 1 << 20
)

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
	"history": func(m *medium) { readHistory(m) },        //nolint:errcheck // as above
	"missing": func(m *medium) { missingFS("store", m) }, //nolint:errcheck // as above
}

// tooCostly reports whether do, which took so much, takes more than a reader may.
func tooCostly(do func(), peak uint64, cpu time.Duration) bool {
	return peak > mostMemory || expense.TooLong(do, cpu, mostTime)
}

func sizeOf(m *medium) (size int64) {
	for name, f := range m.files {
		if _, _, _, ok := parseName(name); ok {
			size += int64(len(f.data))
		}
	}
	return size
}

func bounded(t *testing.T, what string, m *medium) {
	t.Helper()
	size := sizeOf(m)
	for use, do := range uses {
		peak, cpu := expense.By(20, func() { do(m) })
		t.Logf("%s, %s: %d bytes take %.1f MiB and %.2f s", what, use, size, float64(peak)/(1<<20), cpu.Seconds())
		if tooCostly(func() { do(m) }, peak, cpu) {
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
		many = appendRec(many, blockEvent, formCompact, compact(nil, &n))
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
			read := func() { do(m.with(name, data)) }
			peak, cpu := expense.By(20, read)
			if tooCostly(read, peak, cpu) {
				t.Fatalf("%s: %d bytes take %d bytes and %v", use, len(data), peak, cpu)
			}
		}
	})
}

// idling is the account of a drive after so many half minutes at a stand, as a
// vehicle with all roles mapped writes it.
func idling(drive, n int) *detect.Account {
	a := &detect.Account{
		Drive: drive, Start: 5e6, End: 5e6 + bus.Micros(n)*30e6 + bus.Micros(n*7919%997), EngineOnS: float64(n)*30 + float64(n%7)/100, Stops: 1,
		MovingS: 12.25, ClosedS: 3.5, CoastS: 1.25, OpenS: 7.5, Frames: uint64(n)*63127 + uint64(n*31%17),
	}
	for i := range 24 {
		a.Bands = append(a.Bands, detect.Band{Of: "speed_kmh", Label: fmt.Sprint(i), From: float64(i), To: float64(i + 1), Closed: 1.5, Open: 2})
		a.Opportunities = append(a.Opportunities, detect.Opportunity{Kind: fmt.Sprint("kind-", i), Seen: 3, Observable: 2, Hits: 1})
		a.Roles = append(a.Roles, detect.RoleCover{Role: fmt.Sprint("role-", i), FreshS: a.EngineOnS, Samples: uint64(n*(i+1)) * 3000, PeriodS: 0.01})
	}
	return a
}

// accounts is a journal as the program writes it, of the accounts that make gives
// until it has so many bytes.
func accounts(t testing.TB, most int, one func(n int) any) (journal []byte, count int) {
	pack, err := newPacker()
	if err != nil {
		t.Fatal(err)
	}
	h := header{version: Version, kind: journalFile, run: 1, part: 1}
	g := groups{pack: pack, out: h.append(nil), at: chainFrom(h)}
	for ; len(g.out) < most && count < 1<<19; count++ {
		if err := g.record(blockAccount, one(count)); err != nil {
			t.Fatal(err)
		}
	}
	g.close()
	return g.out, count
}

// A vehicle that idles for days is read whole, and at a low cost.
func TestIdlingIsRead(t *testing.T) {
	if testing.Short() {
		t.Skip("writes a megabyte of accounts")
	}
	journal, count := accounts(t, mostInput/4, func(n int) any { return idling(1, n) })
	m := sample(t).with(fileName(journalFile, 1, 1), journal)
	s, err := readFS("store", m)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range s.Health().Damage {
		t.Errorf("%v", d)
	}
	want := idling(1, count-1)
	if got := s.Accounts(); len(got) == 0 || got[0].End != want.End || got[0].Roles[3].Samples != want.Roles[3].Samples {
		t.Errorf("the last of %d accounts is not there", count)
	}
	spent := newBudget(sizeOf(m)).bytes - s.unpacker.bytes
	t.Logf("%d accounts in %d bytes take %d of what they may", count, len(journal), spent)
	if spent > 12*int64(len(journal)) { // of 16
		t.Errorf("%d accounts in %d bytes take %d of what they may", count, len(journal), spent)
	}
	bounded(t, "an idling vehicle", m)
}

// Accounts that were made to be costly.
func TestCostlyAccounts(t *testing.T) {
	if testing.Short() {
		t.Skip("reads megabytes with the collector at work")
	}
	beside := func(data []byte) *medium { return sample(t).with(fileName(journalFile, 1, 1), data) }
	first, err := json.Marshal(idling(1, 1))
	if err != nil {
		t.Fatal(err)
	}
	n, err := parseNode(first)
	if err != nil {
		t.Fatal(err)
	}
	begin := appendRec(nil, blockAccount, formCompact, compact(nil, &n))
	a := newBase(n, first)
	for range maxRecords - 1 {
		begin = appendRec(begin, blockAccount, formAgainst, append(a.check(), tagSame))
	}
	bounded(t, "accounts each equal to the one before, by the thousand", beside(fileOf(journalFile, blockGroup, codedZstd, zipped(t, begin), mostInput)))
	same := appendRec(nil, blockAccount, formCompact, compact(nil, &n))
	differ := appendRec(nil, blockAccount, formCompact, compact(nil, &n))
	last := newBase(n, first)
	for i := range maxRecords - 1 {
		next := last.node
		next.items = slices.Clone(next.items)
		next.items[2].text = fmt.Sprint(i) // its end
		on, way := goOn(last.check(), &next, last.way())
		differ = appendRec(differ, blockAccount, formOnward, on)
		last = last.onward(on[checkSize:], way)
	}
	bounded(t, "accounts each hardly other than the one before", beside(fileOf(journalFile, blockGroup, codedZstd, zipped(t, differ), mostInput)))
	single := fileOf(journalFile, blockGroup, codedRaw, same, headerSize+blockHead+len(same))
	number := uint16(1)
	for len(single) < mostInput {
		single = appendBlock(single, blockGroup, codedRaw, number, appendRec(nil, blockAccount, formAgainst, append(a.check(), tagSame)))
		number++
	}
	bounded(t, "accounts each equal to the one before, one a block", beside(single))
	for name, text := range map[string][]byte{
		"accounts of one drive, each whole":     first,
		"accounts of small numbers, each whole": []byte(`{"drive":1,"bands":[1` + strings.Repeat(",2", 3000) + `]}`),
	} {
		n, err := parseNode(text)
		if err != nil {
			t.Fatal(err)
		}
		group := bytes.Repeat(appendRec(nil, blockAccount, formCompact, compact(nil, &n)), 100)
		bounded(t, name, beside(fileOf(journalFile, blockGroup, codedZstd, zipped(t, group), mostInput)))
	}
	for name, one := range map[string]func(n int) any{
		"accounts of drives in turn": func(n int) any { return idling(1+n%2, n) },
		"accounts of as many drives": func(n int) any { return idling(n, 1) },
		"accounts of nothing":        func(n int) any { return map[string]int{"drive": n} },
	} {
		journal, count := accounts(t, mostInput/8, one)
		journal = append(journal, make([]byte, mostInput-len(journal))...) // as much may be unfolded
		bounded(t, fmt.Sprintf("%d %s", count, name), beside(journal))
	}
}
