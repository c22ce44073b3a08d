package find

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"joltwatch/bus"
)

// made is traffic of one identifier, written payload by payload.
func made(n int, period bus.Micros, size int, f func(i int, p []byte)) *traffic {
	s := NewSurvey(Options{})
	for i := range n {
		x := bus.Frame{At: bus.Micros(i) * period, ID: 0x123, Len: uint8(size)}
		f(i, x.Data[:size])
		s.Add(&x)
	}
	return s.ids[0]
}

func set(p []byte, r run, v uint64) {
	var q [8]byte
	copy(q[:], p)
	w := binary.LittleEndian.Uint64(q[:])
	if r.big {
		w = binary.BigEndian.Uint64(q[:])
	}
	w = w&^(r.mask()<<r.shift) | (v&r.mask())<<r.shift
	if r.big {
		binary.BigEndian.PutUint64(q[:], w)
	} else {
		binary.LittleEndian.PutUint64(q[:], w)
	}
	copy(p, q[:])
}

func TestCounters(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for _, c := range []struct {
		name   string
		r      run
		period uint64
		found  bool
	}{
		{"four bits", run{shift: 20, length: 4}, 16, true},
		{"eight bits", run{shift: 56, length: 8}, 256, true},
		{"across bytes, little-endian", run{shift: 14, length: 4}, 16, true},
		{"across bytes, big-endian", run{shift: 30, length: 4, big: true}, 16, true},
		{"two bits", run{shift: 6, length: 2}, 4, true},
		{"a value at random is none", run{shift: 20, length: 4}, 0, false},
	} {
		x := made(2000, 10_000, 8, func(i int, p []byte) {
			set(p, run{shift: 40, length: 8}, r.Uint64()>>5&uint64(i)>>3)
			v := uint64(i) % max(1, c.period)
			if c.period == 0 {
				v = r.Uint64()
			}
			set(p, c.r, v)
		})
		runs, taken := x.words[0].counters(0)
		found := false
		for _, y := range runs {
			if y.bits() == c.r.bits() {
				found = true
			}
		}
		if found != c.found || found && taken&c.r.bits() != c.r.bits() {
			t.Errorf("%s: found %v in %v", c.name, found, runs)
		}
	}
}

// TestCRCCheckValues compares the tables with the check values over the digits
// 1 to 9 of the published catalogues of CRC algorithms (the "check"
// column, copied by hand: no registry that the tests reach carries it; start and
// final value as given there).
func TestCRCCheckValues(t *testing.T) {
	for _, c := range []struct {
		name       string
		poly       byte
		reflected  bool
		start, end byte
		want       byte
	}{
		{"SAE J1850", 0x1D, false, 0xFF, 0xFF, 0x4B},
		{"AUTOSAR", 0x2F, false, 0xFF, 0xFF, 0xDF},
		{"SMBus", 0x07, false, 0x00, 0x00, 0xF4},
		{"1-Wire", 0x31, true, 0x00, 0x00, 0xA1},
		{"WCDMA", 0x9B, true, 0x00, 0x00, 0x25},
		{"DVB-S2", 0xD5, false, 0x00, 0x00, 0xBC},
		{"DARC", 0x39, true, 0x00, 0x00, 0x15},
	} {
		table := crcTable(c.poly)
		if c.reflected {
			table = crcTableReflected(c.poly)
		}
		x := c.start
		for _, b := range []byte("123456789") {
			x = table[x^b]
		}
		if x ^= c.end; x != c.want {
			t.Errorf("CRC-8 %s of 123456789: %02X, want %02X", c.name, x, c.want)
		}
	}
}

func TestChecksums(t *testing.T) {
	for _, c := range []struct {
		name string
		at   run
		sum  func(id uint32, p []byte, counter byte) byte
		want string
	}{
		{"exclusive or with the identifier", run{shift: 56, length: 8}, func(id uint32, p []byte, _ byte) (c byte) {
			c = byte(id) ^ byte(id>>8)
			for _, b := range p {
				c ^= b
			}
			return c
		}, "exclusive or"},
		{"sum in the first byte", run{shift: 0, length: 8}, func(_ uint32, p []byte, _ byte) byte { return sum(p) + 0x37 }, "sum"},
		{"J1850 over the other bytes", run{shift: 24, length: 8}, func(_ uint32, p []byte, _ byte) byte {
			tab := crcTable(0x1D)
			c := byte(0xFF)
			for i, b := range p {
				if i != 3 {
					c = tab[c^b]
				}
			}
			return ^c
		}, "CRC-8 0x1D (SAE J1850)"},
		{"AUTOSAR with a data identifier by counter", run{shift: 0, length: 8}, func(_ uint32, p []byte, counter byte) byte {
			tab := crcTable(0x2F)
			c := byte(0xFF)
			for _, b := range p[1:] {
				c = tab[c^b]
			}
			return ^tab[c^(counter*37+11)]
		}, "CRC-8 0x2F (AUTOSAR) with a byte behind of the bytes, one constant for each count"},
		{"noise is none", run{shift: 56, length: 8}, nil, ""},
	} {
		r := rand.New(rand.NewPCG(4, 4))
		x := made(3000, 10_000, 8, func(i int, p []byte) {
			set(p, run{shift: 8, length: 4}, uint64(i))
			set(p, run{shift: 32, length: 16}, uint64(20000+15000*math.Sin(float64(i)/90)))
			set(p, run{shift: 48, length: 6}, r.Uint64()&uint64(i)>>4)
			v := byte(r.Uint32())
			if c.sum != nil {
				set(p, c.at, 0)
				v = c.sum(0x123, p, byte(i)&15)
			}
			set(p, c.at, uint64(v))
		})
		counters, _ := x.words[0].counters(0)
		var counter *run
		if len(counters) > 0 {
			counter = &counters[0]
		}
		got, taken := x.checksums(rules(), counter)
		switch {
		case c.want == "":
			if len(got) != 0 {
				t.Errorf("%s: found %v", c.name, got)
			}
		case len(got) != 1 || len(got[0].Kind) < len(c.want) || got[0].Kind[:len(c.want)] != c.want || got[0].Field != c.at.field() || taken != c.at.bits():
			t.Errorf("%s: found %v, want %s at %v", c.name, got, c.want, c.at.field())
		}
	}
}

