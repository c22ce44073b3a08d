package conditions

import (
	"math"
	"sort"

	"joltwatch/storage/review/stats"
)

// Tries is how many stops, each late with the probability p, are needed to see it
// at least once in 95 of 100 such series: the least n with (1-p)^n <= 0.05. It is
// 0 where there is no such number below mostTries.
func Tries(p float64) int {
	if p >= 1 {
		return 1
	}
	if !(p > 0) {
		return 0
	}
	n := math.Ceil(math.Log(0.05)/math.Log1p(-p) - 1e-9)
	if n > mostTries {
		return 0
	}
	return int(n)
}

// mostTries is more than anyone makes.
const mostTries = 5000

// Mended is how many stops under the same conditions without one late are needed
// after a repair to say that it has become rarer: the least n at which Fisher's
// exact test tells 0 of n from the counts before at 5 %, so that it is not said on
// the strength of a rate that was itself only guessed. It is 0 where no number
// tells.
func Mended(late, of int) int {
	if late == 0 {
		return 0
	}
	n := sort.Search(mostTries, func(n int) bool {
		return stats.Fisher(uint64(late), uint64(of), 0, uint64(n)) < 0.05
	})
	if n == mostTries {
		return 0
	}
	return n
}
