package find

import (
	"encoding/binary"
	"math/bits"
)

// Checksum is a field that follows from the other bytes of its frame.
type Checksum struct {
	Field Field  `json:"field"`
	Kind  string `json:"kind"`
}

// crcPolynomials are the eight-bit polynomials of open standards; the tests hold each
// against its published check value:
// SAE J1850, AUTOSAR (CRC8H2F), SMBus / ITU-T I.432, 1-Wire, WCDMA, DVB-S2,
// DARC.
var crcPolynomials = []struct {
	poly byte
	name string
}{
	{0x1D, "CRC-8 0x1D (SAE J1850)"},
	{0x2F, "CRC-8 0x2F (AUTOSAR)"},
	{0x07, "CRC-8 0x07 (SMBus)"},
	{0x31, "CRC-8 0x31 (1-Wire)"},
	{0x9B, "CRC-8 0x9B (WCDMA)"},
	{0xD5, "CRC-8 0xD5 (DVB-S2)"},
	{0x39, "CRC-8 0x39 (DARC)"},
}

// rule is one way to form a checksum. Start values, final inversions, and
// identifiers or secret bytes mixed in are the same for all frames of one
// length (a CRC is linear), so they are not searched: whatever constant remains
// is accepted. A byte mixed in behind the payload, as AUTOSAR does with data
// identifiers, takes one step more.
type rule struct {
	name string
	sum  func(p []byte) byte
	// add is true where the constant is added, not exclusive-ored; negative
	// where the sum is subtracted.
	add, negative bool
}

func rules() []rule {
	rs := []rule{
		{"exclusive or", func(p []byte) (c byte) {
			for _, b := range p {
				c ^= b
			}
			return c
		}, false, false},
		{"sum", sum, true, false},
		{"complement of the sum", sum, true, true},
		{"sum of half bytes", nibbles, true, false},
		{"complement of the sum of half bytes", nibbles, true, true},
	}
	for _, c := range crcPolynomials {
		for _, x := range []struct {
			name  string
			table [256]byte
		}{{c.name, crcTable(c.poly)}, {c.name + ", reflected", crcTableReflected(c.poly)}} {
			table := x.table
			rs = append(rs, rule{x.name, func(p []byte) (c byte) {
				for _, b := range p {
					c = table[c^b]
				}
				return c
			}, false, false}, rule{x.name + " with a byte behind", func(p []byte) (c byte) {
				for _, b := range p {
					c = table[c^b]
				}
				return table[c]
			}, false, false})
		}
	}
	return rs
}

func sum(p []byte) (c byte) {
	for _, b := range p {
		c += b
	}
	return c
}

func nibbles(p []byte) (c byte) {
	for _, b := range p {
		c += b>>4 + b&15
	}
	return c
}

