package invented

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/storage/review"
)

// The traces of a stretch must hold the speeds, and slip must be their
// difference.
func TestTraces(t *testing.T) {
	s, err := Week(50, 1)
	if err != nil {
		t.Fatal(err)
	}
	e := s.Worst()[0]
	list, err := s.Traces(e.Boot, e.From, e.To)
	if err != nil {
		t.Fatal(err)
	}
	byName := map[string]*review.Trace{}
	for i := range list {
		byName[list[i].Name] = &list[i]
		t.Log(list[i].Name, len(list[i].T), list[i].Quantum, list[i].Offset, list[i].Derived)
	}
	engine, turbine, slip := byName["engine_speed"], byName["turbine_speed"], byName[review.Slip]
	if engine == nil || turbine == nil || slip == nil {
		t.Fatal("a speed is missing")
	}
	checked := 0
	for i, at := range slip.T {
		a, b := engine.At(at), turbine.At(at)
		if a == a && b == b && slip.V[i] == slip.V[i] {
			checked++
			if d := slip.V[i] - (a - b); d > 2 || d < -2 {
				t.Fatalf("at %d: slip %v, speeds differ by %v", at, slip.V[i], a-b)
			}
		}
	}
	if checked < 500 {
		t.Errorf("only %d instants checked", checked)
	}
	for _, x := range list {
		r := x.Reduced(bus.Second / 10)
		lo, hi := extremes(&x)
		rlo, rhi := extremes(&r)
		if lo != rlo || hi != rhi || len(r.T) > len(x.T) {
			t.Errorf("%s: reduced from %v…%v (%d) to %v…%v (%d)", x.Name, lo, hi, len(x.T), rlo, rhi, len(r.T))
		}
	}
}

func extremes(t *review.Trace) (lo, hi float64) {
	first := true
	for _, v := range t.V {
		if v == v && (first || v < lo) {
			lo = v
		}
		if v == v && (first || v > hi) {
			hi, first = v, false
		}
	}
	return
}
