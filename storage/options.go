package storage

import (
	"fmt"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Options say what a Writer keeps and how much of it.
type Options struct {
	// Plan and Settings (the text of the vehicle file) are kept in the
	// store, so that it can be read without the vehicle file.
	Plan     *stream.Plan
	Settings []byte
	// Label is the user's own name for the stay.
	Label string
	// Program names the writing program and its version.
	Program string
	// Boot identifies the time line that instants are on: two runs with the
	// same one share their clock. At most 36 bytes.
	Boot string
	// Clock is what is known of wall time at the start.
	Clock bus.Clock

	// LookBack and LookOn are how much is kept before and after a finding;
	// 0 means DefaultLookBack and DefaultLookOn.
	LookBack, LookOn bus.Micros
	// RingBytes is the memory of the look-back; 0 means what LookBack and
	// LookOn take at full load of every bus of the plan, but at most
	// MaxRingBytes.
	RingBytes int64
	// AccountEvery is how long the account waits at most for an event that it is
	// written with: a power cut can cost that much of it, and what it was old when it
	// was given; 0 means DefaultAccountEvery. Findings that ask for no evidence wait
	// with it.
	AccountEvery bus.Micros

	// Quota bounds the store, in bytes, files counted in whole pages of 4
	// KiB; 0 means no bound. FreeFloor is the free space that is left to
	// others.
	Quota, FreeFloor int64

	// Wait lets a run begin on a medium that refuses: what comes is kept in
	// memory, as when it refuses later, and the store is opened when it can
	// be. Otherwise Open fails.
	Wait bool

	// GroupRead lets the group of the files' owner read what is written, for a
	// courier that has an account of its own.
	GroupRead bool

	// FS is where the store is; nil means the machine's own file system.
	FS FS
	// Acknowledged, if set, is called once an event and its evidence so far
	// are on the medium. Troubled, if set, is told when the medium refuses,
	// when it is full, and when it is well again.
	Acknowledged func(*Event)
	Troubled     func(Trouble)
}

const (
	DefaultLookBack     = 20 * bus.Second
	DefaultLookOn       = 10 * bus.Second
	DefaultAccountEvery = 60 * bus.Second
	// MinQuota is the least quota that is accepted.
	MinQuota = 1 << 20
	// MaxRingBytes bounds the look-back where no budget is given.
	MaxRingBytes = 16 << 20
	// FullLoad is how many frames a second a bus of 500 kbit/s carries at
	// most with eight bytes in each: 500000 over the 111 bits of a frame with
	// an 11-bit identifier and the space after it, without stuffing (Linux,
	// include/linux/can/length.h: 47 and the data).
	FullLoad = 4504
)

func (o Options) complete(dir string) (Options, error) {
	if o.Plan == nil {
		return o, fmt.Errorf("%s: a store needs the plan that its frames are decoded with", dir)
	}
	if len(o.Boot) > maxBootID {
		return o, fmt.Errorf("%s: boot identifier %q is longer than %d bytes", dir, o.Boot, maxBootID)
	}
	if o.LookBack == 0 {
		o.LookBack = DefaultLookBack
	}
	if o.LookOn == 0 {
		o.LookOn = DefaultLookOn
	}
	if o.AccountEvery == 0 {
		o.AccountEvery = DefaultAccountEvery
	}
	if o.LookBack < 0 || o.LookOn < 0 || o.AccountEvery < 0 || o.RingBytes < 0 || o.Quota < 0 || o.FreeFloor < 0 {
		return o, fmt.Errorf("%s: a negative time or size", dir)
	}
	if o.Quota > 0 && o.Quota < MinQuota {
		return o, fmt.Errorf("%s: a quota of %d bytes holds nothing worth having: give at least %d", dir, o.Quota, MinQuota)
	}
	if o.RingBytes == 0 {
		// Findings come up to a few seconds late, hence the margin.
		span := o.LookBack + o.LookOn + 10*bus.Second
		full := int64(span.Seconds()) * FullLoad * bytesPerFrame * int64(max(1, len(o.Plan.Buses)))
		o.RingBytes = min(max(full, 1<<20), MaxRingBytes)
	}
	if o.FS == nil {
		o.FS = osFS{dir, o.GroupRead}
	}
	return o, nil
}
