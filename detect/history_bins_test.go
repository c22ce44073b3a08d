package detect

import (
	"math"
	"testing"
)

// A bin's middle is within the sketch's accuracy of what was put in, whatever
// the size of int. (On 64 bits the library's own value is the reference.)
func TestBinsHaveTheSameValueOnEveryMachine(t *testing.T) {
	m := sketchMapping()
	for v := 0.001; v < 10000; v *= 1.37 {
		i := m.Index(v)
		got := binValue(i)
		if math.Abs(got-v) > 0.015*v {
			t.Errorf("%g is in bin %d of value %g", v, i, got)
		}
		if math.MaxInt > math.MaxInt32 && math.Abs(got-m.Value(i)) > 1e-12*got {
			t.Errorf("bin %d: %g, the library says %g", i, got, m.Value(i))
		}
	}
	h := newHistory()
	k := historyKey{Measure: "lag_s"}
	for _, v := range []float64{0.1, 0.2, 0.3, 0.4, 1.7} {
		h.add(k, v)
	}
	if p := h.percentile(k, 0.35); len(p) != 1 || p[0].Share != 0.6 {
		t.Errorf("0.35 among 0.1 to 1.7: %+v", p)
	}
	if mid, n := h.median(k); math.Abs(mid-0.3) > 0.004 || n != 5 {
		t.Errorf("median %g of %g", mid, n)
	}
}
