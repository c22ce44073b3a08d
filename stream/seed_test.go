package stream_test

import (
	"flag"
	"math/rand/v2"
	"testing"
)

var seed = flag.Uint64("seed", 0, "seed of the tests that draw by lot")

// lot draws for one test; a test that fails says with which seed.
func lot(t testing.TB, own, stream uint64) *rand.Rand {
	t.Helper()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("drawn with -seed %d", *seed)
		}
	})
	return rand.New(rand.NewPCG(own+*seed, stream))
}
