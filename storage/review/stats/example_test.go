package stats_test

import (
	"fmt"

	"joltwatch/storage/review/stats"
)

// Nothing seen in 60 releases is not nothing at all.
func ExampleUpperIfNone() {
	fmt.Printf("at most %.1f %% of releases\n", 100*stats.UpperIfNone(60))
	// Output: at most 4.9 % of releases
}

// Two late ones in 60 releases.
func ExampleProportion() {
	p := stats.Proportion(2, 60)
	fmt.Printf("%.1f %% (%.1f to %.1f %%)\n", 100*p.Estimate, 100*p.Low, 100*p.High)
	// Output: 3.3 % (0.4 to 11.5 %)
}

// Lags before a repair and after it, in seconds.
func ExampleCompare() {
	before := []float64{0.21, 0.22, 0.25, 0.9, 0.23, 0.24, 1.1, 0.26, 0.8, 0.22, 0.27, 0.95}
	after := []float64{0.2, 0.21, 0.19, 0.22, 0.2, 0.21, 0.2, 0.23, 0.18, 0.2, 0.21, 0.22}
	s := stats.Compare(before, after)
	fmt.Printf("%+.2f s, a %s shift\n", s.Difference, s.Size)
	// Output: -0.05 s, a large shift
}
