package find

import (
	"fmt"
	"math"

	"joltwatch/stream"
)

// brake finds the bit that is set while the vehicle slows down hard.
func (a *analysis) brake() {
	res := RoleResult{Role: stream.Brake}
	defer func() { a.result.Roles = append(a.result.Roles, res) }()
	rate, speed, ok := a.motion()
	if !ok {
		res.Why = "no road or output speed to tell braking by"
		return
	}
	hard, ok := a.hardSlowing(rate, speed)
	if !ok {
		res.Why = "the vehicle hardly slowed down in this recording"
		return
	}
	a.switchBits(func(id *Identifier, r run) {
		on, off := a.setWhile(id.t, r, rate, speed, hard)
		if on.n < 60 || off.n < 60 {
			return
		}
		informed := on.share() - off.share()
		if informed < 0.75 {
			return
		}
		p := Proposal{ID: id.ID, Field: r.field(), Scale: 1, Period: id.Period, Fit: 100*informed - 5*float64(id.inNumber(r.word, r.shift)), s: &series{t: id.t, run: r}}
		p.Evidence = []string{fmt.Sprintf("set in %.0f %% of hard slowing down and in %.0f %% of speeding up", on.percent(), off.percent())}
		res.Proposals = append(res.Proposals, p)
	})
	res.rank()
	res.Found = len(res.Proposals) > 0 && res.Proposals[0].Fit >= 80
	if !res.Found {
		res.Why = "no bit is set while slowing down and clear while speeding up"
	}
}

// hardSlowing is the acceleration below which a quarter of the slowing down lies;
// not ok where there is less than three seconds of it.
func (a *analysis) hardSlowing(rate, speed []float64) (hard float64, ok bool) {
	var falls []float64
	for i, r := range rate {
		if r < -0.01 && speed[i] > 0.05 {
			falls = append(falls, r)
		}
	}
	if float64(len(falls))*a.step < 3 {
		return 0, false
	}
	return quantile(falls, 0.25), true
}

// switchBits calls f with each bit that changes as seldom as a switch does.
func (a *analysis) switchBits(f func(id *Identifier, r run)) {
	for i := range a.ids {
		id := &a.ids[i]
		if a.s.answers.sender(id.ID) || id.Period > 500_000 {
			continue
		}
		for w, s := range id.t.words {
			if s == nil {
				continue
			}
			active := id.plain(w) & s.active()
			for b := range 64 {
				if active>>b&1 != 0 && s.flip.count(b) >= 2 && s.flip.count(b) <= s.n/15+8 {
					f(id, run{word: w, shift: b, length: 1})
				}
			}
		}
	}
}

// setWhile is how often the bit is set in hard slowing down, and in speeding up.
func (a *analysis) setWhile(t *traffic, r run, rate, speed []float64, hard float64) (slowing, speeding tries) {
	for i, v := range a.steps(t, r) {
		if v < 0 || math.IsNaN(rate[i]) || !(speed[i] > 0.05) {
			continue
		}
		switch {
		case rate[i] <= hard:
			slowing.add(v != 0)
		case rate[i] > 0.005:
			speeding.add(v != 0)
		}
	}
	return slowing, speeding
}

// inNumber is 1 where the bit lies in a field of five bits or more.
func (id *Identifier) inNumber(word, bit int) int {
	for _, f := range id.Fields {
		if f.Length < 5 {
			continue
		}
		r := runFromField(f)
		if r.word == word && r.bits()>>bit&1 != 0 {
			return 1
		}
	}
	return 0
}
