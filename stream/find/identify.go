package find

import "joltwatch/bus"

// Identifier is what the frames of one identifier are made of.
type Identifier struct {
	ID
	Frames         uint64
	MinLen, MaxLen int
	// Period is the median interval; Jitter half the span from the 5th to
	// the 95th percentile of the intervals.
	Period, Jitter bus.Micros
	Counters       []Field
	Checksums      []Checksum
	Mux            *Mux
	// Constant is the number of bits that never changed.
	Constant int
	Fields   []Field

	t      *traffic
	usable [8]uint64
}

// identify works out the make-up of one identifier.
func (t *traffic) identify(rs []rule) Identifier {
	id := Identifier{ID: t.ID, Frames: t.frames, MinLen: t.minLen, MaxLen: t.maxLen, t: t}
	id.Period = t.intervals.median()
	id.Jitter = t.jitter()
	for w, s := range t.words {
		if s == nil {
			continue
		}
		size := min(8, t.maxLen-8*w)
		all := ^uint64(0)
		if size < 8 {
			all = 1<<(8*size) - 1
		}
		for b := range 8 * size {
			if s.flip.count(b) == 0 {
				id.Constant++
			}
		}
		counters, taken := s.counters(w)
		var first *run
		for i := range counters {
			id.Counters = append(id.Counters, counters[i].field())
			if first == nil {
				first = &counters[i]
			}
		}
		if w == 0 {
			sums, bits := t.checksums(rs, first)
			id.Checksums = sums
			taken |= bits
			if id.Mux = t.mux(taken); id.Mux != nil {
				taken |= id.Mux.run.bits()
			}
		}
		id.usable[w] = all &^ taken
		for _, r := range s.fields(w, id.plain(w)) {
			id.Fields = append(id.Fields, r.field())
		}
	}
	return id
}

// plain are the usable bits of a word that mean the same in every frame.
func (id *Identifier) plain(word int) uint64 {
	if word == 0 && id.Mux != nil {
		return id.usable[0] &^ id.Mux.bits
	}
	return id.usable[word]
}

// jitter is half the span from the 5th to the 95th percentile of the intervals
// kept; those across a stretch left out do not count.
func (t *traffic) jitter() bus.Micros {
	var d []float64
	at := t.rec.at
	step := max(1, len(at)/4000)
	for i := 1; i < len(at); i += step {
		if x := at[i] - at[i-1]; x < block {
			d = append(d, float64(x))
		}
	}
	if len(d) < 2 {
		return 0
	}
	return bus.Micros(quantile(d, 0.95)-quantile(d, 0.05)) / 2
}

// candidates calls add with each run of bits worth trying as a number of at
// least six bits, and the traffic that it is in (a multiplexed value's own).
func (id *Identifier) candidates(add func(t *traffic, m *Mux, value uint64, r run)) {
	try := func(t *traffic, m *Mux, value uint64, w int, usable uint64) {
		s := t.words[w]
		seen := map[run]bool{}
		size := min(8, t.maxLen-8*w)
		little, big := littleChain(), bigChain()
		for _, c := range []*chain{&little, &big} {
			for _, r := range s.variants(w, size, c, usable) {
				if r.length < 6 || seen[r] {
					continue
				}
				seen[r] = true
				add(t, m, value, r)
				if s.signedRun(r) {
					r.signed = true
					add(t, m, value, r)
				}
			}
		}
	}
	for w := range id.t.words {
		if id.t.words[w] == nil {
			continue
		}
		try(id.t, nil, 0, w, id.plain(w))
	}
	if id.Mux == nil {
		return
	}
	for _, v := range id.Mux.Values {
		sub := id.t.sub(id.Mux, v)
		if sub.rec.len() >= 40 {
			try(sub, id.Mux, v, 0, id.usable[0]&id.Mux.bits)
		}
	}
}
