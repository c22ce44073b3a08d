package cli

import "strings"

// Plain is text from a file or a vehicle without what could steer the terminal or
// change the direction of writing; each such character is shown as a dot.
func Plain(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == '\ufffd' {
			return '·'
		}
		return r
	}, text)
}
