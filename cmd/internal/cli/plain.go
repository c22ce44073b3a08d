package cli

import (
	"bytes"
	"io"
	"strings"
	"unicode/utf8"
)

// Plain is text from a file or a vehicle without what could steer the terminal or
// change the direction of writing; each such character is shown as a dot.
func Plain(text string) string {
	return strings.Map(func(r rune) rune {
		if steers(r) {
			return '·'
		}
		return r
	}, text)
}

// steers reports whether a character is a control character, a mark or override
// of the direction of writing (Unicode Standard Annex 9), or none at all.
func steers(r rune) bool {
	return r < ' ' || r >= 0x7f && r < 0xa0 || r == 0x061c || r == 0x200e || r == 0x200f ||
		r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == utf8.RuneError
}

// PlainWriter passes on UTF-8 text in the manner of Plain; ends of lines and tabs
// stay. A character is passed on once it is whole.
type PlainWriter struct {
	W    io.Writer
	part []byte // of a character
}

// Write reports all of b as written, or none.
func (p *PlainWriter) Write(b []byte) (int, error) {
	text := append(p.part, b...)
	whole := len(text)
	for i := 1; i < utf8.UTFMax && i <= len(text); i++ {
		if utf8.RuneStart(text[len(text)-i]) {
			if !utf8.FullRune(text[len(text)-i:]) {
				whole = len(text) - i
			}
			break
		}
	}
	p.part = bytes.Clone(text[whole:])
	_, err := p.W.Write(bytes.Map(func(r rune) rune {
		if r != '\n' && r != '\t' && steers(r) {
			return '·'
		}
		return r
	}, text[:whole]))
	if err != nil {
		return 0, err
	}
	return len(b), nil
}
