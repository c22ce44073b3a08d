package drive

import "math/rand/v2"

// random is the simulator's only source of chance: a PCG stream, so that one
// seed gives one drive on every machine.
type random struct{ pcg rand.PCG }

func newRandom(seed, stream uint64) *random {
	r := &random{}
	r.pcg.Seed(seed, stream)
	return r
}

// unit returns a number in [0, 1).
func (r *random) unit() float64 { return float64(r.pcg.Uint64()>>11) / (1 << 53) }

// between returns a number in [lo, hi).
func (r *random) between(lo, hi float64) float64 { return lo + mul(hi-lo, r.unit()) }

// n returns an integer in [0, n).
func (r *random) n(n int) int { return int(r.pcg.Uint64() % uint64(n)) }

// normal returns an approximately normal number of mean 0 and deviation 1: the
// sum of the four 16-bit parts of one draw (Irwin-Hall, cut off at 3.46
// deviations). math.Log differs in the last bit between machines; this does
// not.
func (r *random) normal() float64 {
	x := r.pcg.Uint64()
	s := (x & 0xffff) + (x >> 16 & 0xffff) + (x >> 32 & 0xffff) + x>>48
	const scale = 1.7320508075688772 / 65536 // sqrt(12/4) over the part's range
	return mul(float64(s)-2*65535, scale)
}

// mul returns a*b rounded, which keeps the compiler from fusing it with an
// addition on machines that can: the drive must be the same everywhere.
func mul(a, b float64) float64 { return float64(a * b) }

// sine returns sin(2π·turns) to about 1e-3, from arithmetic that rounds the
// same everywhere (math.Sin does not promise that).
func sine(turns float64) float64 {
	turns -= float64(int64(turns))
	if turns < 0 {
		turns++
	}
	sign := 1.0
	if turns >= 0.5 {
		turns -= 0.5
		sign = -1
	}
	// A parabola through 0, 1, 0, corrected by its own square.
	y := mul(mul(16, turns), 0.5-turns)
	return mul(sign, mul(0.225, mul(y, y)-y)+y)
}
