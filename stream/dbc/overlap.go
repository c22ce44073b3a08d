package dbc

import (
	"maps"
	"math"
	"slices"
	"sort"
)

// overlaps reports the first signal that each signal shares a bit with, unless
// the multiplexer keeps the two apart.
func (f *File) overlaps(m *Message) {
	o := newOverlay(m)
	if o.tooMany {
		f.problem(m.Pos, false, "message %s has signals behind more than %d multiplexer switches: which lie over each other was not looked at", m.Name, maxBehind)
		return
	}
	for i, j := range o.firsts() {
		if j == nobody {
			continue
		}
		s, over := m.Signals[i], m.Signals[j]
		at, _ := common(s.bits(), over.bits())
		f.problem(s.Pos, false, "signal %s.%s lies over %s, both hold bit %d of byte %d", m.Name, s.Name, over.Name, at%8, at/8)
	}
}

// maxBehind bounds the switches of a message that have signals behind them; those
// in use have a handful.
const maxBehind = 32

// nobody is later than any signal.
const nobody = math.MaxInt32

// overlay finds, bit by bit, who of a message's signals was there first. Its cost
// grows with the number of signals and of ranges, and hardly faster.
type overlay struct {
	m       *Message
	behind  []*behind
	of      []int // the entry of behind for each signal
	tooMany bool
}

// behind are the signals whose nearest switch is the same; those without one are
// behind none.
type behind struct {
	by     *Signal
	points []uint64 // all ends of ranges of the switch's values
	tree   tree
}

func newOverlay(m *Message) *overlay {
	o := &overlay{m: m}
	number := map[*Signal]int{}
	enter := func(by *Signal) int {
		if _, ok := number[by]; !ok {
			number[by] = len(o.behind)
			o.behind = append(o.behind, &behind{by: by})
		}
		return number[by]
	}
	for _, s := range m.Signals {
		var by *Signal
		if len(s.Mux) > 0 {
			by = s.Mux[0].Switch
		}
		o.of = append(o.of, enter(by))
		for _, c := range s.Mux {
			b := o.behind[enter(c.Switch)]
			for _, r := range c.Ranges {
				b.points = append(b.points, r[0], r[1])
			}
		}
		if o.tooMany = len(o.behind) > maxBehind; o.tooMany {
			return o
		}
	}
	for _, b := range o.behind {
		slices.Sort(b.points)
		b.points = slices.Compact(b.points)
		b.tree = newTree(max(len(b.points), 1))
	}
	return o
}

// firsts is, for each signal, the number of the first that it lies over, or nobody.
func (o *overlay) firsts() []int32 {
	first := make([]int32, len(o.m.Signals))
	holders := map[int][]int32{}
	for i, s := range o.m.Signals {
		first[i] = nobody
		for at := range s.bits() {
			holders[at] = append(holders[at], int32(i))
		}
	}
	var before []int32
	for _, at := range slices.Sorted(maps.Keys(holders)) {
		if now := holders[at]; len(now) > 1 && !slices.Equal(now, before) {
			o.bit(now, first)
			before = now
		}
	}
	return first
}

// bit looks at the signals that hold one bit, in their order.
func (o *overlay) bit(holders, first []int32) {
	for _, b := range o.behind {
		b.tree.empty()
	}
	for _, i := range holders {
		s := o.m.Signals[i]
		for k, b := range o.behind {
			if b.tree.used() {
				first[i] = min(first[i], b.first(s, k == o.of[i]))
			}
		}
		own := o.behind[o.of[i]]
		for _, r := range ownRanges(s) {
			from, to := own.between(r)
			own.tree.put(from, to, i)
		}
	}
}

// ownRanges are the values of its nearest switch for which a signal is there.
func ownRanges(s *Signal) [][2]uint64 {
	if len(s.Mux) == 0 {
		return [][2]uint64{{0, math.MaxUint64}}
	}
	return s.Mux[0].Ranges
}

// first is the first signal behind b that may be in one frame with s. own says that
// s is behind it too.
func (b *behind) first(s *Signal, own bool) int32 {
	if own {
		return b.earliest(ownRanges(s))
	}
	all := [][2]uint64{{0, math.MaxUint64}}
	if b.by == nil {
		return b.earliest(all)
	}
	// What a signal behind b needs besides its own values is what the switch needs.
	if apart(s, b.by) {
		return nobody
	}
	for _, c := range s.Mux {
		if c.Switch == b.by {
			return b.earliest(c.Ranges)
		}
	}
	return b.earliest(all)
}

func (b *behind) earliest(ranges [][2]uint64) int32 {
	e := int32(nobody)
	for _, r := range ranges {
		from, to := b.between(r)
		e = min(e, b.tree.earliest(from, to))
	}
	return e
}

// between is the places of a range among the points.
func (b *behind) between(r [2]uint64) (from, to int) {
	n := len(b.points)
	from = sort.Search(n, func(i int) bool { return b.points[i] >= r[0] })
	to = sort.Search(n, func(i int) bool { return b.points[i] > r[1] }) - 1
	if n == 0 {
		return 0, 0
	}
	return from, to
}

// tree keeps who came first at each of n places, for ranges of them.
type tree struct {
	n     int
	round int32
	node  []treeNode
}

type treeNode struct {
	round int32 // what is older counts as nothing
	whole int32 // who came first to all of it
	any   int32 // who came first to any of it
}

func newTree(n int) tree { return tree{n: n, node: make([]treeNode, 4*n)} }

func (t *tree) empty() { t.round++ }

func (t *tree) used() bool { return t.at(1).any != nobody }

func (t *tree) at(i int) *treeNode {
	if x := &t.node[i]; x.round != t.round {
		*x = treeNode{t.round, nobody, nobody}
	}
	return &t.node[i]
}

// put enters someone who came after all that are there.
func (t *tree) put(from, to int, who int32) { t.enter(1, 0, t.n-1, from, to, who) }

func (t *tree) enter(i, low, high, from, to int, who int32) {
	x := t.at(i)
	if to < low || from > high || x.whole != nobody {
		return
	}
	x.any = min(x.any, who)
	if from <= low && high <= to {
		x.whole = who
		return
	}
	middle := (low + high) / 2
	t.enter(2*i, low, middle, from, to, who)
	t.enter(2*i+1, middle+1, high, from, to, who)
}

func (t *tree) earliest(from, to int) int32 { return t.look(1, 0, t.n-1, from, to) }

func (t *tree) look(i, low, high, from, to int) int32 {
	x := t.at(i)
	switch {
	case to < low || from > high:
		return nobody
	case from <= low && high <= to:
		return x.any
	}
	middle := (low + high) / 2
	return min(x.whole, t.look(2*i, low, middle, from, to), t.look(2*i+1, middle+1, high, from, to))
}
