package conditions

import "math"

// betaBinomial tells how likely outcomes are with a rate of late releases that is not
// known: the beta-binomial integral over all rates, against one rate for all of the
// stay (Jeffreys, Theory of Probability, 3rd ed. 1961, section 5.1). The rate within
// a region may be any (uniform); that outside is more often small than large
// (Jeffreys' own prior for a proportion).
type betaBinomial struct {
	late, all   int
	gamma, half []float64 // log gamma at i and at i + 1/2
	hit, miss   float64   // log of the rate for all, and of the rest
	known       []likelihood
	// down is taken off the logarithm, so that no likelihood is too large for a
	// number.
	down float64
}

// likelihood is one that was worked out.
type likelihood struct {
	of [4]uint32
	w  float64
}

// remembered likelihoods are kept: as many as come up again and again.
const remembered = 1 << 15

func newBetaBinomial(late, all int) *betaBinomial {
	c := &betaBinomial{late: late, all: all, known: make([]likelihood, remembered), gamma: make([]float64, all+3), half: make([]float64, all+3)}
	for i := range c.gamma {
		c.gamma[i], _ = math.Lgamma(float64(i))
		c.half[i], _ = math.Lgamma(float64(i) + 0.5)
	}
	r := (float64(late) + 0.5) / (float64(all) + 1)
	c.hit, c.miss = math.Log(r), math.Log1p(-r)
	// All late within and none outside is the likeliest of all.
	c.down = max(0, -float64(late)*c.hit-float64(all-late)*c.miss-mostExponent)
	return c
}

// gain is the logarithm of how much likelier k of n late within and the rest
// outside are with a rate of their own each than with one for all.
func (c *betaBinomial) gain(k, n, late, all int) float64 {
	l, m := late-k, all-n
	within := c.gamma[k+1] + c.gamma[n-k+1] - c.gamma[n+2]
	outside := c.half[l] + c.half[m-l] - c.gamma[m+1] - c.half[0] - c.half[0]
	return within + outside - float64(late)*c.hit - float64(all-late)*c.miss
}

// times is how much likelier, in units of e to the down. It
// keeps what it has worked out.
func (c *betaBinomial) times(k, n, late, all int) float64 {
	of := [4]uint32{uint32(k), uint32(n), uint32(late), uint32(all)}
	x := &c.known[(k*(all+1)+n+late*7919)&(remembered-1)]
	if x.of != of {
		*x = likelihood{of, math.Exp(c.gain(k, n, late, all) - c.down)}
	}
	return x.w
}

// mostExponent is the greatest of a weight that is still a number, with room.
const mostExponent = 600
