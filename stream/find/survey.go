// Package find works out, from raw frames alone, which bits of which
// identifiers are likely to be a vehicle's engine speed, turbine speed, output
// speed and what goes with them.
//
// A Survey takes the frames as they come, in bounded memory; Analyse then cuts
// the payloads into fields, tries the fields against each other, against the
// answers to standard requests in the same recording and against what a
// torque converter does, and ranks them.
package find

import (
	"encoding/binary"
	"fmt"
	"math/bits"
	"sort"

	"joltwatch/bus"
)

// Options bound a Survey; zero values mean the defaults.
type Options struct {
	// Records is how many frames are kept for the analysis (default 2^20). A
	// recording with more keeps whole stretches of eight seconds, evenly
	// spread, so that what is kept is complete in itself.
	Records int
	// Identifiers is how many identifiers are followed (default 2048); frames
	// of further ones are only counted.
	Identifiers int
}

// ID is an identifier on a bus.
type ID struct {
	Bus      uint8
	ID       uint32
	Extended bool
}

// String returns the identifier in hexadecimal, three digits or eight.
func (i ID) String() string {
	if i.Extended {
		return fmt.Sprintf("%08X", i.ID)
	}
	return fmt.Sprintf("%03X", i.ID)
}

// block is the stretch of time that is kept or left out as a whole.
const block = 8 * bus.Second

// Survey collects what the analysis needs of a recording.
type Survey struct {
	opt    Options
	index  map[uint64]int
	ids    []*traffic
	begun  bool
	first  bus.Micros
	last   bus.Micros
	stride bus.Micros // blocks
	kept   int
	full   bool

	// Counts of the recording.
	Frames, Unfollowed, Backwards, NotData uint64

	answers answers
}

// traffic is one identifier.
type traffic struct {
	ID
	frames         uint64
	minLen, maxLen int
	lastAt         bus.Micros
	last           [64]byte
	intervals      intervals
	words          [8]*flips
	rec            records
}

// records are the kept frames of one identifier.
type records struct {
	width int
	at    []bus.Micros
	data  []byte
}

func (r *records) len() int             { return len(r.at) }
func (r *records) payload(i int) []byte { return r.data[i*r.width : (i+1)*r.width] }

// NewSurvey returns an empty survey.
func NewSurvey(opt Options) *Survey {
	if opt.Records <= 0 {
		opt.Records = 1 << 20
	}
	if opt.Identifiers <= 0 {
		opt.Identifiers = 2048
	}
	return &Survey{opt: opt, index: map[uint64]int{}, stride: 1}
}

// Add takes one frame. What is no data frame is only counted.
func (s *Survey) Add(f *bus.Frame) {
	if f.Kind != bus.Data || f.Len == 0 || f.Len > 64 {
		s.NotData++
		return
	}
	s.Frames++
	if !s.begun {
		s.begun, s.first, s.last = true, f.At, f.At
	}
	if f.At < s.first {
		s.Backwards++
		return
	}
	s.last = max(s.last, f.At)
	t := s.traffic(f)
	if t == nil {
		s.Unfollowed++
		return
	}
	if t.frames > 0 && f.At < t.lastAt {
		s.Backwards++
		return
	}
	n := int(f.Len)
	if t.frames == 0 {
		t.minLen, t.maxLen = n, n
	} else {
		t.intervals.add(f.At - t.lastAt)
		t.minLen = min(t.minLen, n)
		if n > t.maxLen {
			t.maxLen = n
			t.widen(n)
		}
	}
	for w := 0; w < n; w += 8 {
		x := t.words[w/8]
		if x == nil {
			x = &flips{}
			t.words[w/8] = x
			x.everSet = binary.LittleEndian.Uint64(f.Data[w:])
			x.everClear = ^x.everSet
			continue
		}
		x.add(t.last[w:w+8], f.Data[w:w+8])
	}
	t.frames++
	t.lastAt = f.At
	t.last = f.Data
	s.answers.add(f)
	if !s.full && (f.At-s.first)/block%s.stride == 0 {
		s.keep(t, f)
	}
}

func (s *Survey) traffic(f *bus.Frame) *traffic {
	k := uint64(f.ID) | uint64(f.Bus)<<32
	if f.Flags&bus.Extended != 0 {
		k |= 1 << 40
	}
	if i, ok := s.index[k]; ok {
		return s.ids[i]
	}
	if len(s.ids) >= s.opt.Identifiers {
		return nil
	}
	t := &traffic{ID: ID{f.Bus, f.ID, f.Flags&bus.Extended != 0}}
	s.index[k] = len(s.ids)
	s.ids = append(s.ids, t)
	return t
}

// keep stores a frame; a long one counts for several.
func (s *Survey) keep(t *traffic, f *bus.Frame) {
	r := &t.rec
	if r.width == 0 {
		r.width = max(8, (t.maxLen+7)/8*8)
	}
	r.at = append(r.at, f.At)
	r.data = append(r.data, f.Data[:r.width]...)
	s.kept += r.width / 8
	for s.kept > s.opt.Records && !s.full {
		s.thin()
	}
}

// thin leaves out every second of the stretches kept so far.
func (s *Survey) thin() {
	if s.stride > 1<<24 {
		// Years of recording, or a single stretch that is fuller than the
		// bound: no more is kept.
		s.full = true
		return
	}
	s.stride *= 2
	s.kept = 0
	for _, t := range s.ids {
		r := &t.rec
		n := 0
		for i, at := range r.at {
			if (at-s.first)/block%s.stride == 0 {
				r.at[n] = at
				copy(r.data[n*r.width:(n+1)*r.width], r.payload(i))
				n++
			}
		}
		r.at, r.data = r.at[:n], r.data[:n*r.width]
		s.kept += n * r.width / 8
	}
}

// widen makes room for longer frames of the identifier.
func (t *traffic) widen(n int) {
	width := (n + 7) / 8 * 8
	r := &t.rec
	if r.width == 0 || width <= r.width {
		return
	}
	data := make([]byte, len(r.at)*width)
	for i := range r.at {
		copy(data[i*width:], r.payload(i))
	}
	r.width, r.data = width, data
}

// intervals are the times between the frames of an identifier, in bins of a
// sixteenth of an octave.
type intervals struct {
	n   uint64
	sum [1024]uint64 // µs
	bin [1024]uint32
}

func (v *intervals) add(d bus.Micros) {
	x := uint64(max(d, 0))
	i := 0
	if x < 16 {
		i = int(x)
	} else {
		e := bits.Len64(x) - 5
		i = min(e*16+int(x>>e), 1023)
	}
	v.n++
	v.bin[i]++
	v.sum[i] += x
}

// median returns the mean of the bin in which the median lies.
func (v *intervals) median() bus.Micros {
	if v.n == 0 {
		return 0
	}
	want := (v.n - 1) / 2
	var seen uint64
	for i := range v.bin {
		seen += uint64(v.bin[i])
		if seen > want {
			return bus.Micros(v.sum[i] / uint64(v.bin[i]))
		}
	}
	return 0
}

// sorted returns the identifiers in the order of bus and number.
func (s *Survey) sorted() []*traffic {
	ids := append([]*traffic(nil), s.ids...)
	sort.Slice(ids, func(i, j int) bool {
		a, b := ids[i].ID, ids[j].ID
		if a.Bus != b.Bus {
			return a.Bus < b.Bus
		}
		if a.Extended != b.Extended {
			return b.Extended
		}
		return a.ID < b.ID
	})
	return ids
}

// Duration is the time from the first frame to the last.
func (s *Survey) Duration() bus.Micros { return s.last - s.first }
