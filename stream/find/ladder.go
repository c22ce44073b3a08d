package find

import (
	"math"
	"slices"
	"sort"
)

const (
	leastLadder = 0.55 // share of moving time in one of the gears

	// Steps between neighbouring gears, and the span from first to last, as
	// logarithms: 10 % to a factor of 2.3, and 12. Wider than any gearbox
	// known to us (common practice, no source).
	leastStep, mostStep = 0.095, 0.83
	mostSpan            = 2.5

	// leastMoved is the least spread of the logarithm of output speed within
	// a gear.
	leastMoved = 0.02
)

// ladder is the gears of a pair of speeds, from the lowest, and the share of
// moving time in one of them.
type ladder struct {
	gears []peak
	mass  float64
	in    []int8 // the gear at each instant, -1 for none
}

// ladderOf looks at b as turbine and o as output speed: while moving, a few
// ratios, one about as far from the next as gears are, the higher ones at
// lower speeds, each held for a time. It returns none where they have none.
func ladderOf(o, b *series) ladder {
	if !mayHaveLadder(o, b) {
		return ladder{}
	}
	peaks, n := ratios(o, b, nil)
	if n < o.points(200) {
		return ladder{}
	}
	l := rungs(peaks)
	if len(l.gears) < 2 || l.mass < leastLadder || l.gears[0].share > 0.985 {
		return ladder{}
	}
	sort.Slice(l.gears, func(i, j int) bool { return l.gears[i].log > l.gears[j].log })
	if !l.spaced() {
		return ladder{}
	}
	w := l.walk(o, b)
	if !w.steady() || !w.moved(l) || !w.slowerBelow(l) {
		return ladder{}
	}
	return l
}

// rungs takes neighbours closer than gears can be for one gear, seen through noise.
func rungs(peaks []peak) (l ladder) {
	for _, p := range peaks {
		if len(l.gears) >= 10 {
			break
		}
		if !slices.ContainsFunc(l.gears, func(g peak) bool { return math.Abs(g.log-p.log) < leastStep }) {
			l.gears = append(l.gears, p)
			l.mass += p.share
		}
	}
	return l
}

// spaced says whether first and last gear, and neighbours that are driven in, lie
// no further apart than a gearbox's.
func (l ladder) spaced() bool {
	last := len(l.gears) - 1
	if l.gears[0].log-l.gears[last].log > mostSpan {
		return false
	}
	for k, g := range l.gears[:last] {
		if next := l.gears[k+1]; g.log-next.log > mostStep && min(g.share, next.share) > 0.04 {
			return false
		}
	}
	return true
}

// ladderWalk is what the way through the gears of a recording was like.
type ladderWalk struct {
	count, speed, logs, squares   [14]float64 // in each gear: points, and sums of output speed, its logarithm and that squared
	switches, neighbours, shortly int         // changes of gear; to the next one; after less than eight points
}

func (l *ladder) walk(o, b *series) (w ladderWalk) {
	var of nearby
	of.set(l.gears)
	l.in = make([]int8, len(o.log))
	last, run := -1, 0
	for i, x := range o.log {
		l.in[i] = -1
		if math.IsNaN(b.log[i] - x) {
			continue
		}
		g := of.in(o, b, i)
		if g < 0 {
			continue
		}
		l.in[i] = int8(g)
		w.count[g]++
		w.speed[g] += o.grid[i]
		w.logs[g] += x
		w.squares[g] += x * x
		if last >= 0 && g != last {
			w.switches++
			if g-last == 1 || last-g == 1 {
				w.neighbours++
			}
			if run < o.points(8) {
				w.shortly++
			}
			run = 0
		}
		run++
		last = g
	}
	return w
}

// steady says whether gears were changed, mostly to the next, and held for a time.
func (w *ladderWalk) steady() bool {
	return w.switches > 0 && 2*w.neighbours >= w.switches && 2*w.shortly <= w.switches
}

// moved says whether the speeds moved within the gears: a ratio counts as a gear's
// only as far as they did.
func (w *ladderWalk) moved(l ladder) bool {
	moved := 0.0
	for k, g := range l.gears {
		if w.count[k] > 0 {
			mean := w.logs[k] / w.count[k]
			moved += g.share * math.Sqrt(math.Max(0, w.squares[k]/w.count[k]-mean*mean))
		}
	}
	return moved >= leastMoved*l.mass
}

// slowerBelow says whether the higher ratios are at lower speeds, by pairs of gears
// weighed with their shares; a little time in neutral may look like one gear more.
func (w *ladderWalk) slowerBelow(l ladder) bool {
	right, pairs := 0.0, 0.0
	for k := range l.gears {
		for j := k + 1; j < len(l.gears); j++ {
			weight := l.gears[k].share * l.gears[j].share
			pairs += weight
			if w.count[k] > 0 && w.count[j] > 0 && w.speed[k]/w.count[k] < 0.98*w.speed[j]/w.count[j] {
				right += weight
			}
		}
	}
	return right >= 0.8*pairs
}
