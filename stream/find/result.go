package find

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Result is what the analysis proposes.
type Result struct {
	Duration   bus.Micros
	Frames     uint64
	Unfollowed uint64
	// Backwards frames came after later ones, and were left out.
	Backwards   uint64
	Kept        float64 // share of the time that was analysed
	Identifiers []Identifier
	// References are the standard requests answered in the recording.
	References []ReferenceSeen
	Roles      []RoleResult
	// Times are the instants of the traces, in seconds from the first frame.
	Times []float64
	// Facts that go into a vehicle file; 0 and nil where unknown.
	IdleRPM      float64
	OutputPerKmh float64
	Ratios       []float64 // turbine over output, from the lowest gear seen
	// FirstGear is true where the drive began at a standstill, so that the
	// first ratio is first gear's.
	FirstGear bool
	// Wheels are the fields that are wheel speeds: several alike in one
	// message, all at nothing at once.
	Wheels []Proposal
}

// ReferenceSeen is one standard request that was answered.
type ReferenceSeen struct {
	Parameter Parameter
	Name      string
	Unit      string
	Answers   int
	Min, Max  float64
	// At, in seconds from the first frame, and Values are some of the
	// answers, for plots.
	At, Values []float64
}

// RoleResult is what was found for one role.
type RoleResult struct {
	Role stream.Role
	// Found is whether the first proposal is good enough to be used; where
	// not, Why says what is missing.
	Found bool
	Why   string
	// Proposals are ranked, the best first.
	Proposals []Proposal
}

// Proposal is one field as one role.
type Proposal struct {
	ID    ID
	Field Field
	// Mux is set where the field is present for one value of a switch only.
	Mux      *Mux
	MuxValue uint64
	// Value in the role's unit is Scale*raw + Offset.
	Scale, Offset float64
	// Rounded is true where Scale is a plausible scaling near what was
	// measured; Guessed where nothing in the recording tells it.
	Rounded, Guessed bool
	// States maps raw values to gear numbers; nil for numbers.
	States map[int64]int64
	// Fit is 0 to 100: how well the field does as the role.
	Fit      float64
	Evidence []string
	Period   bus.Micros
	// RawMax is the largest raw value that is a number: the highest code of
	// all stands for "not available" where it was seen to.
	RawMax uint64
	// Trace is the field at Result.Times in the role's unit, for plots; NaN
	// where unknown. Only the first proposals of each role have one.
	Trace []float64

	s *series
}

// Role returns the result for a role, or nil.
func (r *Result) Role(x stream.Role) *RoleResult {
	for i := range r.Roles {
		if r.Roles[i].Role == x {
			return &r.Roles[i]
		}
	}
	return nil
}

// Best returns the first proposal of a role that was found, or nil.
func (r *Result) Best(x stream.Role) *Proposal {
	if y := r.Role(x); y != nil && y.Found {
		return &y.Proposals[0]
	}
	return nil
}

// rank puts the proposals in order and leaves the best of each place and its
// strongest rivals.
func (r *RoleResult) rank() {
	sort.SliceStable(r.Proposals, func(i, j int) bool { return r.Proposals[i].Fit > r.Proposals[j].Fit })
	var out []Proposal
	for _, p := range r.Proposals {
		if len(out) < mostRivals && !slices.ContainsFunc(out, func(q Proposal) bool { return q.s.overlaps(p.s) }) {
			out = append(out, p)
		}
	}
	r.Proposals = out
}

func (s *series) proposal(fit float64) Proposal {
	return Proposal{ID: s.t.ID, Field: s.full().field(), Mux: s.mux, MuxValue: s.muxValue, Period: s.period,
		Scale: 1, Fit: math.Max(0, math.Min(100, fit)), s: s}
}

// full is the run with the bits above it that were never set, up to 16: a
// faster drive would set them.
func (s *series) full() run {
	r := s.run
	w := s.t.words[r.word]
	size := 8 * min(8, s.t.maxLen-8*r.word)
	for !r.signed && r.length < 16 && r.shift+r.length < 64 {
		x := r
		x.length++
		above := x.bits() &^ r.bits()
		if above&w.everSet != 0 || r.oneByte() && s.run.length <= 8 && (r.shift+r.length)%8 == 0 {
			break
		}
		if size < 64 && above>>size != 0 {
			break
		}
		r = x
	}
	return r
}

// list writes the values in one line.
func list[T any](format string, values []T) string {
	var words []string
	for _, v := range values {
		words = append(words, fmt.Sprintf(format, v))
	}
	return strings.Join(words, ", ")
}
