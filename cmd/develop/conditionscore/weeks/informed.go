package weeks

import (
	"math"
	"math/bits"
	"math/rand/v2"
)

// draws is how many causes of each kind the informed decider tries, quadrature how many
// rates.
const draws, quadrature = 600, 24

// set are stops, one bit each.
type set []uint64

func (s set) add(i int) { s[i/64] |= 1 << (i % 64) }

// Informed names the conditions that the outcomes of a week are likeliest by for one who
// knows how weeks are made: from which values the bounds of a cause and its rates are
// drawn, and how often a cause is alone or of two, but not which two. On average over
// such weeks nobody who sees no more than the releases is right more often, but for the
// draws that the likelihoods are worked out by (Bayes' rule: Lehmann and Casella, Theory
// of Point Estimation, 1998, section 4.1). It is nil where nothing matters.
func (w *Week) Informed(r *rand.Rand) (names []string) {
	n, words := len(w.Releases), (len(w.Releases)+63)/64
	lates := make(set, words)
	list := make([]stop, n)
	for i := range w.Releases {
		list[i].v = w.Releases[i].Values
		if w.Releases[i].Late {
			lates.add(i)
		}
	}
	k := late(w.Releases)
	in, out := newRates(0.15, 0.5, n, k), newRates(0, 0.01, n, k)
	best := newRates(0.02, 0.08, n, k).of(k, n)
	weigh := func(prior float64, of []string, one func() set) {
		sum, ok := 0.0, 0
		for range draws {
			inside := one()
			hit, all := 0, 0
			for j, x := range inside {
				hit += bits.OnesCount64(x & lates[j])
				all += bits.OnesCount64(x)
			}
			if share := float64(all) / float64(n); share >= leastShare && share <= mostShare {
				ok++
				sum += in.of(hit, all) * out.of(k-hit, n-all)
			}
		}
		if ok > 0 && prior*sum/float64(ok) > best {
			best, names = prior*sum/float64(ok), of
		}
	}
	var known []string
	halves := map[string][]set{}
	for _, name := range Names() {
		if math.IsNaN(list[0].v[At(name)]) {
			continue
		}
		known = append(known, name)
		weigh(1, []string{name}, func() set { return holds(part(r, list, name, shareOf(r, 1)), list) })
		for range draws {
			halves[name] = append(halves[name], holds(part(r, list, name, shareOf(r, 2)), list))
		}
	}
	prior := float64(len(Pairs())) / float64(len(known)*(len(known)-1)/2)
	both := make(set, words)
	for i, a := range known {
		for _, b := range known[i+1:] {
			turn := 0
			weigh(prior, []string{a, b}, func() set {
				x, y := halves[a][turn], halves[b][(turn*7+3)%draws]
				turn++
				for j := range both {
					both[j] = x[j] & y[j]
				}
				return both
			})
		}
	}
	return names
}

// holds are the stops for which a part does.
func holds(p Part, list []stop) set {
	s, j := make(set, (len(list)+63)/64), At(p.Name)
	for i := range list {
		if v := list[i].v[j]; v >= p.From && v <= p.To {
			s.add(i)
		}
	}
	return s
}

// rates are how likely so many late of so many are where the rate is anything between
// two, in units that are alike for all that share the late releases among them.
type rates struct {
	most  int
	known []float64
	p     [quadrature]float64
}

func newRates(low, high float64, n, late int) *rates {
	x := &rates{most: late, known: make([]float64, (n+1)*(late+1))}
	for i := range x.p {
		x.p[i] = low + (high-low)*(float64(i)+0.5)/quadrature
	}
	return x
}

func (x *rates) of(k, n int) float64 {
	v := &x.known[n*(x.most+1)+k]
	if *v == 0 {
		for _, p := range x.p {
			*v += math.Exp(float64(k)*math.Log(p)+float64(n-k)*math.Log1p(-p)) / quadrature
		}
	}
	return *v
}
