// Package bus is where frames come from: recorded logs, the kernel's CAN
// sockets, serial adapters. It knows bytes, identifiers and instants; it does
// not know what they mean.
package bus

import (
	"encoding/binary"
	"math"
	"time"
)

// Micros is an instant or a span in microseconds. Instants count from the zero
// of the source's clock: the Unix epoch for a log that carries one, the first
// instant of the recording for a log that does not, the boot for a live bus.
// See Clock.
type Micros int64

// Second is one second in Micros.
const Second Micros = 1_000_000

// Seconds returns m in seconds.
func (m Micros) Seconds() float64 { return float64(m) / 1e6 }

// Duration returns m as a time.Duration.
func (m Micros) Duration() time.Duration { return time.Duration(m) * time.Microsecond }

// Clock says how the instants of a source relate to wall time.
type Clock struct {
	// Known is false where wall time is not known (yet).
	Known bool
	// Zero is the Unix time, in microseconds, of instant 0. Meaningless
	// unless Known.
	Zero Micros
}

// Kind says what a Frame carries.
type Kind uint8

const (
	// Data is a classical or FD data frame.
	Data Kind = iota
	// Remote is a remote transmission request: Len is its DLC, Data is empty.
	Remote
	// Error is an error frame of the kernel: ID holds the error class bits
	// (linux/can/error.h), Data its eight bytes.
	Error
	// Notice is something that happened to the source itself, in order with
	// the frames: ID is a NoticeCode, Count its amount.
	Notice
	// Reading is a physical value that arrived decoded (a microcontroller
	// with a pressure sensor, an accelerometer): ID is the channel's index in
	// the source's channel list, Value the number.
	Reading
	// Answer is the payload of a diagnostic answer: ID is the index of the
	// request in the source's request list, Data[:Len] the payload after the
	// service and parameter bytes.
	Answer
)

// Flags refine a Data or Remote frame.
type Flags uint8

const (
	// Extended marks a 29-bit identifier.
	Extended Flags = 1 << iota
	// FD marks a CAN FD frame, BRS its bit-rate switch, ESI its error state.
	FD
	BRS
	ESI
)

// NoticeCode says what a Notice frame reports.
type NoticeCode uint32

const (
	// NoticeDropped: the kernel or adapter dropped Count frames.
	NoticeDropped NoticeCode = iota + 1
	// NoticeDown and NoticeUp: the source went away (interface down, adapter
	// unplugged, file ended early) and came back.
	NoticeDown
	NoticeUp
	// NoticeBusOff: the controller left the bus. NoticeRestarted: it is back.
	NoticeBusOff
	NoticeRestarted
	// NoticeClockJump: the source's clock moved by Count microseconds
	// (signed) against the host's; the instants of later frames are already
	// put right so that they never run backwards.
	NoticeClockJump
	// NoticeMark: the driver pressed the button.
	NoticeMark
	// NoticeBadInput: Count lines or messages since the last notice could
	// not be understood.
	NoticeBadInput
	// NoticeNotAsking: nothing is asked on this bus from now on, and what is
	// known by asking only falls silent; Count is the PauseReason. It comes again
	// where that changes. NoticeAsking: it goes on.
	NoticeNotAsking
	NoticeAsking
)

// Frame is one thing received, a small value that is passed in batches.
type Frame struct {
	// At is the instant of reception.
	At Micros
	// ID is the identifier without flag bits, or what Kind says.
	ID uint32
	// Early is the timing uncertainty in microseconds: what the frame tells
	// was true at some instant in [At-Early, At]. 0 for broadcast frames.
	Early uint32
	Kind  Kind
	Flags Flags
	// Bus is the index of the bus in the vehicle file.
	Bus uint8
	// Len is the number of bytes in Data (the DLC for Remote).
	Len  uint8
	Data [64]byte
}

// NewNotice returns a Notice frame.
func NewNotice(at Micros, bus uint8, code NoticeCode, count int64) Frame {
	f := Frame{At: at, Bus: bus, Kind: Notice, ID: uint32(code), Len: 8}
	binary.LittleEndian.PutUint64(f.Data[:8], uint64(count))
	return f
}

// Count is the amount of a Notice.
func (f *Frame) Count() int64 { return int64(binary.LittleEndian.Uint64(f.Data[:8])) }

// NewReading returns a Reading frame for a channel.
func NewReading(at Micros, bus uint8, channel uint32, value float64) Frame {
	f := Frame{At: at, Bus: bus, Kind: Reading, ID: channel, Len: 8}
	binary.LittleEndian.PutUint64(f.Data[:8], math.Float64bits(value))
	return f
}

// Value is the number of a Reading.
func (f *Frame) Value() float64 {
	return math.Float64frombits(binary.LittleEndian.Uint64(f.Data[:8]))
}

// Stats is what a source has counted so far.
type Stats struct {
	Frames   uint64 // frames handed out, without notices
	BadLines uint64 // lines or messages that could not be understood
	Dropped  uint64 // frames the kernel or adapter reported as dropped
	Errors   uint64 // error frames
}
