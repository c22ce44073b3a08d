package conditions

import (
	"fmt"
	"strings"

	"joltwatch/detect"
	"joltwatch/storage/review/stats"
)

// Matched is a repair judged by the releases under the conditions that late ones
// depended on before it.
type Matched struct {
	Recipe detect.Recipe
	// Before is counted by bounds found without the releases counted.
	Before, After Rate
	P             float64
	// Needed is how many of them without a late one would show that it is
	// rarer; 0 where no number would.
	Needed int
}

// Match is nil where no condition can be named before.
func Match(before *Answer, after *Sample) *Matched {
	r := before.Recipe()
	if r == nil {
		return nil
	}
	m := &Matched{Recipe: r, Before: before.Within, Needed: Mended(before.Within.Late, before.Within.Of)}
	list := within(after.Releases, r...)
	k, n := uint64(late(list)), uint64(len(list))
	m.After = Rate{late(list), len(list), stats.Proportion(k, n)}
	m.P = stats.Fisher(uint64(m.Before.Late), uint64(m.Before.Of), k, n)
	return m
}

// Says judges the repair in one sentence.
func (m *Matched) Says(q Quantity) string {
	var list []string
	for _, b := range m.Recipe {
		list = append(list, Text(b, q))
	}
	counts := fmt.Sprintf("under the conditions that it depended on before (%s), %d of %d releases late before, %d of %d after",
		strings.Join(list, "; "), m.Before.Late, m.Before.Of, m.After.Late, m.After.Of)
	switch {
	case m.After.Of == 0:
		return "Cannot be told: " + counts + ". None was made under them after" + m.more() + "."
	case m.P < 0.05 && m.After.Estimate < m.Before.Estimate:
		return "Better: " + counts + "."
	case m.P < 0.05:
		return "Worse: " + counts + "."
	case m.After.Late == 0:
		return "Too few to tell: " + counts + m.more() + "."
	}
	return "No difference to be seen: " + counts + "."
}

func (m *Matched) more() string {
	if m.Needed == 0 {
		return "; with so few late before, no number of them would show that it is mended"
	}
	return fmt.Sprintf("; %d of them without a late one are needed to say that it is mended (95 in 100)", m.Needed)
}
