package proof

import (
	"fmt"

	"joltwatch/stream"
)

// sameSignal finds mapped signals that share bits of one message: two roles on
// one signal, or a start bit that reaches into another.
func sameSignal(plan *stream.Plan) []Statement {
	var out []Statement
	for _, m := range plan.Messages {
		for i := range m.Signals {
			for k := range i {
				a, b := &m.Signals[k], &m.Signals[i]
				if a.Role == b.Role || stateShared(a.Role, b.Role) || !together(a, b) || bits(a)&bits(b) == 0 {
					continue
				}
				x := Statement{What: fmt.Sprintf("%s and %s", a.Role, b.Role), Verdict: Against,
					Says:   fmt.Sprintf("both read the same bits of %s", m.Name),
					Change: fmt.Sprintf("the signal of %s or of %s", a.Role, b.Role)}
				out = append(out, x)
			}
		}
	}
	return out
}

// stateShared: one field may tell the gear and that a shift is under way, or be
// both command and report of the clutch.
func stateShared(a, b stream.Role) bool {
	pair := func(x, y stream.Role) bool { return a == x && b == y || a == y && b == x }
	return pair(stream.Gear, stream.Shifting)
}

// together reports whether two signals can be in one frame.
func together(a, b *stream.Signal) bool {
	for _, x := range a.Mux {
		for _, y := range b.Mux {
			if x.Start == y.Start && x.Length == y.Length && !meet(x.Ranges, y.Ranges) {
				return false
			}
		}
	}
	return true
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

// bits is the set of bits of the first eight bytes that a signal occupies.
func bits(s *stream.Signal) (set uint64) {
	at := int(s.Start)
	for range s.Length {
		if at < 64 {
			set |= 1 << at
		}
		switch {
		case !s.BigEndian:
			at++
		case at%8 == 0:
			at += 15
		default:
			at--
		}
	}
	return set
}
