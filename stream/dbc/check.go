package dbc

import (
	"maps"
	"math"
)

// Check looks for what is well formed and still likely to be wrong: signals
// that lie over each other, and scalings that do not fit their limits. What it
// finds it returns in the order of the file.
func (f *File) Check() []Problem {
	out := &File{Name: f.Name}
	for _, m := range f.Messages {
		out.overlaps(m)
		for _, s := range m.Signals {
			out.scaling(m, s)
		}
	}
	out.sortProblems()
	return out.Problems
}

// Over returns the first other signal of the message that s shares some of its
// bits with, unless the multiplexer keeps the two apart; nil where there is none.
// A second name for the same bits is no such signal.
func (m *Message) Over(s *Signal) *Signal {
	bits := s.bits()
	for _, o := range m.Signals {
		if _, shared := common(bits, o.bits()); o != s && shared && !apart(s, o) && !maps.Equal(bits, o.bits()) {
			return o
		}
	}
	return nil
}

// bits are the bits that a signal takes, counted as in definition files.
func (s *Signal) bits() map[int]bool {
	b := map[int]bool{}
	p := s.Start
	for range s.Length {
		b[p] = true
		if s.BigEndian {
			if p%8 == 0 {
				p += 15
			} else {
				p--
			}
		} else {
			p++
		}
	}
	return b
}

func common(a, b map[int]bool) (lowest int, ok bool) {
	lowest = math.MaxInt
	for p := range a {
		if b[p] && p < lowest {
			lowest, ok = p, true
		}
	}
	return lowest, ok
}

// apart reports whether the two are never in the same frame: one of their
// switches has no value that lets both in.
func apart(a, b *Signal) bool {
	for _, x := range a.Mux {
		for _, y := range b.Mux {
			if x.Switch == y.Switch && !meet(x.Ranges, y.Ranges) {
				return true
			}
		}
	}
	return false
}

func meet(a, b [][2]uint64) bool {
	for _, x := range a {
		for _, y := range b {
			if x[0] <= y[1] && y[0] <= x[1] {
				return true
			}
		}
	}
	return false
}

// Range is what the signal can express, in its unit, the lower end first; for
// floating-point numbers everything.
func (s *Signal) Range() (low, high float64) {
	switch {
	case s.Float:
		return -math.MaxFloat64, math.MaxFloat64
	case s.Signed:
		low, high = -math.Ldexp(1, s.Length-1), math.Ldexp(1, s.Length-1)-1
	default:
		low, high = 0, math.Ldexp(1, s.Length)-1
	}
	low, high = float64(low*s.Factor)+s.Offset, float64(high*s.Factor)+s.Offset
	if low > high {
		low, high = high, low
	}
	return low, high
}

func (f *File) scaling(m *Message, s *Signal) {
	low, high := s.Range()
	slack := math.Abs(s.Factor) * 1.5
	switch {
	case s.Min > s.Max:
		f.problem(s.Pos, false, "signal %s.%s: limits %g to %g are the wrong way round and count for nothing", m.Name, s.Name, s.Min, s.Max)
	case s.Min == s.Max:
		// None stated.
	case s.Max < low || s.Min > high:
		f.problem(s.Pos, false, "signal %s.%s: limits %g to %g lie wholly outside what it can say, %g to %g: no value would ever count", m.Name, s.Name, s.Min, s.Max, low, high)
	case s.Min < low-slack || s.Max > high+slack:
		f.problem(s.Pos, false, "signal %s.%s: limits %g to %g reach beyond what it can say, %g to %g: is a length, sign, factor or offset wrong?", m.Name, s.Name, s.Min, s.Max, low, high)
	case !s.Float && s.Max-s.Min < math.Abs(s.Factor):
		f.problem(s.Pos, false, "signal %s.%s: limits %g to %g are narrower than one step of %g", m.Name, s.Name, s.Min, s.Max, s.Factor)
	case s.Signed && s.Min >= 0 && s.Offset >= 0 && s.Factor > 0 && s.Max > high/2 && s.Length > 1:
		f.problem(s.Pos, false, "signal %s.%s is signed and its limits %g to %g are not: is the sign wrong?", m.Name, s.Name, s.Min, s.Max)
	}
	if a := math.Abs(s.Factor); a < 1e-9 || a > 1e9 {
		f.problem(s.Pos, false, "signal %s.%s: a factor of %g is hard to believe", m.Name, s.Name, s.Factor)
	}
}
