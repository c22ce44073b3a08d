package drive

import (
	"bytes"
	"testing"

	"joltwatch/stream"
)

// TestScramble checks that the layout told is the layout sent: what the stream
// decodes by the told definition file is the truth, and nothing overlaps.
func TestScramble(t *testing.T) {
	for seed := uint64(1); seed <= 12; seed++ {
		vehicle := []string{"van", "minibus", "pickup", "hatch"}[seed%4]
		r, err := Scramble(Recipe(vehicle, seed), seed, seed%2 == 0)
		if err != nil {
			t.Fatal(err)
		}
		ids := map[uint32]bool{}
		for _, m := range r.Layout.Messages {
			ids[m.ID] = true
			var o occupied
			for _, s := range m.Signals {
				if !o.free(s.Field) {
					t.Errorf("seed %d: %s.%s overlaps", seed, m.Name, s.Name)
				}
				o.take(s.Field)
			}
		}
		if len(ids) < 65 || len(ids) > 135 {
			t.Errorf("seed %d: %d identifiers", seed, len(ids))
		}
		var s samples
		worst, n := 0.0, 0
		s.each = func(row *stream.Row) {
			k := int((row.At - r.Truth.Start) / TraceStep)
			if k < 100 || k+9 >= len(r.Truth.Trace) || !row.Has(stream.EngineSpeed, stream.TurbineSpeed) {
				return
			}
			// The truth in the 160 ms around, for sampling and latency.
			loE, hiE, loT, hiT := float32(1e9), float32(0), float32(1e9), float32(0)
			for _, x := range r.Truth.Trace[k-8 : k+9] {
				loE, hiE, loT, hiT = min(loE, x.Engine), max(hiE, x.Engine), min(loT, x.Turbine), max(hiT, x.Turbine)
			}
			if loT < 60 {
				return
			}
			n++
			e, u := row.V[stream.EngineSpeed], row.V[stream.TurbineSpeed]
			worst = max(worst, float64(loE)-e, e-float64(hiE), float64(loT)-u, u-float64(hiT))
		}
		decode(t, r, &s)
		if n < 200 || worst > 8 {
			t.Errorf("seed %d: %d rows, off by up to %.1f rpm", seed, n, worst)
		}
		again, err := Scramble(Recipe(vehicle, seed), seed, seed%2 == 0)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(r.Log, again.Log) {
			t.Errorf("seed %d: two runs differ", seed)
		}
	}
}
