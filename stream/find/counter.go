package find

import "sort"

// counters finds the fields that count frames: the lowest bit changes with
// (nearly) every frame and each higher one half as often, always on a carry.
// It returns them and the payload bits that they take.
func (s *flips) counters(word int) (found []run, taken uint64) {
	if s.n < 20 {
		return nil, 0
	}
	little, big := littleChain(), bigChain()
	var all []run
	for _, c := range []*chain{&little, &big} {
		for j := 63; j > 0; j-- {
			if float64(s.flip.count(c.bits[j])) < 0.9*float64(s.n) {
				continue
			}
			i := j
			for i > 0 {
				l := s.link(c, i-1)
				half := float64(l.lower) / 2
				if d := float64(l.upper) - half; d > 0.1*half+1.5 || d < -0.1*half-1.5 || l.upper < 2 {
					break
				}
				if l.both() < 0.95*float64(l.upper) {
					break
				}
				i--
			}
			if j-i+1 >= 2 {
				all = append(all, runOf(word, c, i, j))
				j = i
			}
		}
	}
	// The two readings share what lies in one byte: the longer one stands.
	sort.SliceStable(all, func(i, j int) bool { return all[i].length > all[j].length })
	for _, r := range all {
		if r.bits()&taken == 0 {
			found = append(found, r)
			taken |= r.bits()
		}
	}
	return found, taken
}
