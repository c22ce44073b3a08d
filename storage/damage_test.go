package storage

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
)

// sample is a small store with a file of every kind.
func sample(t testing.TB) *medium {
	t.Helper()
	m := newMedium()
	frames := 0
	if err := runScenario(m, "a", func() bool { frames++; return frames == 40 }, newTold()); err != nil {
		t.Fatal(err)
	}
	m.locked = false
	if err := setStayClock(m, "b", bus.Clock{Known: true, Zero: 2e15}); err != nil {
		t.Fatal(err)
	}
	return m
}

func (m *medium) with(name string, data []byte) *medium {
	out := newMedium()
	for n, f := range m.files {
		out.files[n] = &mfile{data: f.data, synced: len(f.data)}
	}
	out.files[name] = &mfile{data: data, synced: len(data)}
	return out
}

// spoil looks at a store of which the bytes [from, to) of one file have been
// spoiled: every block outside of them is still read and the damage is named.
// Where deep, the store is also read, and for every eighth byte verified and
// repaired.
func spoil(t *testing.T, what string, m *medium, name string, data []byte, from, to int, deep bool) {
	t.Helper()
	whole, err := parseFile(name, m.files[name].data)
	if err != nil || len(whole.damage) > 0 {
		t.Fatal(err, whole.damage)
	}
	p, err := parseFile(name, data)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	at := 0
	for _, b := range whole.blocks {
		end := b.offset + blockHead + int64(len(b.payload))
		if end > int64(from) && b.offset < int64(to) {
			continue
		}
		i := slices.IndexFunc(p.blocks[at:], func(o block) bool { return o.offset == b.offset })
		if i < 0 || !bytes.Equal(p.blocks[at+i].payload, b.payload) || p.blocks[at+i].typ != b.typ {
			t.Fatalf("%s: the sound block at offset %d is not read", what, b.offset)
		}
		at += i
	}
	if from < len(data) {
		named := false
		for _, d := range p.damage {
			named = named || d.File == name && d.Offset <= int64(from) && int64(from) < d.Offset+d.Length
		}
		if !named {
			t.Fatalf("%s: the damage at offset %d is not named: %v", what, from, p.damage)
		}
	}
	if !deep {
		return
	}
	spoiled := m.with(name, data)
	s, err := readFS("store", spoiled)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	for _, b := range s.Boots() {
		if _, err := s.Evidence(b.Number, 0, 100*bus.Second); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	if from%8 > 0 {
		return
	}
	v, err := verifyFS("store", spoiled)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if from < len(data) && v.State == Intact {
		t.Fatalf("%s: said to be intact", what)
	}
	w, repair, err := Open("store", Options{Plan: faultPlan(), Boot: "next", FS: spoiled, RingBytes: 4096})
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if err := w.Close(); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	_ = repair.String()
}

func TestTruncatedAtEveryByte(t *testing.T) {
	m := sample(t)
	for name := range m.files {
		if name == headName {
			continue // see TestHead
		}
		whole := m.files[name].data
		for n := range whole {
			spoil(t, fmt.Sprintf("%s truncated to %d bytes", name, n), m, name, slices.Clone(whole[:n]), n, len(whole), true)
		}
	}
}

func TestEveryBitFlipped(t *testing.T) {
	m := sample(t)
	for name := range m.files {
		if name == headName {
			continue // see TestHead
		}
		whole := m.files[name].data
		for i := range len(whole) * 8 {
			data := slices.Clone(whole)
			data[i/8] ^= 1 << (i % 8)
			// Every bit is looked for in the file; for one bit of each byte
			// the whole store is read as well.
			spoil(t, fmt.Sprintf("%s with bit %d of byte %d flipped", name, i%8, i/8), m, name, data, i/8, i/8+1, i%8 == i/8%8)
		}
	}
}

// A file from a later version is refused by name, whatever else is in it.
func TestNewerVersionIsRefused(t *testing.T) {
	m := sample(t)
	for name := range m.files {
		if name == headName {
			continue
		}
		h, err := parseHeader(m.files[name].data)
		if err != nil {
			t.Fatal(err)
		}
		h.version = Version + 1
		newer := m.with(name, append(h.append(nil), "whatever"...))
		_, err = readFS("store", newer)
		if h.kind != evidenceFile {
			if e, ok := err.(*NewerError); !ok || e.File != name || e.Version != Version+1 {
				t.Errorf("%s: read with %v", name, err)
			}
		}
		if _, err = verifyFS("store", newer); err == nil {
			t.Errorf("%s: verified", name)
		}
	}
}

func TestRingGivesBackWhatWasPut(t *testing.T) {
	r := newRing(8 * 300)
	random := lot.Draw(t, 3, 3)
	var all []bus.Frame
	for i := range 3000 {
		f := bus.Frame{At: bus.Micros(i * 100), ID: random.Uint32() & 0x1fffffff, Bus: uint8(random.IntN(3)), Flags: bus.Flags(random.IntN(16))}
		switch random.IntN(6) {
		case 0:
			f.Kind, f.Len = bus.Remote, uint8(random.IntN(9))
		case 1:
			f.Len = uint8(random.IntN(65))
		case 2:
			f = bus.NewNotice(f.At, f.Bus, bus.NoticeMark, int64(random.Uint64()))
		case 3:
			f = bus.NewReading(f.At, f.Bus, 7, random.Float64())
			f.Early = random.Uint32()
		default:
			f.Len = 8
		}
		for j := range carried(f.Kind, f.Len) {
			if f.Kind == bus.Data {
				f.Data[j] = byte(random.Uint32())
			}
		}
		all = append(all, f)
		r.push(&f)
		got := r.frames(nil, r.first, r.end)
		if !reflect.DeepEqual(got, all[r.first:]) {
			t.Fatalf("after %d frames the ring holds something else", i+1)
		}
		if i > 100 && r.end-r.first < 20 {
			t.Fatalf("only %d frames in 300 words", r.end-r.first)
		}
	}
}

// Spans of arbitrary frames come back as they were.
func TestSpanRoundTrip(t *testing.T) {
	pack, err := newPacker()
	if err != nil {
		t.Fatal(err)
	}
	u, err := newUnpacker(1 << 40)
	if err != nil {
		t.Fatal(err)
	}
	random := lot.Draw(t, 5, 5)
	c := newSpanCoder(faultPlan(), pack)
	for round := range 100 {
		var frames []bus.Frame
		ids := 1 + random.IntN(8)
		for range 1 + random.IntN(400) {
			f := bus.Frame{At: bus.Micros(len(frames)*1000 + random.IntN(3000)), ID: 0x11d + uint32(random.IntN(ids)), Len: uint8(8 - 3*random.IntN(2))}
			switch random.IntN(20) {
			case 0:
				f.At = bus.Micros(random.Uint64()) // an instant from nowhere
			case 1:
				f = bus.NewNotice(f.At, 1, bus.NoticeDropped, random.Int64())
			case 2:
				f.Early = random.Uint32()
			case 3:
				f.Kind, f.Flags = bus.Remote, bus.Extended
			case 4:
				f.Flags, f.Len = bus.FD|bus.BRS, 64
			}
			for j := range carried(f.Kind, f.Len) {
				if f.Kind == bus.Data && random.IntN(3) > 0 {
					f.Data[j] = byte(random.Uint32()) >> random.IntN(8)
				}
			}
			frames = append(frames, f)
		}
		if round%4 == 0 { // in order, several at one instant
			for i := range frames {
				frames[i].At = bus.Micros(i / 3 * 1000)
			}
		}
		payload := c.encode(uint64(round), frames)
		info, got, err := decodeSpan(u, payload)
		if err != nil || info.first != uint64(round) || !reflect.DeepEqual(got, frames) {
			t.Fatalf("round %d: %d frames became %d, %v", round, len(frames), len(got), err)
		}
	}
}

func FuzzReadFile(f *testing.F) {
	m := sample(f)
	for name := range m.files {
		f.Add(name, m.files[name].data)
	}
	f.Fuzz(func(t *testing.T, name string, data []byte) {
		if _, _, _, ok := parseName(name); !ok {
			name = fileName(evidenceFile, 1, 1)
		}
		m := newMedium()
		m.files[name] = &mfile{data: data, synced: len(data)}
		s, err := readFS("store", m)
		if err != nil {
			return
		}
		s.Evidence(1, -1<<62, 1<<62)
		verifyFS("store", m)
		r := &Replay{store: s, boots: s.boots, boot: -1}
		for range 1000 {
			if _, err := r.Read(make([]bus.Frame, 64)); err != nil {
				break
			}
		}
		if w, _, err := Open("store", Options{Plan: faultPlan(), FS: m, RingBytes: 4096}); err == nil {
			w.Close()
		}
	})
}

func FuzzSpan(f *testing.F) {
	pack, err := newPacker()
	if err != nil {
		f.Fatal(err)
	}
	var frames []bus.Frame
	for i := range 100 {
		frames = append(frames, faultFrame(i))
	}
	f.Add(newSpanCoder(faultPlan(), pack).encode(7, frames))
	u, err := newUnpacker(1 << 40)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		info, frames, err := decodeSpan(u, payload)
		if err == nil && len(frames) != int(info.frames) {
			t.Fatalf("%d frames, expected %d", len(frames), info.frames)
		}
	})
}