func TestMux(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	walk := [4]float64{100, 2000, 900, 50}
	x := made(4000, 20_000, 8, func(i int, p []byte) {
		k := i % 4
		walk[k] += r.NormFloat64() * 3
		set(p, run{shift: 0, length: 4}, uint64(k))
		set(p, run{shift: 16, length: 12}, uint64(math.Abs(walk[k])))
		set(p, run{shift: 40, length: 12}, uint64(2000+1500*math.Sin(float64(i)/200))) // for all
	})
	m := x.mux(0)
	if m == nil || len(m.Values) != 4 || m.run.bits()&3 != 3 {
		t.Fatalf("no switch found: %+v", m)
	}
	if m.bits&(0xff<<16) == 0 || m.bits>>48 != 0 {
		t.Errorf("switched bits %x: want those of the second field, not of the third", m.bits)
	}
	if s := x.sub(m, 1); s.frames != 1000 {
		t.Errorf("%d frames with value 1, want 1000", s.frames)
	}
	plain := made(4000, 20_000, 8, func(i int, p []byte) {
		set(p, run{shift: 0, length: 4}, uint64(i)) // a counter switches nothing
		set(p, run{shift: 16, length: 12}, uint64(2000+1500*math.Sin(float64(i)/200)))
	})
	if m := plain.mux(0); m != nil {
		t.Errorf("a counter is taken for a switch: %+v", m)
	}
}

func TestFields(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	for _, c := range []struct {
		name string
		r    run
		low  float64 // of the values
		high float64
		want Field
	}{
		{"16 bits, little-endian", run{shift: 16, length: 16}, 0, 60000, Field{Start: 16, Length: 16}},
		{"16 bits, big-endian", run{shift: 32, length: 16, big: true}, 0, 60000, Field{Start: 23, Length: 16, BigEndian: true}},
		{"14 bits off the bytes, big-endian", run{shift: 30, length: 14, big: true}, 0, 16000, Field{Start: 19, Length: 14, BigEndian: true}},
		{"12 bits, signed", run{shift: 20, length: 12, signed: true}, -1900, 1900, Field{Start: 20, Length: 12, Signed: true}},
	} {
		x := made(6000, 10_000, 8, func(i int, p []byte) {
			set(p, run{shift: 0, length: 1}, uint64(i/700)&1)
			mid, half := (c.low+c.high)/2, (c.high-c.low)/2
			v := mid + half*math.Sin(float64(i)/400) + r.NormFloat64()
			v = math.Max(c.low, math.Min(c.high, v))
			set(p, c.r, uint64(int64(math.Round(v))))
			set(p, run{shift: 56, length: 8}, uint64(i/40))
		})
		id := x.identify(rules())
		if !slices.Contains(id.Fields, c.want) {
			t.Errorf("%s: fields %v, want %v among them", c.name, id.Fields, c.want)
		}
	}
}

func TestIntervals(t *testing.T) {
	var v intervals
	r := rand.New(rand.NewPCG(7, 7))
	for range 10000 {
		v.add(bus.Micros(20_000 + r.IntN(801) - 400))
	}
	if p := v.median(); p < 19_990 || p > 20_010 {
		t.Errorf("median interval %d µs, want about 20000", p)
	}
}

// TestMemoryBound keeps no more than it may, in whole stretches.
func TestMemoryBound(t *testing.T) {
	s := NewSurvey(Options{Records: 5000, Identifiers: 3})
	for i := range 200_000 {
		x := bus.Frame{At: bus.Micros(i) * 5000, ID: uint32(i % 5), Len: 8}
		x.Data[0] = byte(i)
		s.Add(&x)
	}
	kept := 0
	for _, t := range s.ids {
		kept += t.rec.len()
	}
	if kept > 5000 || kept < 1500 || len(s.ids) != 3 {
		t.Errorf("kept %d frames of %d identifiers", kept, len(s.ids))
	}
	if s.Frames != 200_000 || s.Unfollowed != 80_000 {
		t.Errorf("%d frames, %d of identifiers not followed", s.Frames, s.Unfollowed)
	}
	for _, x := range s.ids {
		for i := 1; i < x.rec.len(); i++ {
			gap := x.rec.at[i] - x.rec.at[i-1]
			if gap != 25_000 && gap < block-50_000 {
				t.Fatalf("a gap of %d µs: neither the period nor a stretch", gap)
			}
		}
	}
}
