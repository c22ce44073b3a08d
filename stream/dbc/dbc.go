// Package dbc reads CAN definition files as they are found in the wild. Each
// definition goes by itself through the parser of go.einride.tech/can; what
// that parser refuses and other readers accept is repaired first and reported.
// One bad definition costs that definition, not the file.
package dbc

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"sort"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
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
	lost     bool // what it means is not known
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
// inside it is in Problems. Of a file that defines no message nothing is
// repeated: it may be any file, and what is in it nobody's business.
func Read(path string) (*File, error) {
	data, err := ReadText(path)
	if err != nil {
		return nil, err
	}
	f := Parse(path, data)
	if len(f.Messages) == 0 {
		return nil, fmt.Errorf("%s: no message definition (BO_) that could be read in it: expected a CAN definition file", path)
	}
	return f, nil
}

// maxText is how large a definition or vehicle file may be, in bytes.
const maxText = 16 << 20

// ReadText reads a text file that a user has written: a regular file of at most
// 16 MB, in UTF-8 or, where a byte-order mark says so, UTF-16 (RFC 2781).
func ReadText(path string) ([]byte, error) {
	st, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, err
	case !st.Mode().IsRegular():
		return nil, fmt.Errorf("%s: not a regular file; expected a text file", path)
	case st.Size() > maxText:
		return nil, fmt.Errorf("%s: %d bytes; a text file of at most %d is read", path, st.Size(), maxText)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxText+1))
	if err == nil && len(data) > maxText {
		err = fmt.Errorf("%s: more than %d bytes", path, maxText)
	}
	return unmarked(data), err
}

// unmarked takes a byte-order mark off and brings the text to UTF-8.
func unmarked(data []byte) []byte {
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(data, []byte("\xef\xbb\xbf")):
		return data[3:]
	case bytes.HasPrefix(data, []byte("\xff\xfe")):
		order = binary.LittleEndian
	case bytes.HasPrefix(data, []byte("\xfe\xff")):
		order = binary.BigEndian
	default:
		return data
	}
	var units []uint16
	for at := 2; at+1 < len(data); at += 2 {
		units = append(units, order.Uint16(data[at:]))
	}
	return []byte(string(utf16.Decode(units)))
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
	f.Problems = append(f.Problems, Problem{f.Name, p, lost, Printable(fmt.Sprintf(format, a...))})
}

// Printable shows text of a file without what could steer the reader's terminal
// or change the direction of writing: such characters stand as escapes.
func Printable(s string) string {
	if !strings.ContainsFunc(s, steers) {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if steers(r) {
			q := strconv.QuoteRuneToASCII(r)
			b.WriteString(q[1 : len(q)-1])
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

func steers(r rune) bool {
	return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == utf8.RuneError
}

func (f *File) sortProblems() {
	sort.SliceStable(f.Problems, func(i, j int) bool {
		a, b := f.Problems[i].Pos, f.Problems[j].Pos
		return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
	})
}
