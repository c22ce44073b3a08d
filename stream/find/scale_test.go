package find

import (
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/bus"
)

func TestPlausible(t *testing.T) {
	for _, c := range []struct {
		x, tolerance, want float64
	}{
		{0.1252, 0.01, 0.125}, {0.1247, 0.01, 0.125}, {0.2498, 0.01, 0.25}, {0.998, 0.01, 1}, {0.0101, 0.02, 0.01},
		{0.0156, 0.01, 1.0 / 64}, {0.00391, 0.01, 1.0 / 256}, {0.137, 0.01, 0}, {3.1, 0.01, 0},
	} {
		got, ok := plausible(c.x, c.tolerance, scalings())
		if ok != (c.want != 0) || ok && got != c.want {
			t.Errorf("%g within %g: %g %v, want %g", c.x, c.tolerance, got, ok, c.want)
		}
	}
	if got, _ := plausible(0.3925, 0.01, percentScalings()); math.Abs(got-100.0/255) > 1e-12 {
		t.Errorf("0.3925 %%: %g, want 100/255", got)
	}
}

// TestFitTo finds scale, offset and lag of a made signal.
func TestFitTo(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	speed := func(at float64) float64 { return 1500 + 700*math.Sin(at/4) + 200*math.Sin(at/1.3) }
	s := &series{run: run{length: 16}, period: 20_000}
	for i := range 6000 {
		at := bus.Micros(i) * 20_000
		s.at = append(s.at, at)
		s.v = append(s.v, math.Round((speed(at.Seconds())+400)/0.25+2*r.NormFloat64()))
	}
	ref := &reference{}
	for i := range 500 {
		at := bus.Micros(i)*200_000 + bus.Micros(r.IntN(30_000))
		ref.at = append(ref.at, at)
		ref.v = append(ref.v, math.Round(4*speed(at.Seconds()-0.1))/4) // what was true 0.1 s before
	}
	f := s.fitTo(ref)
	if f.r2 < 0.999 || f.lag != 100_000 {
		t.Errorf("fit %+v, want a lag of 0.1 s", f)
	}
	scale, offset, rounded := f.round(0.01, 1800, scalings())
	if scale != 0.25 || !rounded || math.Abs(offset+400) > 5 {
		t.Errorf("scale %g offset %g, want 0.25 and -400", scale, offset)
	}
}

// TestOutputScale makes the ratios of published gear sets with scales, and
// wants the scales back. The sets are in the package; those that are not are
// told by direct drive or first gear, as far as they can be.
func TestOutputScale(t *testing.T) {
	for _, set := range [][]float64{{4.06, 2.37, 1.55, 1.16}, {3.52, 2.04, 1.40, 1.00}, {4.70, 3.13, 2.10, 1.67, 1.29, 1.00}} {
		for _, scale := range []float64{0.125, 0.2, 0.25, 0.5, 1} {
			var ratio []float64
			for _, r := range set {
				ratio = append(ratio, r*scale)
			}
			if got, _ := outputScale(ratio, 0.25, true); got != scale {
				t.Errorf("ratios %v with %g rpm a step: proposed %g", set, scale, got)
			}
		}
	}
}

func TestEngineScale(t *testing.T) {
	for _, c := range []struct{ idle, working, want float64 }{
		{2600, 6400, 0.25}, {5200, 13600, 0.125}, {700, 1700, 1}, {1400, 3600, 0.5},
	} {
		if got, note := engineScale(c.idle, c.working, 1); got != c.want || note == "" {
			t.Errorf("idle %g, working %g raw steps: %g, want %g", c.idle, c.working, got, c.want)
		}
	}
}
