package main

import (
	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// abilities judges each detector by the periods that were observed.
func abilities(cover []stream.RoleCover, plan *stream.Plan, set detect.Settings) []detect.Ability {
	in := detect.Inputs{Ratios: len(plan.Facts.Ratios) > 0, Set: &set}
	for _, c := range cover {
		if c.Samples > c.NotOK && c.Period > 0 {
			in.Period[c.Role] = c.Period.Seconds()
		}
	}
	return detect.Abilities(&in)
}

// frameBits is the length of a frame on the wire in bits, with the interframe
// space and without stuff bits (ISO 11898-1: a classical base frame has 44
// bits and its data, an extended one 64, and 3 bits of space follow). FD frames
// are counted like classical ones of their length: too long where the bit rate
// switches, so the load is an upper figure then.
func frameBits(f *bus.Frame) uint64 {
	bits := uint64(47)
	if f.Flags&bus.Extended != 0 {
		bits = 67
	}
	if f.Kind == bus.Data {
		bits += 8 * uint64(f.Len)
	}
	return bits
}
