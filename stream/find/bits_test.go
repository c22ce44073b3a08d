package find

import (
	"math/bits"
	"testing"

	"go.einride.tech/can"

	"joltwatch/cmd/develop/lot"
)

func TestTallyCounts(t *testing.T) {
	r := lot.Draw(t, 1, 1)
	var x tally
	var want [64]int
	for range 3000 {
		w := r.Uint64() & r.Uint64()
		x.add(w)
		for i := range want {
			want[i] += int(w >> i & 1)
		}
	}
	for i := range want {
		if x.count(i) != want[i] {
			t.Fatalf("bit %d: counted %d, want %d", i, x.count(i), want[i])
		}
	}
}

// TestRunMatchesLibrary compares taking out every run of every place with the
// extraction of go.einride.tech/can.
func TestRunMatchesLibrary(t *testing.T) {
	r := lot.Draw(t, 2, 2)
	for range 20 {
		var d can.Data
		for i := range d {
			d[i] = byte(r.Uint32())
		}
		for _, big := range []bool{false, true} {
			for length := 1; length <= 64; length++ {
				for shift := 0; shift+length <= 64; shift++ {
					x := run{shift: shift, length: length, big: big}
					f := x.field()
					if back := runFromField(f); back != x {
						t.Fatalf("%+v becomes %v and comes back as %+v", x, f, back)
					}
					want := d.UnsignedBitsLittleEndian(uint8(f.Start), uint8(length))
					signed := d.SignedBitsLittleEndian(uint8(f.Start), uint8(length))
					if big {
						want = d.UnsignedBitsBigEndian(uint8(f.Start), uint8(length))
						signed = d.SignedBitsBigEndian(uint8(f.Start), uint8(length))
					}
					if got := uint64(x.raw(d[:])); got != want {
						t.Fatalf("%v of %x: %x, the library says %x", f, d, got, want)
					}
					x.signed = true
					if got := x.raw(d[:]); got != signed {
						t.Fatalf("%v of %x: %d, the library says %d", f, d, got, signed)
					}
					if bits.OnesCount64(x.bits()) != length {
						t.Fatalf("%v covers %d bits", f, bits.OnesCount64(x.bits()))
					}
				}
			}
		}
	}
}
