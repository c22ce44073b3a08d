// Package dbc reads CAN definition files as they are found in the wild. Each
// definition goes by itself through the parser of go.einride.tech/can; what
// that parser refuses and other readers accept is repaired first and reported.
// One bad definition costs that definition, not the file.
package dbc

import (
	"fmt"
	"os"
	"sort"
	"strings"
	"unicode"
)

// File is a definition file as far as it could be understood.
type File struct {
	Name     string
	Messages []*Message // in the order of the file
	// Problems are what was repaired or refused, in the order of the file.
	Problems []Problem
}

// Pos is a place in a file, both counted from 1; columns count bytes.
type Pos struct{ Line, Column int }

// Problem is one thing wrong with a file.
type Problem struct {
	File string
	Pos  Pos
	// Lost is true where a definition could not be used, false where it
	// could be repaired or only looks wrong.
	Lost bool
	Text string
}

// Error returns file:line:column and what is wrong.
func (p Problem) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Pos.Line, p.Pos.Column, p.Text)
}

// Message is one kind of frame.
type Message struct {
	Pos         Pos
	Name        string
	ID          uint32 // without the flag bit
	Extended    bool
	Size        int // bytes
	Transmitter string
	Comment     string
	Signals     []*Signal
	// Attributes are the values set for the message, by name.
	Attributes map[string]string
}

// Signal is one run of bits of a message.
type Signal struct {
	Pos  Pos
	Name string
	// Start counts as DBC files do: bit 8*byte+bit; the least significant bit
	// of little-endian signals, the most significant of big-endian ones.
	Start, Length     int
	BigEndian, Signed bool
	// Float is true where SIG_VALTYPE_ says that the bits are an IEEE 754
	// number of 32 or 64 bits.
	Float          bool
	Factor, Offset float64
	// Min and Max are physical limits; none are stated unless Min < Max.
	Min, Max  float64
	Unit      string
	Receivers []string
	Comment   string
	// Values are the descriptions of raw values.
	Values []Value
	// Switch is true for a multiplexer switch, Multiplexed where the signal
	// is present only for some values of a switch.
	Switch, Multiplexed bool
	// Mux lists the conditions for the signal to be present, the nearest
	// switch first.
	Mux []Condition

	muxValue uint64
	muxBy    string
	ranges   [][2]uint64
}

// Value describes one raw value.
type Value struct {
	Raw  int64
	Text string
}

// Condition holds while the raw value of Switch lies in one of the ranges.
type Condition struct {
	Switch *Signal
	Ranges [][2]uint64
}

// Read reads a file. The error is about the file as a whole; what is wrong
// inside it is in Problems.
func Read(path string) (*File, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	f := Parse(path, data)
	if len(f.Messages) == 0 {
		if len(f.Problems) > 0 {
			return f, fmt.Errorf("%s: no message definition could be read; first problem: %w", path, f.Problems[0])
		}
		return f, fmt.Errorf("%s: no message definition (BO_) in it: expected a CAN definition file", path)
	}
	return f, nil
}

// Message returns the first message of that name, or nil.
func (f *File) Message(name string) *Message {
	for _, m := range f.Messages {
		if m.Name == name {
			return m
		}
	}
	return nil
}

// Signal returns the first signal of that name, or nil.
func (m *Message) Signal(name string) *Signal {
	for _, s := range m.Signals {
		if s.Name == name {
			return s
		}
	}
	return nil
}

func (f *File) problem(p Pos, lost bool, format string, a ...any) {
	f.Problems = append(f.Problems, Problem{f.Name, p, lost, printable(fmt.Sprintf(format, a...))})
}

// printable keeps control characters of a file off the reader's terminal.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return '?'
		}
		return r
	}, s)
}

func (f *File) sortProblems() {
	sort.SliceStable(f.Problems, func(i, j int) bool {
		a, b := f.Problems[i].Pos, f.Problems[j].Pos
		return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
	})
}