func crcTable(poly byte) (t [256]byte) {
	for i := range t {
		c := byte(i)
		for range 8 {
			if c&0x80 != 0 {
				c = c<<1 ^ poly
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return t
}

func crcTableReflected(poly byte) (t [256]byte) {
	p := bits.Reverse8(poly)
	for i := range t {
		c := byte(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ p
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}

// checksums looks for checksums in the first eight bytes of an identifier of
// constant length. At most maxTried different payloads are tried.
func (t *traffic) checksums(rs []rule, counter *run) (found []Checksum, taken uint64) {
	const enough, maxTried = 16, 256
	n := t.maxLen
	if t.minLen != n || n < 2 || n > 8 {
		return nil, 0
	}
	x := checksumSearch{rules: rs, counter: counter, n: n, s: t.words[0], sample: t.distinct(maxTried)}
	if len(x.sample) < enough {
		return nil, 0
	}
	for _, length := range []int{8, 4} {
		for shift := 8*n - length; shift >= 0; shift-- {
			r := run{shift: shift, length: length}
			if length == 4 && shift%4 != 0 {
				continue
			}
			x.try(r)
			if r.oneByte() {
				continue
			}
			// Across bytes the big-endian reading is another run.
			top := shift + length - 1
			r = run{shift: 64 - 8*(top/8+1) + shift%8, length: length, big: true}
			if r.shift >= 0 {
				x.try(r)
			}
		}
	}
	if x.most == 0 {
		return nil, 0
	}
	return []Checksum{{x.best.field(), x.kind}}, x.best.bits()
}

// checksumSearch is one identifier's search. Where all bytes together are to give
// one constant, every one of them follows from the others: the checksum is the one
// whose calmest bit changes most, and of those about as restless the last or first
// byte.
type checksumSearch struct {
	rules   []rule
	counter *run
	n       int // length of the payloads
	s       *flips
	sample  [][]byte

	best run
	most float64 // its rank; 0 where none was found
	kind string
}

func (x *checksumSearch) try(r run) {
	b := r.bits()
	if b&x.s.active() != b || x.counter != nil && b&x.counter.bits() != 0 {
		return
	}
	rank := x.rank(r)
	if rank <= x.most || x.best.length > r.length || !varied(x.sample, r) {
		return
	}
	for i := range x.rules {
		for _, without := range []bool{false, true} {
			if without && (r.length != 8 || !r.oneByte()) {
				continue
			}
			if k := x.rules[i].holds(x.sample, x.n, r, without, x.counter); k != "" {
				x.best, x.most, x.kind = r, rank, x.rules[i].name+k
				return
			}
		}
	}
}

func (x *checksumSearch) rank(r run) float64 {
	b, calm := r.bits(), x.s.n+1
	for k := range x.s.flip.total {
		if b>>k&1 != 0 {
			calm = min(calm, x.s.flip.count(k))
		}
	}
	switch r.shift {
	case 8*x.n - r.length:
		return float64(calm) * 1.3
	case 0:
		return float64(calm) * 1.2
	}
	return float64(calm)
}

// varied says whether the run has enough values, and the bits beside it vary: a
// field that repeats another would pass for its sum.
func varied(sample [][]byte, r run) bool {
	need := 6
	if r.length == 4 {
		need = 5
	}
	var values uint32 // distinct values seen, roughly
	var others uint64 // payload bits beside the run that vary
	first := binary.LittleEndian.Uint64(sample[0])
	for _, p := range sample {
		values |= 1 << (r.raw(p) & 31)
		others |= first ^ binary.LittleEndian.Uint64(p)
	}
	return bits.OnesCount32(values) >= need && bits.OnesCount64(others&^r.bits()) >= 10
}

// active are the payload bits that have changed at all.
func (s *flips) active() uint64 { return s.everSet & s.everClear }

// distinct returns different payloads, in order of time.
func (t *traffic) distinct(most int) [][]byte {
	var out [][]byte
	seen := map[string]bool{}
	n := t.rec.len()
	step := max(1, n/(4*most))
	for i := 0; i < n && len(out) < most; i += step {
		p := t.rec.payload(i)
		if !seen[string(p)] {
			seen[string(p)] = true
			out = append(out, p)
		}
	}
	return out
}

// holds says whether the rule explains the run in all payloads, with one
// constant, or (AUTOSAR's lists of data identifiers) one for each value of the
// counter. It returns "" where not, else what to add to the rule's name.
func (x *rule) holds(sample [][]byte, n int, r run, without bool, counter *run) string {
	one, each := true, counter != nil && counter.length <= 4
	var constant byte
	var of [16]int16 // the constant of each value of the counter, less 1
	counts := 0
	var buf [8]byte
	for i, p := range sample {
		k := x.constant(byte(r.raw(p)), x.sum(beside(&buf, p, n, r, without)), byte(r.mask()))
		if i == 0 {
			constant = k
		}
		one = one && k == constant
		if each {
			v := counter.raw(p) & 15
			if of[v] == 0 {
				of[v] = int16(k) + 1
				counts++
			}
			each = of[v] == int16(k)+1
		}
		if !one && !each {
			return ""
		}
	}
	switch {
	case one:
		return suffix(without)
	case len(sample) >= 4*counts && r.length == 8:
		return suffix(without) + ", one constant for each count"
	}
	return ""
}

// beside is the payload of n bytes with the run at 0, or, where it is a byte,
// without it.
func beside(buf *[8]byte, p []byte, n int, r run, without bool) []byte {
	binary.LittleEndian.PutUint64(buf[:], binary.LittleEndian.Uint64(p)&^r.bits())
	if !without {
		return buf[:n]
	}
	at := r.shift / 8
	copy(buf[at:], buf[at+1:n])
	return buf[:n-1]
}

// constant is what has to be mixed with the sum to give what was seen.
func (x *rule) constant(seen, sum, mask byte) byte {
	switch {
	case x.add && x.negative:
		return (seen + sum) & mask
	case x.add:
		return (seen - sum) & mask
	}
	return (seen ^ sum) & mask
}

func suffix(without bool) string {
	if without {
		return " of the other bytes"
	}
	return " of the bytes"
}
