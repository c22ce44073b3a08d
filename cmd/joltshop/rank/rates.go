package rank

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"

	"joltwatch/cmd/joltshop/questions"
)

// A rate of this week is held against what the vehicle's own history predicts: hits
// of a Poisson process whose rate is known as far as the history tells, with the
// vehicles of its kind as prior (the gamma-Poisson model of DuMouchel, The American
// Statistician 53, 1999), times what the week did to all of the kind, times a swing
// from week to week that is no vehicle's fault. How large the swing is, is learned
// from the weeks of the history, each held against those before it as this one is.

// rateChange is one vehicle's week against what was to be expected.
type rateChange struct {
	opportunities *questions.Opportunities
	// expected is how many hits were to be expected this week; by is how far the
	// rate is beyond that; p is two-sided.
	expected, by, p float64
}

// rateGroup is the vehicles of one kind, for one kind of finding.
type rateGroup struct {
	list []*questions.Opportunities
	// shape and rate are of the gamma prior.
	shape, rate float64
	// course is by what factor all of the group were off in a week.
	course []float64
	// swing is the variance of the factor that is no vehicle's fault.
	swing float64
}

// rateChanges tests the vehicles of a group, and returns the factor of this week for
// all of them, with the hits that it rests on.
func rateChanges(list []*questions.Opportunities) (changes []rateChange, common, hits float64) {
	g := &rateGroup{list: list}
	weeks := 0
	for _, c := range list {
		weeks = max(weeks, len(c.Weeks))
	}
	g.course = slices.Repeat([]float64{1}, weeks)
	g.prior()
	out := map[*questions.Opportunities]bool{}
	for range 4 {
		for k := range g.course {
			// Those who plainly changed do not say what the week did to all.
			g.course[k], hits = g.factor(k, out)
			if k == 0 {
				common = hits
			}
		}
		hits = common
		g.prior()
		g.swing = g.learnSwing()
		changes = changes[:0]
		out = map[*questions.Opportunities]bool{}
		for _, c := range list {
			x := g.predict(c, hits)
			changes = append(changes, x)
			out[c] = x.p < 0.05
		}
	}
	return changes, g.course[0], hits
}

// history is the hits of the weeks after week k, and the opportunities that they rest on,
// each week's at its own factor.
func (g *rateGroup) history(c *questions.Opportunities, k int) (hits, n float64, weeks int) {
	for j := k + 1; j < len(c.Weeks); j++ {
		if o := c.Weeks[j].Observable; o > 0 {
			hits, n, weeks = hits+float64(c.Weeks[j].Hits), n+float64(o)*g.course[j], weeks+1
		}
	}
	return hits, n, weeks
}

// prior fits a gamma distribution to the rates of the histories, by moments.
func (g *rateGroup) prior() {
	var hits, n, squares, rates, vehicles float64
	for _, c := range g.list {
		if h, m, _ := g.history(c, 0); m > 0 {
			hits, n, squares, rates, vehicles = hits+h, n+m, squares+m*m, rates+h*h/m, vehicles+1
		}
	}
	m := (hits + 0.5) / (n + 1)
	g.shape = 0.5 // of a single vehicle: as good as nothing is known
	if vehicles >= fewestAlike {
		between := (rates - hits*hits/n - m*(vehicles-1)) / (n - squares/n)
		g.shape = 50.0
		if between > 0 {
			g.shape = min(max(m*m/between, 0.1), 50)
		}
	}
	g.rate = g.shape / m
}

// level is the expected rate of a vehicle after a history, and the coefficient of
// variation, squared, with which it is known.
func (g *rateGroup) level(hits, n float64) (rate, unsure float64) {
	return (hits + g.shape) / (n + g.rate), 1 / (hits + g.shape)
}

// factor is by how much all but some were off in week k, and the hits of which that
// is known. A group that is too small says nothing.
func (g *rateGroup) factor(k int, but map[*questions.Opportunities]bool) (factor, hits float64) {
	expected, vehicles := 0.0, 0
	for _, c := range g.list {
		if k >= len(c.Weeks) || c.Weeks[k].Observable == 0 || k == 0 && but[c] {
			continue
		}
		was, n, _ := g.history(c, 0)
		rate, _ := g.level(was, n)
		hits, expected, vehicles = hits+float64(c.Weeks[k].Hits), expected+rate*float64(c.Weeks[k].Observable), vehicles+1
	}
	if vehicles < fewestAlike {
		return 1, math.Inf(1)
	}
	return (hits + 1) / (expected + 1), hits
}

// learnSwing is the variance of the factor by which a vehicle's week departs from
// what was to be expected, beyond chance and beyond what is not known of its rate.
// Half its standard error is added, which was chosen on simulated fleets so that
// sound ones stay within the level.
func (g *rateGroup) learnSwing() float64 {
	type term struct{ off, square float64 }
	var terms []term
	for _, c := range g.list {
		for k := 1; k < len(c.Weeks); k++ {
			hits, n, weeks := g.history(c, k)
			if weeks < fewestHistoryWeeks || c.Weeks[k].Observable == 0 {
				continue
			}
			rate, unsure := g.level(hits, n)
			e := rate * float64(c.Weeks[k].Observable) * g.course[k]
			d := float64(c.Weeks[k].Hits) - e
			terms = append(terms, term{d*d - e - e*e*unsure, e * e})
		}
	}
	var off, square float64
	for _, t := range terms {
		off, square = off+t.off, square+t.square
	}
	if !(square > 0) {
		return 0.25 // nothing to learn from: weeks differ by half
	}
	swing, unsure := off/square, 0.0
	for _, t := range terms {
		d := t.off - swing*t.square
		unsure += d * d
	}
	return max(0, swing+0.5*math.Sqrt(unsure)/square)
}

// predict holds this week of a vehicle against what its history says.
func (g *rateGroup) predict(c *questions.Opportunities, known float64) rateChange {
	hits, n, _ := g.history(c, 0)
	rate, unsure := g.level(hits, n)
	now := c.Week()
	swing := g.swing + unsure + 1/(known+1)
	x := rateChange{opportunities: c, expected: rate * g.course[0] * float64(now.Observable)}
	x.by = float64(now.Hits)/float64(now.Observable) - rate*g.course[0]
	x.p = min(1, 2*min(atLeast(float64(now.Hits), x.expected, swing), atMost(float64(now.Hits), x.expected, swing)))
	return x
}

// atLeast is the probability of x or more of a Poisson count whose mean is spread as
// a lognormal distribution (Bulmer, Biometrics 30, 1974) with that coefficient of
// variation, squared. The sum over the normal distribution is as good as exact: such
// sums of a smooth function converge faster than any power of the step.
func atLeast(x, mean, variation float64) float64 {
	if x <= 0 {
		return 1
	}
	const step, far = 0.25, 7.0
	square := math.Log1p(variation)
	sum, weights := 0.0, 0.0
	for z := -far; z <= far; z += step {
		w := math.Exp(-z * z / 2)
		sum += w * mathext.GammaIncReg(x, mean*math.Exp(math.Sqrt(square)*z-square/2))
		weights += w
	}
	return sum / weights
}

func atMost(x, mean, variation float64) float64 { return 1 - atLeast(x+1, mean, variation) }
