package storage

import (
	"cmp"
	"math"
	"slices"
)

// Thinned is what is kept of ordinary repeats whose own records were removed to
// make room: how many there were, and how their measures were distributed.
type Thinned struct {
	Kind     string         `json:"kind"`
	Class    string         `json:"class"`
	N        uint64         `json:"n"`
	Measures []Distribution `json:"measures,omitempty"`
}

// Distribution counts the values of one measure. Bucket edges are an eighth of
// an octave apart in the mantissa, so that each is at most an eighth wide.
type Distribution struct {
	Measure string  `json:"measure"`
	N       uint64  `json:"n"`
	Min     float64 `json:"min"`
	Max     float64 `json:"max"`
	// Buckets are in ascending order.
	Buckets []Bucket `json:"buckets"`
}

// Bucket counts the values from From up to the next edge away from zero.
type Bucket struct {
	From float64 `json:"from"`
	N    uint64  `json:"n"`
}

type thinnedRecord struct {
	Groups []Thinned `json:"groups"`
}

// edge is the edge of the bucket of v, by exponent and three bits of mantissa:
// exact, so that every machine counts alike.
func edge(v float64) float64 {
	if v == 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0
	}
	f, e := math.Frexp(v) // 0.5 … 1
	return math.Ldexp(math.Trunc(f*16)/16, e)
}

func (d *Distribution) add(v float64, n uint64) {
	if d.N == 0 || v < d.Min {
		d.Min = v
	}
	if d.N == 0 || v > d.Max {
		d.Max = v
	}
	d.N += n
	d.bucket(edge(v), n)
}

func (d *Distribution) bucket(from float64, n uint64) {
	i, ok := slices.BinarySearchFunc(d.Buckets, from, func(b Bucket, v float64) int { return cmp.Compare(b.From, v) })
	if !ok {
		d.Buckets = slices.Insert(d.Buckets, i, Bucket{From: from})
	}
	d.Buckets[i].N += n
}

// group finds or adds the group of a kind and class.
func group(to []Thinned, kind, class string) ([]Thinned, *Thinned) {
	i := slices.IndexFunc(to, func(t Thinned) bool { return t.Kind == kind && t.Class == class })
	if i < 0 {
		to = append(to, Thinned{Kind: kind, Class: class})
		i = len(to) - 1
	}
	return to, &to[i]
}

func (t *Thinned) measure(name string) *Distribution {
	i := slices.IndexFunc(t.Measures, func(d Distribution) bool { return d.Measure == name })
	if i < 0 {
		t.Measures = append(t.Measures, Distribution{Measure: name})
		i = len(t.Measures) - 1
	}
	return &t.Measures[i]
}

// addThinned adds up groups.
func addThinned(to, more []Thinned) []Thinned {
	for _, m := range more {
		var g *Thinned
		to, g = group(to, m.Kind, m.Class)
		g.N += m.N
		for _, d := range m.Measures {
			x := g.measure(d.Measure)
			if x.N == 0 || d.Min < x.Min {
				x.Min = d.Min
			}
			if x.N == 0 || d.Max > x.Max {
				x.Max = d.Max
			}
			x.N += d.N
			for _, b := range d.Buckets {
				x.bucket(b.From, b.N)
			}
		}
	}
	return to
}

// thinEvent folds one event into the groups.
func thinEvent(to []Thinned, r *eventRecord) []Thinned {
	to, g := group(to, r.Finding.Kind, r.Finding.Class.String())
	g.N++
	for _, m := range r.Finding.Measures {
		g.measure(m.Name).add(m.Value, 1)
	}
	return to
}
