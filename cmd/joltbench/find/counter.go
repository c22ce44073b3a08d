package find

// counters finds the fields that count frames: the lowest bit changes with
// (nearly) every frame and each higher one half as often, always on a carry.
// It returns them and the payload bits that they take.
func (s *flips) counters(word int) (found []run, taken uint64) {
	if s.n < 20 {
		return nil, 0
	}
	little, big := littleChain(), bigChain()
	for _, c := range []*chain{&little, &big} {
		for j := 63; j > 0; j-- {
			low := s.flip.count(c.bits[j])
			if float64(low) < 0.9*float64(s.n) || taken>>c.bits[j]&1 != 0 {
				continue
			}
			i := j
			for i > 0 {
				l := s.link(c, i-1)
				half := float64(l.lower) / 2
				if d := float64(l.upper) - half; d > 0.1*half+1.5 || d < -0.1*half-1.5 || l.upper < 2 {
					break
				}
				if float64(l.carry+l.same) < 0.95*float64(l.upper) {
					break
				}
				i--
			}
			if j-i+1 < 2 {
				continue
			}
			r := runOf(word, c, i, j)
			found = append(found, r)
			taken |= r.bits()
			j = i
		}
	}
	return found, taken
}
