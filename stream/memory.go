package stream

// RatioMemory is what a RatioLearner has gathered of one gear, to be kept from
// one run to the next.
type RatioMemory struct {
	Gear int  `json:"gear"`
	Of   Role `json:"of"`
	// Latest are the ratios of the latest stretches, in no order; Episodes and
	// Seconds how many there ever were, and how long. Loads counts those under
	// load that agreed.
	Latest   []float64 `json:"latest"`
	Episodes int       `json:"episodes"`
	Seconds  float64   `json:"seconds"`
	Loads    int       `json:"loads,omitempty"`
	// Alone: nothing said that the clutch was closed.
	Alone bool `json:"alone,omitempty"`
}

// Memory returns what the learner has gathered, in the order of Ratios.
func (l *RatioLearner) Memory() []RatioMemory {
	var out []RatioMemory
	for i := range l.gears {
		base, _ := learnBase(i)
		for g := range l.gears[i] {
			x := &l.gears[i][g]
			if x.n == 0 {
				continue
			}
			m := RatioMemory{Gear: g - 1, Of: base, Episodes: x.n, Seconds: round1(x.seconds), Loads: x.loads, Alone: l.alone}
			for _, r := range x.ratios[:min(x.n, episodeKeep)] {
				m.Latest = append(m.Latest, sixDigits(r))
			}
			out = append(out, m)
		}
	}
	return out
}

// Recall takes up what an earlier learner's Memory returned; what cannot have
// come from there is passed over.
func (l *RatioLearner) Recall(memory []RatioMemory) {
	for _, m := range memory {
		i := 0
		if m.Of == VehicleSpeed {
			i = 1
		} else if m.Of != OutputSpeed {
			continue
		}
		if m.Gear < GearReverse || m.Gear > maxGear || len(m.Latest) == 0 || len(m.Latest) > episodeKeep || m.Episodes < len(m.Latest) || !positive(m.Latest) {
			continue
		}
		x := &l.gears[i][m.Gear+1]
		*x = learning{n: m.Episodes, seconds: m.Seconds, loads: m.Loads}
		if len(m.Latest) < episodeKeep {
			x.n = len(m.Latest)
		}
		copy(x.ratios[:], m.Latest)
		l.alone = m.Alone
	}
}

func positive(v []float64) bool {
	for _, x := range v {
		if !(x > 0 && x < 1e6) {
			return false
		}
	}
	return true
}

// RatioMemory returns what the stream has learned, to be kept; empty where it
// learns nothing.
func (s *Stream) RatioMemory() []RatioMemory {
	if s.learner == nil {
		return nil
	}
	return s.learner.Memory()
}

// RecallRatios takes up what an earlier run has learned, before the first frame.
func (s *Stream) RecallRatios(memory []RatioMemory) {
	if s.learner == nil {
		return
	}
	s.learner.Recall(memory)
	for _, l := range s.learner.Ratios() {
		s.derive.learn(l)
	}
}

// RatiosOf returns the ratios that a memory holds, stable or not.
func RatiosOf(memory []RatioMemory) []LearnedRatio {
	l := &RatioLearner{}
	l.Recall(memory)
	return l.Ratios()
}
