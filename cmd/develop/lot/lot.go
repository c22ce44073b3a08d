// Package lot is the chance of tests that draw by lot, and the flag -seed by which
// a run is repeated or another one drawn.
package lot

import (
	"flag"
	"math/rand/v2"
	"testing"
)

var seed = flag.Uint64("seed", 0, "seed of the tests that draw by lot")

// Draw draws for one test, from the test's own seed and stream and the flag; a test
// that fails says with which flag.
func Draw(t testing.TB, own, stream uint64) *rand.Rand {
	t.Helper()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("drawn with -seed %d", *seed)
		}
	})
	return rand.New(rand.NewPCG(own+*seed, stream))
}
