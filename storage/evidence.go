package storage

import (
	"fmt"
	"slices"

	"joltwatch/bus"
)

// Evidence is the frames kept of a stretch of time.
type Evidence struct {
	Boot     uint32
	From, To bus.Micros
	// Frames are in order of arrival: mapped frames, and everything that is
	// not data.
	Frames []bus.Frame
	// Gaps are the stretches of [From, To] between frames that were
	// consecutive on file but not in the vehicle.
	Gaps [][2]bus.Micros
	// Damage is what could not be read.
	Damage []Damage
}

// spanAt is where a span is.
type spanAt struct {
	spanInfo
	file   string
	offset int64
}

// Evidence returns the frames of [from, to] of a run (Boot.Number), as far as
// they are on file.
func (s *Store) Evidence(boot uint32, from, to bus.Micros) (*Evidence, error) {
	e := &Evidence{Boot: boot, From: from, To: to}
	spans, damage, err := s.spansOf(boot)
	if err != nil {
		return nil, err
	}
	e.Damage = append(e.Damage, damage...)
	size := s.size(boot)
	s.unpacker.budget = newBudget(size)
	left := max(maxEvidenceFrames, int(size/2))
	next := uint64(0)
	var lastAt bus.Micros
	for _, at := range spans {
		if at.to < from || at.from > to {
			continue
		}
		if left -= int(at.frames); left < 0 {
			e.Damage = append(e.Damage, Damage{File: at.file, Offset: at.offset, What: errBudget.Error()})
			break
		}
		frames, err := s.span(at)
		if err != nil {
			e.Damage = append(e.Damage, Damage{File: at.file, Offset: at.offset, Length: 0, What: err.Error()})
			continue
		}
		for i := range frames {
			ordinal := at.first + uint64(i)
			if ordinal < next { // on file twice
				continue
			}
			f := &frames[i]
			if len(e.Frames) > 0 && ordinal > next {
				e.Gaps = append(e.Gaps, [2]bus.Micros{lastAt, f.At})
			}
			next, lastAt = ordinal+1, f.At
			if f.At >= from && f.At <= to {
				e.Frames = append(e.Frames, *f)
			}
		}
	}
	return e, nil
}

// maxEvidenceFrames bounds what is returned of evidence of little size: what two
// saturated buses carry in a minute.
const maxEvidenceFrames = 600_000

// size is that of the evidence files of a run together, in bytes.
func (s *Store) size(run uint32) (n int64) {
	for name, size := range s.files {
		if kind, r, _, ok := parseName(name); ok && kind == evidenceFile && r == run {
			n += size
		}
	}
	return n
}

// spansOf lists the spans of a run by ordinal; those that begin together, the
// longest first.
func (s *Store) spansOf(run uint32) ([]spanAt, []Damage, error) {
	if h, ok := s.heads[run]; ok {
		return h, nil, nil
	}
	var spans []spanAt
	var damage []Damage
	for name := range s.files {
		if kind, r, _, ok := parseName(name); !ok || kind != evidenceFile || r != run {
			continue
		}
		found, bad, err := s.spansIn(name)
		if err != nil {
			return nil, nil, err
		}
		spans = append(spans, found...)
		damage = append(damage, bad...)
	}
	slices.SortFunc(spans, func(a, b spanAt) int {
		switch {
		case a.first != b.first:
			return compare(a.first, b.first)
		case a.frames != b.frames:
			return compare(uint64(b.frames), uint64(a.frames))
		case a.file != b.file:
			if a.file < b.file {
				return -1
			}
			return 1
		}
		return compare(uint64(a.offset), uint64(b.offset))
	})
	s.heads[run] = spans
	return spans, damage, nil
}

func compare(a, b uint64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func (s *Store) spansIn(name string) ([]spanAt, []Damage, error) {
	data, err := s.fs.ReadFile(name)
	if err != nil {
		// Removed since the store was read, to make room.
		return nil, []Damage{{File: name, What: err.Error()}}, nil
	}
	p, err := parseFile(name, data)
	if err != nil {
		return nil, nil, err
	}
	var spans []spanAt
	for _, b := range p.blocks {
		if b.typ != blockSpan {
			continue
		}
		info, err := parseSpanHead(b.payload)
		if err != nil {
			p.damage = append(p.damage, Damage{File: name, Offset: b.offset, What: err.Error()})
			continue
		}
		spans = append(spans, spanAt{info, name, b.offset})
	}
	return spans, p.damage, nil
}

// span reads and decodes one span.
func (s *Store) span(at spanAt) ([]bus.Frame, error) {
	// Spans are asked for in order: the file is read once for all of them.
	if s.held != at.file || at.offset >= int64(len(s.heldData)) {
		data, err := s.fs.ReadFile(at.file)
		if err != nil {
			return nil, err
		}
		s.held, s.heldData = at.file, data
	}
	if at.offset >= int64(len(s.heldData)) {
		return nil, fmt.Errorf("the file has become shorter")
	}
	b, n := parseBlock(s.heldData[at.offset:])
	if n == 0 {
		s.held = ""
		return nil, fmt.Errorf("the block is not sound any more")
	}
	_, frames, err := decodeSpan(s.unpacker, b.payload)
	return frames, err
}
