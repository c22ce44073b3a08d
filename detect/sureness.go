package detect

import "gonum.org/v1/gonum/mathext"

// UpperBound returns the exact one-sided upper confidence bound on a
// probability of which hits were seen in n independent opportunities (Clopper and
// Pearson 1934): the rate at which so few hits have probability 1-confidence.
// With 0 hits it is 1-(1-confidence)^(1/n), which is close to 3/n at 95 %. It
// is 1 where n is 0 or every chance was a hit.
func UpperBound(hits, n uint64, confidence float64) float64 {
	if n == 0 || hits >= n {
		return 1
	}
	// The bound is the quantile of a beta distribution with hits+1 and
	// n-hits (Johnson, Kotz, Kemp, Univariate Discrete Distributions).
	return mathext.InvRegIncBeta(float64(hits)+1, float64(n-hits), confidence)
}
