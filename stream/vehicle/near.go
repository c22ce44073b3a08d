package vehicle

import (
	"fmt"
	"strings"
)

// near suggests the name most like the one that was not found, or nothing
// where none is much like it.
func near(name string, names []string) string {
	best, bestD := "", len([]rune(name))/3+2
	low := strings.ToLower(name)
	for _, n := range names {
		d := distance(low, strings.ToLower(n))
		if d < bestD {
			best, bestD = n, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %s?)", best)
}

// distance is the least number of insertions, deletions, substitutions and
// swaps of neighbours that turn a into b (Damerau's distance, restricted).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	before := make([]int, len(y)+1)
	last := make([]int, len(y)+1)
	row := make([]int, len(y)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(y)]
}
